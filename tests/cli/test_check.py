"""`evidence check`: any bag, without an archive, by RFC 8493, section 3."""

from __future__ import annotations

import bagit
import pytest
from support_cli import cli


@pytest.fixture
def bag(tmp_path):
    """A bag that the `bagit` library (Library of Congress) made, with SHA-512 as another institution would."""
    folder = tmp_path / "theirs"
    folder.mkdir()
    (folder / "a.txt").write_text("first")
    (folder / "b.txt").write_text("second")
    bagit.make_bag(str(folder), {"Source-Organization": "Elsewhere"}, checksums=["sha512", "md5"])
    return folder


def test_a_bag_of_another_program_is_valid(bag):
    ran = cli("check", bag)
    assert ran.status == 0, ran.err
    assert ran.out.splitlines() == [f"{bag}: valid. 2 files (11 bytes) read."]
    (one,) = cli("check", bag, "--json").data["bags"]
    assert (one["verdict"], one["files"], one["octets"]) == ("valid", 2, 11)


def test_an_altered_file_leaves_a_bag_complete_and_not_valid(bag):
    (bag / "data" / "a.txt").write_text("fir5t")
    ran = cli("check", bag)
    assert ran.status == 1
    assert "complete, but NOT valid" in ran.out
    assert "error: data/a.txt has changed" in ran.out
    with pytest.raises(bagit.BagValidationError):
        bagit.Bag(str(bag)).validate()


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (lambda bag: (bag / "data" / "a.txt").unlink(), "missing: data/a.txt"),
        (lambda bag: (bag / "data" / "c.txt").write_text("x"), "not in a manifest: data/c.txt"),
        (lambda bag: (bag / "bagit.txt").write_text("BagIt"), "error: bagit.txt is not the two lines"),
    ],
    ids=["missing", "unlisted", "declaration"],
)
def test_a_bag_that_lacks_something_is_incomplete(bag, change, line):
    change(bag)
    ran = cli("check", bag)
    assert ran.status == 1
    assert "NOT complete and NOT valid" in ran.out
    assert line in ran.out
    assert cli("check", bag, "--json").data["bags"][0]["verdict"] == "incomplete"


def test_a_warning_leaves_a_bag_valid(bag):
    (bag / "note.txt").write_text("mine")
    ran = cli("check", bag)
    assert ran.status == 0
    assert "warning: note.txt is in no tag manifest" in ran.out


def test_one_bad_bag_of_several_gives_status_1_and_all_are_reported(bag, tmp_path):
    other = tmp_path / "other"
    other.mkdir()
    (other / "x.txt").write_text("x")
    bagit.make_bag(str(other))
    (other / "data" / "x.txt").unlink()
    ran = cli("check", bag, other, "--json")
    assert ran.status == 1
    assert [one["verdict"] for one in ran.data["bags"]] == ["valid", "incomplete"]


@pytest.mark.parametrize("name", ["empty", "none"])
def test_a_folder_that_is_no_bag_is_refused(tmp_path, bag, name):
    (tmp_path / "empty").mkdir()
    ran = cli("check", bag, tmp_path / name)
    assert ran.status == 2
    assert "is not a bag: it has no file bagit.txt." in ran.err
    assert ran.out == ""
