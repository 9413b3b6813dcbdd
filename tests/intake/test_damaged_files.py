"""A sample of the fuzzing run: damaged files, odd names and bombs do not end, hang or swell the program.

`python tests/bench/fuzz.py` is the whole run; docs/measurements.md has its figures.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from support_fuzz import bombs, heic, mutated, odd_names, seeds
from support_fuzz_run import try_all, try_names

from evidence.cards.exif import read_facts
from evidence.cards.files import list_card
from evidence.model import MediaKind, Sha256
from evidence.sight.batch import look_all
from evidence.sight.request import LookOptions, LookRequest

PLAIN = LookOptions(read_writing=False, scene_kinds=False)
SEED = 2026
SETUP = bytes.fromhex(
    "010370000000b000000000005af000fcfdf8f800000b03a00001001740010c01ffff037000000300b000000300000300"
    "5a7024a100010022420101037000000300b0000003000003005aa0040200805887b91655370c01060080a20001000944"
    "01c06172c8405324"
)
"""The setup of a decoder for tiles of 512 x 512 pixels (`hvcC`, ISO/IEC 14496-15), as a phone writes it."""


def test_a_sample_of_damaged_files_neither_crashes_nor_hangs_nor_takes_too_much():
    numbers = [*range(60), *range(420, 440)]  # what only decodes, and what is looked at
    told = list(try_all(iter(numbers), SEED))
    assert [one for one in told if one.fault] == []
    assert sum(one.inputs for one in told) == len(numbers)


def test_an_input_is_the_same_bytes_each_time_and_the_seeds_hold_every_kind():
    assert mutated(7, SEED)[1] == mutated(7, SEED)[1] != mutated(8, SEED)[1]
    assert {".jpg", ".png", ".tif", ".dng", ".nef", ".mp4", ".avif"} <= {one.suffix for one in seeds()}


def looked_at(path: Path, kind: MediaKind) -> list[str]:
    request = LookRequest(path=path, sha256=Sha256("0" * 64), kind=kind, options=PLAIN)
    return [flag.code for _, look in look_all([request], workers=1) for flag in look.flags]


@pytest.mark.parametrize("named", [b"Ex\xfff", b"Exif"], ids=["a type that is no text", "a usual type"])
def test_a_heic_that_ends_its_decoder_is_read_for_its_facts_and_flagged(tmp_path, named):
    """Found by fuzzing: the library that opens HEIC ends the process when an item's type is not UTF-8."""
    path = tmp_path / "x.heic"
    path.write_bytes(heic(bytes(64), SETUP).replace(b"Exif\0", named + b"\0", 1))
    facts = read_facts(path, MediaKind.PHOTO)
    assert (facts.width, facts.height) == (512, 512)
    assert (facts.make == "Tester") == (named == b"Exif")
    assert looked_at(path, MediaKind.PHOTO) == ["undecodable"]


def test_what_decoders_write_about_a_damaged_file_does_not_come_to_the_terminal(tmp_path):
    one = next(one for one in seeds() if one.name == "packed.tif")
    data = bytearray(one.data)
    data[3000:3400] = bytes(400)
    (tmp_path / "x.tif").write_bytes(data)
    script = (
        "import sys\n"
        f"sys.path[:0] = {sys.path!r}\n"
        "from pathlib import Path\n"
        "from evidence.model import MediaKind, Sha256\n"
        "from evidence.sight.batch import look_all\n"
        "from evidence.sight.request import LookOptions, LookRequest\n"
        "if __name__ == '__main__':\n"
        "    options = LookOptions(read_writing=False, scene_kinds=False)\n"
        f"    path = Path({str(tmp_path / 'x.tif')!r})\n"
        "    one = LookRequest(path=path, sha256=Sha256('0' * 64), kind=MediaKind.PHOTO, options=options)\n"
        "    print(len(list(look_all([one], workers=1))))\n"
    )
    (tmp_path / "run.py").write_text(script, encoding="utf-8")
    ran = subprocess.run([sys.executable, tmp_path / "run.py"], capture_output=True, text=True, check=True)
    assert (ran.stdout, ran.stderr) == ("1\n", "")


@pytest.mark.skipif(os.name != "posix", reason="this system cannot hold these names")
def test_a_sample_of_the_odd_names_is_kept_whole_and_shown_on_one_line(tmp_path):
    names = odd_names()
    assert len(set(names)) == 308
    assert try_names(names[::12], tmp_path) == 26


@pytest.mark.skipif(os.name != "posix", reason="this system cannot hold these names")
def test_ten_thousand_files_in_one_folder_are_listed_each_once_and_in_order(tmp_path):
    for number in range(10_000):
        (tmp_path / f"IMG_{number}.JPG").touch()
    walk = list_card(tmp_path)
    assert [one.card_path for one in walk.found] == [f"IMG_{number}.JPG" for number in range(10_000)]
    assert walk.refused == ()


@pytest.mark.parametrize(
    "name", ["claims.png", "claims_most.png", "claims.jpg", "progressive.jpg", "inside.dng"]
)
def test_a_small_file_that_claims_a_very_large_picture_is_flagged_at_once(tmp_path, name):
    one = next(one for one in bombs(small=True) if one.name == name)
    path = tmp_path / one.name
    path.write_bytes(one.data)
    read_facts(path, one.kind)
    assert looked_at(path, one.kind) != []
