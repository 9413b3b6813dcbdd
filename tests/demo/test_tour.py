"""The demo's tour uses its own folders only: another checkout's demo keeps its backup."""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path

import pytest
from support_cli import make_archive

sys.path.insert(0, str(Path(__file__).parents[2]))

from demo_photos import tour


class OtherDisk:
    """Stands in for the free space of a disk that is large enough."""

    free = tour.ROOM_NEEDED + 1


@pytest.fixture
def second_disk(tmp_path, monkeypatch):
    """A folder that the tour takes for another disk."""
    disk = tmp_path / "second disk"
    disk.mkdir()
    own, stat = disk.stat(), Path.stat

    class Stat:
        st_dev = -1
        st_mode = own.st_mode

    monkeypatch.setattr(tour, "second_disks", lambda: (disk,))
    monkeypatch.setattr(Path, "stat", lambda path, **how: Stat() if path == disk else stat(path, **how))
    monkeypatch.setattr(tour.shutil, "disk_usage", lambda _: OtherDisk())
    return disk


def test_the_demo_of_a_second_checkout_leaves_the_backup_of_the_first(tmp_path, second_disk):
    first, second = make_archive(tmp_path / "one"), make_archive(tmp_path / "two")
    office = tour.name_target(first)
    assert office.parent == second_disk
    (office / "copy").write_bytes(b"an original")
    other = tour.name_target(second)
    assert other.parent == second_disk
    assert (office / "copy").read_bytes() == b"an original"


def test_the_demo_run_again_begins_with_an_empty_office(tmp_path, second_disk):
    archive = make_archive(tmp_path)
    office = tour.name_target(archive)
    (office / "copy").write_bytes(b"of the run before")
    assert tour.name_target(archive) == office
    assert list(office.iterdir()) == []


def test_the_office_is_named_as_a_target_off_this_computer(tmp_path, second_disk):
    archive = make_archive(tmp_path)
    office = tour.name_target(archive)
    (target,) = tomllib.loads((archive / "evidence.toml").read_text(encoding="utf-8"))["target"]
    assert target == {"name": "office", "path": str(office), "off_computer": True}
