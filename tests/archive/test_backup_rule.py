"""The 3-2-1 rule, against its published numbers and cases with known answers."""

from __future__ import annotations

from pathlib import Path

import pytest

from evidence.archive import backup_rule
from evidence.archive.backup_rule import BackupCount, StoredCopy, count_copies, weakest
from evidence.archive.places import medium


def copy(place, kind="solid-state disk", off=False):
    return StoredCopy(place_id=place, medium=kind, off_site=off)


LAPTOP, CARD = copy("disk:laptop"), copy("disk:card")
CASES = {
    # Derived from the rule: what fails and why is in the name.
    "card, laptop and a drive of the same kind at one site: media and off-site fail": (
        [CARD, LAPTOP, copy("disk:drive")],
        BackupCount(copies=3, media=1, off_site=0),
    ),
    "laptop, external disk and storage elsewhere: met": (
        [
            LAPTOP,
            copy("disk:external", "rotating disk"),
            copy("nfs:server:/claims", "network share", off=True),
        ],
        BackupCount(copies=3, media=3, off_site=1),
    ),
    "two folders on one disk are one copy": (
        [LAPTOP, copy("disk:laptop")],
        BackupCount(copies=1, media=1, off_site=0),
    ),
    "two media of unknown kind are not two kinds": (
        [copy("a", "unknown"), copy("b", "unknown"), copy("c", "unknown", off=True)],
        BackupCount(copies=3, media=1, off_site=1),
    ),
    "no copy": ([], BackupCount(copies=0, media=0, off_site=0)),
}


@pytest.mark.parametrize("case", list(CASES))
def test_copies_media_and_off_site_copies_are_counted(case):
    copies, counted = CASES[case]
    assert count_copies(copies) == counted
    assert counted.met is case.endswith(": met")


def test_the_numbers_are_the_published_ones():
    """Ruggiero and Heckathorn, Data Backup Options (US-CERT, 2012; year from memory)."""
    assert (backup_rule.COPIES, backup_rule.MEDIA, backup_rule.OFF_SITE) == (3, 2, 1)


@pytest.mark.parametrize("lacking", [(2, 2, 1), (3, 1, 1), (3, 2, 0)])
def test_each_number_of_the_rule_is_needed(lacking):
    copies, media, off_site = lacking
    assert BackupCount(copies=3, media=2, off_site=1).met
    assert not BackupCount(copies=copies, media=media, off_site=off_site).met


def test_the_weakest_file_decides():
    one, other = BackupCount(copies=3, media=1, off_site=1), BackupCount(copies=2, media=2, off_site=0)
    assert weakest([one, other]) == BackupCount(copies=2, media=1, off_site=0)
    assert weakest([]) == BackupCount(copies=0, media=0, off_site=0)


@pytest.mark.skipif(
    not Path("/proc/self/mounts").exists(), reason="this system does not tell the kind of a medium"
)
def test_the_kind_of_a_folder_in_memory_is_memory(other_disk):
    shown = medium(other_disk)
    mounts = Path("/proc/self/mounts").read_text(encoding="utf-8").splitlines()
    kinds = {line.split()[1]: line.split()[2] for line in mounts}
    place = other_disk
    while str(place) not in kinds:
        place = place.parent
    assert (shown == "memory") is (kinds[str(place)] in {"tmpfs", "ramfs"})


def test_the_kind_of_a_disk_is_read_from_the_system(tmp_path, monkeypatch):
    """As the kernel shows a partition of a rotating disk (Documentation/ABI, sysfs-block)."""
    import os

    from evidence.archive import places

    device = tmp_path.stat().st_dev
    disk = tmp_path / "sys" / "sda"
    (disk / "sda1").mkdir(parents=True)
    (disk / "sda1" / "partition").write_text("1")
    (disk / "queue").mkdir()
    blocks = tmp_path / "block"
    blocks.mkdir()
    (blocks / "8:1").symlink_to(disk / "sda1")
    monkeypatch.setattr(places, "_SYS_BLOCK", blocks)
    monkeypatch.setattr(os, "major", lambda _: 8)
    monkeypatch.setattr(os, "minor", lambda _: 1)
    monkeypatch.setattr(places.sys, "platform", "linux")
    assert device
    for said, kind in (("1", "rotating disk"), ("0", "solid-state disk")):
        (disk / "queue" / "rotational").write_text(f"{said}\n")
        assert medium(tmp_path) == kind
