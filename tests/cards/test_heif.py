"""Camera data and sizes of HEIF files, compared with the libraries that decode them; and files that are damaged."""

from __future__ import annotations

import io
import struct

import pi_heif
import piexif
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from support_fuzz import REAL, box, camera_data, heic, mutated, seeds

from evidence.cards.exif import read_facts
from evidence.cards.heif import read_heif
from evidence.model import MediaKind

TIFF = camera_data()[6:]


def with_list(iloc: bytes, *, idat: bytes = b"", version: int = 2) -> bytes:
    """A file whose list of items places item 1, the camera data, as `iloc` says."""
    number = struct.pack(">H" if version == 2 else ">I", 1)
    infe = box(b"infe", bytes([version, 0, 0, 0]), number, bytes(2), b"Exif", b"\0")
    inside = [box(b"iinf", bytes(4), struct.pack(">H", 1), infe), box(b"iloc", iloc)]
    if idat:
        inside.append(box(b"idat", idat))
    return box(b"ftyp", b"heix", bytes(4), b"heix") + box(b"meta", bytes(4), *inside)


def payload() -> bytes:
    return struct.pack(">I", 6) + b"Exif\0\0" + TIFF


def test_an_avif_gives_what_its_decoder_finds():
    data = next(one.data for one in seeds() if one.name == "made.avif")
    with Image.open(io.BytesIO(data)) as image:
        expected = piexif.load(b"Exif\0\0" + image.info["exif"].removeprefix(b"Exif\0\0"))
        size = image.size
    found = read_heif(data)
    ours = piexif.load(b"Exif\0\0" + found.tiff)
    assert found.sizes == (size,)
    assert (ours["Exif"], ours["GPS"]) == (expected["Exif"], expected["GPS"])
    assert ours["GPS"]


@pytest.mark.skipif(not REAL.exists(), reason="the real photos are not here")
def test_a_phones_heic_gives_what_its_decoder_finds():
    data = (REAL / "cameras" / "iphone_13_pro_max.HEIC").read_bytes()
    known = pi_heif.open_heif(io.BytesIO(data))
    found = read_heif(data)
    assert known.info["exif"].removeprefix(b"Exif\0\0") == found.tiff
    assert tuple(reversed(known.size)) == max(found.sizes), "the decoder has turned it"


def test_a_camera_of_ten_bits_has_its_data_read_too(tmp_path):
    (tmp_path / "x.hif").write_bytes(heic(bytes(64), bytes(23), brand=b"heix"))
    facts = read_facts(tmp_path / "x.hif", MediaKind.PHOTO)
    assert (facts.make, facts.width, facts.height) == ("Tester", 512, 512)


def test_the_camera_data_may_lie_behind_a_base_in_pieces_or_beside_the_list():
    whole = payload()
    for version in (1, 2):
        form = ">H" if version == 1 else ">I"
        head = bytes([version, 0, 0, 0]) + b"\x44\x40" + struct.pack(form, 1) + struct.pack(form, 1)
        beside = head + struct.pack(">HHIHII", 1, 0, 0, 1, 0, len(whole))
        assert read_heif(with_list(beside, idat=whole, version=version + 1)).tiff == TIFF
        start = len(with_list(head + bytes(8 + 20), version=version + 1)) + 8
        pieces = (0, 100), (100, len(whole) - 100)
        behind = (
            head + struct.pack(">HHIH", 0, 0, start, 2) + b"".join(struct.pack(">II", *one) for one in pieces)
        )
        shift = len(with_list(behind, version=version + 1)) + 8 - start
        behind = (
            head
            + struct.pack(">HHIH", 0, 0, start + shift, 2)
            + b"".join(struct.pack(">II", *one) for one in pieces)
        )
        assert read_heif(with_list(behind, version=version + 1) + box(b"mdat", whole)).tiff == TIFF


class CountedBytes(bytes):
    """Bytes that count how often they, and pieces of them, are read; too many reads are a failure at once."""

    reads = 0

    def __getitem__(self, part):
        CountedBytes.reads += 1
        assert CountedBytes.reads < 100_000, "read far too often"
        found = super().__getitem__(part)
        return CountedBytes(found) if isinstance(found, bytes) and len(found) > 16 else found


def test_a_list_of_very_many_empty_pieces_takes_neither_time_nor_memory():
    """Found by fuzzing: two thousand items of 65,535 pieces of no bytes took 40 s and 2 GB."""
    head = bytes([0, 0, 0, 0]) + b"\0\0" + struct.pack(">H", 65_535)
    data = CountedBytes(with_list(head + struct.pack(">HHH", 2, 0, 65_535) * 2_000))
    assert read_heif(data).tiff == b""
    assert 2_000 < CountedBytes.reads < 20_000


@given(st.binary(max_size=400), st.integers(0, 400))
def test_no_bytes_make_it_raise(noise, at):
    whole = heic(bytes(64), bytes(23))
    read_heif(noise)
    read_heif(whole[:at] + noise + whole[at:])
    read_heif(whole[:at])


@settings(deadline=None)
@given(st.integers(0, 10**9))
def test_no_damaged_file_makes_it_raise(number):
    read_heif(mutated(number, 3)[1])
