"""Which folders an intake accepts, and the message for the others."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import pytest
from support_cards import a_card, lay_out, make_read_only, small_disk

from evidence.cards import volumes
from evidence.cards.volumes import mounted_cards, open_source
from evidence.errors import BadInputError


@dataclass(frozen=True)
class Mount:
    mountpoint: str
    opts: str = "rw,removable"
    device: str = "E:"
    fstype: str = "exfat"


def nowhere(tmp_path: Path) -> Path:
    return tmp_path / "no such"


def a_file(tmp_path: Path) -> Path:
    return lay_out(tmp_path, {"file.jpg": b"x"}) / "file.jpg"


def folders_only(tmp_path: Path) -> Path:
    (tmp_path / "e" / "DCIM" / "100ABCDE").mkdir(parents=True)
    return tmp_path / "e"


def with_nul(tmp_path: Path) -> Path:
    return tmp_path / "a\0b"


@pytest.mark.parametrize(
    ("make", "says"),
    [(nowhere, "no folder"), (a_file, "is a file"), (folders_only, "empty"), (with_nul, "cannot be read")],
)
def test_a_source_that_cannot_be_used_is_reported_in_one_line(tmp_path, make, says):
    with pytest.raises(BadInputError, match=says) as caught:
        open_source(make(tmp_path))
    assert "\n" not in str(caught.value)
    assert caught.value.exit_code == 2
    assert caught.value.hint


def test_a_folder_that_cannot_be_listed_is_reported(tmp_path, monkeypatch):
    lay_out(tmp_path, {"a.jpg": b"x"})

    def refuse(*_args, **_named):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "open", refuse)
    monkeypatch.setattr(os, "scandir", refuse)
    with pytest.raises(BadInputError, match="permission denied"):
        open_source(tmp_path)


def test_a_locked_folder_is_not_called_empty(tmp_path):
    locked = tmp_path / "DCIM"
    locked.mkdir(mode=0)
    if os.access(locked, os.R_OK):
        pytest.skip("this user may read everything")
    with pytest.raises(BadInputError, match="cannot be opened"):
        open_source(tmp_path)


def test_a_card_is_opened_by_what_its_file_system_says(tmp_path):
    source = open_source(a_card(tmp_path / "SUMMER"))
    assert source.root == (tmp_path / "SUMMER").resolve()
    assert source.label == "SUMMER"
    assert source.device == tmp_path.stat().st_dev
    assert source.read_only is False


def test_a_card_mounted_read_only_is_known_as_such(tmp_path):
    with small_disk(tmp_path / "card", kib=2048) as card:
        a_card(card)
        assert open_source(card).read_only is False
        make_read_only(card)
        assert open_source(card).read_only is True


def test_mounted_cards_are_removable_and_hold_a_dcim_folder_with_files(tmp_path):
    a_card(tmp_path / "card")
    lay_out(tmp_path / "stick", {"letters/a.txt": b"x"})
    (tmp_path / "blank" / "DCIM").mkdir(parents=True)
    lay_out(tmp_path / "fixed", {"dcim/100ABCDE/IMG_0001.JPG": b"x"})
    lay_out(tmp_path / "lower", {"dcim/100ABCDE/IMG_0001.JPG": b"x"})
    mounts = [Mount(str(tmp_path / n)) for n in ("lower", "card", "stick", "blank", "gone")]
    mounts.append(Mount(str(tmp_path / "fixed"), opts="rw", device="/dev/nothing1"))
    assert [card.root.name for card in mounted_cards(mounts)] == ["card", "lower"]


def test_looking_for_mounted_cards_on_this_computer_does_not_fail():
    assert isinstance(mounted_cards(), tuple)


def test_a_card_is_the_same_wherever_its_volume_is_mounted_and_another_volume_is_not(tmp_path, monkeypatch):
    one, two = a_card(tmp_path / "one"), a_card(tmp_path / "two")

    def card_id(folder: Path, volume: str, top: Path) -> str:
        monkeypatch.setattr(volumes, "partition_of", lambda _root: Mount(str(top.resolve())))
        monkeypatch.setattr(volumes, "_label_and_id", lambda *_: ("", volume))
        return open_source(folder).card_id

    assert card_id(one, "4A1B-22F0", one) == card_id(two, "4A1B-22F0", two) != ""
    assert card_id(one, "4A1B-22F0", one) != card_id(one, "4A1B-22F1", one)
    assert card_id(one, "4A1B-22F0", tmp_path) != card_id(two, "4A1B-22F0", tmp_path), (
        "two folders of one disk"
    )
    assert card_id(one, "", one) == ""
    assert card_id(one, "0000-0000", one) == "", "zeros, as some cameras write them, name no card"
