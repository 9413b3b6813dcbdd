"""Cards with odd files and odd names: every file is taken in, and the next card too."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
from pathlib import Path

import bagit
import pytest
from support_cli import cli
from support_copy import copy_tree
from support_intake import at_home, bags_of, filed, loaded_archive, small_houses, taken_in, with_target

from evidence.filing.records import NAMES_RECORD
from evidence.model import Sha256

ODD = [
    b"CON.jpg",
    b"aux.tif",
    b"com1.mp4",
    b"x" * 251 + b".jpg",
    b"dots.jpg...",
    b"blank.jpg ",
    b" lead.jpg",
    b"ctl\x01\n.jpg",
    "r\u200fl\u202e.jpg".encode(),
    b"bad\xff\xdc.jpg",
    b"Twin.jpg",
    b"twin.jpg",
    "n\u00fa.jpg".encode(),
    "nu\u0301.jpg".encode(),
    b"C:x.jpg",
    b"..\\up.jpg",
    b"IMG_20260514_084112.jpg",
    b"50%.jpg",
]


@pytest.fixture
def archive(tmp_path):
    return loaded_archive(tmp_path)


def names_of(archive, content: bytes) -> list[str]:
    """Card paths at which a file with this content was seen."""
    with at_home(archive) as workspace:
        sha = Sha256(hashlib.sha256(content).hexdigest())
        return [one.card_path for one in workspace.catalog.photos.sightings([sha])[sha]]


def test_the_same_bytes_under_two_extensions_are_kept_once_under_both_names(archive, tmp_path):
    card = small_houses(tmp_path / "card")
    folder = tmp_path / "card" / "DCIM" / "100TESTC"
    shutil.copy(folder / "TEST0002.JPG", folder / "TEST0002.JPEG")
    for empty in ("EMPTY.JPG", "EMPTY.TXT", "EMPTY.MP4"):
        (folder / empty).write_bytes(b"")
    report = taken_in(archive, card.root)
    assert (report.kept, report.already_kept, report.refused) == (10, 3, ())
    assert len(filed(archive)) == 10
    assert sorted(names_of(archive, b"")) == [f"DCIM/100TESTC/EMPTY.{one}" for one in ("JPG", "MP4", "TXT")]
    (folder / "LATER.JPG").write_bytes(b"a later file")
    later = taken_in(archive, card.root)
    assert (later.kept, later.already_kept) == (1, 13)
    listed = "".join(
        (bag / NAMES_RECORD).read_text() for bag in bags_of(archive) if (bag / NAMES_RECORD).exists()
    )
    assert "TEST0002.JPEG\n    on the card: DCIM/100TESTC/TEST0002.JPG\n" in listed


def test_twins_that_an_earlier_run_left_in_the_intake_area_are_filed(archive, tmp_path):
    """A run that was killed between copying and filing, then the same bytes under another extension."""
    card = small_houses(tmp_path / "card")
    content = (card.root / card.written[1]).read_bytes()
    sha = hashlib.sha256(content).hexdigest()
    left = archive / "intake" / sha[:2] / f"{sha}.jpeg"
    left.parent.mkdir(parents=True)
    left.write_bytes(content)
    report = taken_in(archive, card.root)
    assert (report.kept, report.already_kept, report.refused) == (8, 1, ())
    assert len(filed(archive)) == 9
    assert not left.exists()


@pytest.mark.skipif(os.name != "posix", reason="this system cannot hold these names")
def test_every_odd_name_is_taken_in_and_the_bag_says_what_it_was_called(archive, tmp_path):
    card = small_houses(tmp_path / "card")
    folder = os.fsencode(card.root / "DCIM" / "100TESTC")
    for name in ODD:
        Path(os.fsdecode(folder + b"/" + name)).write_bytes(b"bytes of " + name)
    for case in ("Camera", "camera"):
        (card.root / "DCIM" / case).mkdir()
        (card.root / "DCIM" / case / "x.jpg").write_bytes(case.encode())
    report = taken_in(archive, card.root)
    assert (report.kept, report.refused) == (9 + len(ODD) + 2, ())
    assert len(filed(archive)) == report.kept
    tray = archive / "unassigned"
    bagit.Bag(str(tray)).validate()
    if shutil.which("sha256sum"):
        subprocess.run(["sha256sum", "-c", "--quiet", "manifest-sha256.txt"], cwd=tray, check=True)
    assert cli("verify", archive=archive).status == 0
    records = json.loads((tray / "records" / "photos.json").read_text(encoding="utf-8"))
    filed_as = {
        one["card_path"].rpartition("/")[2]: one["payload_path"].rpartition("/")[2] for one in records
    }
    assert filed_as["CON.jpg"] == "CON_.jpg"
    assert filed_as["IMG_20260514_084112.jpg"] == "IMG_20260514_084112.jpg"
    assert filed_as["bad\ufffdFF\ufffdDC.jpg"] == "bad\ufffdFF\ufffdDC.jpg"
    assert {filed_as["Twin.jpg"], filed_as["twin.jpg"]} == {"Twin.jpg", "twin (2).jpg"}
    for name, stored in filed_as.items():
        assert stored.endswith(name.rstrip(". ")[-4:]), (name, stored)
    listed = (tray / NAMES_RECORD).read_text(encoding="utf-8")
    assert "CON_.jpg\n    on the card: DCIM/100TESTC/CON.jpg\n" in listed
    assert "on the card: DCIM/100TESTC/ctl\\x01\\n.jpg\n" in listed
    assert "084112" not in listed
    (card.root / "DCIM" / "100TESTC" / "LATER.JPG").write_bytes(b"later")
    assert taken_in(archive, card.root).kept == 1


def test_no_backup_target_is_taken_in_as_a_card(tmp_path, other_disk):
    target = other_disk / "target"
    target.mkdir()
    archive = loaded_archive(tmp_path)
    with_target(archive, target)
    taken_in(archive, small_houses(tmp_path / "card").root)
    (tmp_path / "link").symlink_to(target)
    moved = tmp_path / "mounted elsewhere"
    copy_tree(target, moved)
    bag = next(one.parent for one in target.glob("*/bagit.txt"))
    for source in (other_disk, target, bag, tmp_path / "link", moved):
        ran = cli("intake", source, archive=archive)
        assert ran.status == 2, source
        assert "backup target" in ran.err
    with_target(archive, tmp_path / "link")  # the settings name the target by a link
    assert cli("intake", bag, archive=archive).status == 2
