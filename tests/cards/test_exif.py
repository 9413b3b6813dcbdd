"""Camera data is kept unchanged; an impossible value is a flag; no input makes the reader crash."""

from __future__ import annotations

import struct
import zlib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support_cards import a_jpeg, jpeg_with, tiff

from evidence.cards.exif import FLAGS, facts_of, read_facts
from evidence.cards.exif_blocks import Blocks
from evidence.errors import CardReadError
from evidence.model import CameraFacts, GeoPoint, MediaKind


def facts(
    tmp_path: Path, content: bytes, name: str = "IMG_0001.JPG", kind: MediaKind = MediaKind.PHOTO
) -> CameraFacts:
    path = tmp_path / name
    path.write_bytes(content)
    return read_facts(path, kind)


def codes(found: CameraFacts) -> list[str]:
    return [flag.code for flag in found.flags]


def taken(tmp_path: Path, text: str | bytes, **more: str) -> CameraFacts:
    """Facts of a photo with that DateTimeOriginal; `sub`, `offset` and `digitized` besides."""
    exif = {0x9003: ("A", text)}
    for tag, name in ((0x9291, "sub"), (0x9011, "offset"), (0x9004, "digitized")):
        if name in more:
            exif[tag] = ("A", more[name])
    return facts(tmp_path, jpeg_with(tiff({}, exif)))


def placed(tmp_path: Path, gps: dict[int, object]) -> CameraFacts:
    return facts(tmp_path, jpeg_with(tiff({}, {0x9003: ("A", "2026:03:04 10:11:12")}, gps)))


# --- published figures -------------------------------------------------------------------
# Read in the test outputs that come with exiftool 13.58 (t/Canon_2.out, t/Apple_2.out, t/Google_2.out,
# t/GPS_2.out); the sums were made from them. Only the figures are used here, in files of our own.


def test_subseconds_are_the_digits_of_a_fraction(tmp_path):
    assert taken(tmp_path, "2003:12:04 17:02:42", sub="81").taken_local == datetime(
        2003, 12, 4, 17, 2, 42, 810_000
    )


def test_local_time_less_satellite_time_gives_the_published_difference(tmp_path):
    found = facts(
        tmp_path,
        jpeg_with(
            tiff(
                {0x0112: ("H", [1])},
                {0x9003: ("A", "2016:09:28 18:18:05"), 0x9291: ("A", "813")},
                {
                    0x01: ("A", "N"),
                    0x02: ("R", [(53, 1), (22, 1), (5825, 100)]),
                    0x03: ("A", "W"),
                    0x04: ("R", [(1, 1), (27, 1), (2404, 100)]),
                    0x07: ("R", [(17, 1), (17, 1), (5865, 100)]),
                    0x1D: ("A", "2016:09:28"),
                    0x10: ("A", "T"),
                    0x11: ("R", [(3420498753, 10_000_000)]),
                },
            )
        ),
    )
    assert found.taken_local is not None
    assert found.gps_time is not None
    assert found.taken_local - found.gps_time.replace(tzinfo=None) == timedelta(hours=1, seconds=7.163)
    assert found.gps == GeoPoint(
        lat=pytest.approx(53 + 22 / 60 + 58.25 / 3600), lon=pytest.approx(-(1 + 27 / 60 + 24.04 / 3600))
    )
    assert found.direction == pytest.approx(342.0498753)
    assert found.direction_is_true is True
    assert found.offset_minutes is None
    assert found.flags == ()


def test_the_offset_leads_to_the_published_utc_time(tmp_path):
    found = taken(tmp_path, "2023:10:06 22:53:51", sub="724", offset="+02:00")
    assert found.taken_local is not None
    utc = found.taken_local - timedelta(minutes=found.offset_minutes or 0)
    assert utc == datetime(2023, 10, 6, 20, 53, 51, 724_000)
    assert (utc - datetime(2023, 10, 6, 20, 52, 10)).total_seconds() == pytest.approx(101.7, abs=0.05)


def test_a_satellite_time_without_a_date_is_no_time(tmp_path):
    found = placed(
        tmp_path,
        {
            0x01: ("A", "N"), 0x02: ("R", [(54, 1), (5938, 100), (0, 1)]),
            0x03: ("A", "W"), 0x04: ("R", [(1, 1), (5485, 100), (0, 1)]),
            0x07: ("R", [(14, 1), (58, 1), (24, 1)]),
        },
    )  # fmt: skip
    assert found.gps_time is None
    assert found.gps == GeoPoint(lat=pytest.approx(54 + 59.38 / 60), lon=pytest.approx(-(1 + 54.85 / 60)))
    assert found.flags == ()


# Tag numbers: Exif (CIPA DC-008) as listed in exiftool 13.58, Exif.pm and GPS.pm.
def test_every_fact_comes_from_its_own_tag(tmp_path):
    found = facts(
        tmp_path,
        jpeg_with(
            tiff(
                {
                    0x010F: ("A", "Examplar "),
                    0x0110: ("A", "EX-1"),
                    0x0112: ("H", [6]),
                    0x0131: ("A", "Ver.1.00"),
                },
                {
                    0x9003: ("A", "2026:03:04 10:11:12"),
                    0x9004: ("A", "2026:03:04 10:11:13"),
                    0x9010: ("A", "+09:00"),
                    0x9011: ("A", "-06:00"),
                    0x9012: ("A", "+03:00"),
                    0x9290: ("A", "1"),
                    0x9291: ("A", "2"),
                    0x9292: ("A", "3"),
                    0xA420: ("A", "0123456789abcdef0123456789abcdef"),
                    0xA431: ("A", "SN 0042"),
                },
                {
                    0x05: ("B", [1]),
                    0x06: ("R", [(125, 10)]),
                    0x01: ("A", "S"),
                    0x02: ("R", [(10, 1), (30, 1), (0, 1)]),
                    0x03: ("A", "E"),
                    0x04: ("R", [(20, 1), (15, 1), (36, 1)]),
                },
                order=">",
            )
        ),
    )
    assert found == CameraFacts(
        taken_text="2026:03:04 10:11:12", taken_local=datetime(2026, 3, 4, 10, 11, 12, 200_000), offset_minutes=-360,
        gps=GeoPoint(lat=-10.5, lon=20.26, alt=-12.5), orientation=6, make="Examplar", model="EX-1", serial="SN 0042",
        software="Ver.1.00", unique_id="0123456789abcdef0123456789abcdef", width=64, height=48,
    )  # fmt: skip


# --- time --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026:03:04 10:11:12", datetime(2026, 3, 4, 10, 11, 12)),
        ("2026-03-04T10:11:12", datetime(2026, 3, 4, 10, 11, 12)),
        ("2024:02:29 23:59:59", datetime(2024, 2, 29, 23, 59, 59)),
        ("2025:01:01 00:00:01", datetime(2025, 1, 1, 0, 0, 1)),
    ],
)
def test_a_valid_time_is_kept_unchanged(tmp_path, text, expected):
    found = taken(tmp_path, text)
    assert (found.taken_text, found.taken_local, found.flags) == (text, expected, ())


@pytest.mark.parametrize(
    "text",
    [
        "0000:00:00 00:00:00", "1980:01:01 00:00:00", "1970:01:01 05:00:00", "2000:01:01 03:12:00", "2018:01:01 00:00:00",
        "1989:12:31 10:00:00", "2100:01:01 10:00:00", "2026:02:29 10:00:00", "2026:13:01 10:00:00",
        "2026:03:04 24:00:00", "2026:03:04 10:60:00", "2026:03:04 10:00:60", "2026:03:04", "yesterday", "2026:3:4 1:2:3",
        "٢٠٢٦:03:04 10:11:12",
    ],
)  # fmt: skip
def test_an_impossible_time_is_a_flag_and_its_text_is_kept(tmp_path, text):
    found = taken(tmp_path, text)
    assert (found.taken_text, found.taken_local, codes(found)) == (text, None, ["absurd_time"])


@pytest.mark.parametrize("blank", ["", " ", "    :  :     :  :  ", b"\0" * 20])
def test_a_blank_time_is_an_absent_one_and_the_time_of_digitizing_is_used(tmp_path, blank):
    assert codes(taken(tmp_path, blank)) == ["no_original_time"]
    found = taken(tmp_path, blank, digitized="2026:03:04 10:11:12")
    assert found.taken_local == datetime(2026, 3, 4, 10, 11, 12)
    assert codes(found) == ["no_original_time"]


def test_the_time_of_digitizing_brings_its_own_fraction_and_offset(tmp_path):
    exif = {
        0x9004: ("A", "2026:03:04 10:11:12"), 0x9291: ("A", "111"), 0x9292: ("A", "25"),
        0x9011: ("A", "+01:00"), 0x9012: ("A", "-05:00"),
    }  # fmt: skip
    found = facts(tmp_path, jpeg_with(tiff({}, exif)))
    assert (found.taken_local, found.offset_minutes) == (datetime(2026, 3, 4, 10, 11, 12, 250_000), -300)


@pytest.mark.parametrize(
    ("sub", "micros"),
    [("", 0), ("  ", 0), ("0", 0), ("5", 500_000), ("05", 50_000), ("050", 50_000), ("999999", 999_999),
     ("9999999999", 999_999), ("81  ", 810_000)],
)  # fmt: skip
def test_a_fraction_never_reaches_the_next_second(tmp_path, sub, micros):
    found = taken(tmp_path, "2026:03:04 10:11:12", sub=sub)
    assert found.taken_local == datetime(2026, 3, 4, 10, 11, 12, micros)
    assert found.flags == ()


@given(st.text(alphabet="0123456789", min_size=1, max_size=9))
def test_a_fraction_is_what_decimal_arithmetic_says(digits):
    from decimal import ROUND_DOWN, Decimal

    tags = {"EXIF DateTimeOriginal": "2026:03:04 10:11:12", "EXIF SubSecTimeOriginal": digits}
    local = facts_of(Blocks(tags=tags)).taken_local
    assert local is not None
    expected = (Decimal(f"0.{digits}") * 1_000_000).to_integral_value(ROUND_DOWN)
    assert local.microsecond == int(expected)


@pytest.mark.parametrize("sub", ["abc", "1.5", "-1", "²"])
def test_a_fraction_that_is_no_number_is_a_flag(tmp_path, sub):
    found = taken(tmp_path, "2026:03:04 10:11:12", sub=sub)
    assert found.taken_local == datetime(2026, 3, 4, 10, 11, 12)
    assert codes(found) == ["absurd_subsecond"]


# Form of the offset and its blanks: ExifInterface.TagOffsetTime, learn.microsoft.com.
# -00:00: RFC 3339, section 4.3 (from memory). Limits of civil time: common practice, no source.
@pytest.mark.parametrize(
    ("text", "minutes", "flagged"),
    [
        ("+01:00", 60, False), ("-05:00", -300, False), ("+05:45", 345, False), ("+14:00", 840, False),
        ("-12:00", -720, False), ("Z", 0, False), ("+00:00", 0, False), ("-00:00", None, False),
        ("   :  ", None, False), ("      ", None, False), ("", None, False),
        ("+14:01", None, True), ("-24:00", None, True), ("+01:60", None, True), ("01:00", None, True),
        ("+1:00", None, True), ("east", None, True),
    ],
)  # fmt: skip
def test_an_offset_is_minutes_east_or_unknown(tmp_path, text, minutes, flagged):
    found = taken(tmp_path, "2026:03:04 10:11:12", offset=text)
    assert (found.offset_minutes, codes(found)) == (minutes, ["absurd_offset"] if flagged else [])


# --- place -------------------------------------------------------------------------------

NORTH = {0x01: ("A", "N"), 0x02: ("R", [(40, 1), (30, 1), (0, 1)])}
EAST = {0x03: ("A", "E"), 0x04: ("R", [(90, 1), (15, 1), (0, 1)])}


def axis(tag: int, *parts: tuple[int, int]) -> dict[int, object]:
    return {tag: ("R", list(parts))}


@pytest.mark.parametrize(
    ("gps", "code"),
    [
        ({**NORTH, **EAST, **axis(2, (91, 1), (0, 1), (0, 1))}, "absurd_gps"),
        ({**NORTH, **EAST, **axis(2, (90, 1), (0, 1), (1, 100))}, "absurd_gps"),
        ({**NORTH, **EAST, **axis(4, (180, 1), (1, 1), (0, 1))}, "absurd_gps"),
        ({**NORTH, **EAST, **axis(2, (40, 1), (61, 1), (0, 1))}, "absurd_gps"),
        ({**NORTH, **EAST, **axis(2, (40, 1), (30, 1), (61, 1))}, "absurd_gps"),
        ({**NORTH, **EAST, **axis(2, (40, 0), (30, 1), (0, 1))}, "absurd_gps"),
        ({**NORTH, **EAST, **axis(2, (40, 1), (30, 0), (0, 1))}, "absurd_gps"),
        ({**NORTH, **EAST, 0x01: ("A", "X")}, "absurd_gps"),
        ({**EAST, 0x02: NORTH[0x02]}, "absurd_gps"),
        ({**NORTH, 0x04: EAST[0x04]}, "absurd_gps"),
        (NORTH, "absurd_gps"),
        (EAST, "absurd_gps"),
        (
            {**NORTH, **EAST, **axis(2, (0, 1), (0, 1), (0, 1)), **axis(4, (0, 1), (0, 1), (0, 1))},
            "absurd_gps",
        ),
        (
            {**NORTH, **EAST, **axis(2, (0, 0), (0, 0), (0, 0)), **axis(4, (0, 0), (0, 0), (0, 0))},
            "no_gps_fix",
        ),
        ({**NORTH, **EAST, **axis(2, *[(1, 1)] * 4)}, "absurd_gps"),
    ],
)
def test_an_impossible_position_is_none_and_a_flag(tmp_path, gps, code):
    found = placed(tmp_path, gps)
    assert (found.gps, codes(found)) == (None, [code])


@pytest.mark.parametrize(
    ("parts", "expected"),
    [
        ([(40, 1), (30, 1), (0, 1)], 40.5),
        ([(40, 1), (30, 1), (0, 0)], 40.5),
        ([(40, 1), (3_050, 100), (0, 1)], 40 + 30.5 / 60),
        ([(405, 10)], 40.5),
        ([(90, 1), (0, 1), (0, 1)], 90.0),
        ([(40, 1), (59, 1), (60, 1)], 41.0),
    ],
)
def test_degrees_may_have_any_of_the_forms_in_use(tmp_path, parts, expected):
    found = placed(tmp_path, {**NORTH, **EAST, **axis(2, *parts)})
    assert found.gps is not None
    assert found.gps.lat == pytest.approx(expected, abs=1e-12)
    assert found.gps.lon == 90.25
    assert found.flags == ()


@pytest.mark.parametrize(
    ("altitude", "ref", "expected", "flagged"),
    [((2_000, 10), 0, 200.0, False), ((300, 10), 1, -30.0, False), ((0, 0), 0, None, False),
     ((99_999, 1), 0, None, True), ((600, 1), 1, None, True)],
)  # fmt: skip
def test_altitude_is_metres_above_or_below_the_sea(tmp_path, altitude, ref, expected, flagged):
    found = placed(tmp_path, {**NORTH, **EAST, 0x05: ("B", [ref]), 0x06: ("R", [altitude])})
    assert found.gps is not None
    assert found.gps.alt == expected
    assert codes(found) == (["absurd_altitude"] if flagged else [])


def test_a_position_after_the_satellite_signal_was_lost_is_kept_and_flagged(tmp_path):
    found = placed(tmp_path, {**NORTH, **EAST, 0x09: ("A", "V")})
    assert found.gps == GeoPoint(lat=40.5, lon=90.25)
    assert codes(found) == ["gps_interrupted"]


# Range of GPSImgDirection: 0.00 to 359.99 (pub.dev, flutter_exif_plugin).
@pytest.mark.parametrize(
    ("value", "ref", "expected"),
    [((0, 1), "T", (0.0, True)), ((35_999, 100), "M", (359.99, False)), ((360, 1), "T", (0.0, True)),
     ((164, 1), "", (164.0, None)), ((0, 0), "T", (None, None))],
)  # fmt: skip
def test_a_direction_is_degrees_and_which_north(tmp_path, value, ref, expected):
    found = placed(tmp_path, {**NORTH, **EAST, 0x10: ("A", ref), 0x11: ("R", [value])})
    assert (found.direction, found.direction_is_true) == expected
    assert found.flags == ()


@pytest.mark.parametrize("value", [(36_001, 100), (4_000_000_000, 1)])
def test_an_impossible_direction_is_none_and_a_flag(tmp_path, value):
    found = placed(tmp_path, {0x10: ("A", "T"), 0x11: ("R", [value])})
    assert (found.direction, found.direction_is_true, codes(found)) == (None, None, ["absurd_direction"])


@pytest.mark.parametrize(
    ("date", "parts"),
    [
        ("2026:02:30", [(1, 1), (1, 1), (1, 1)]), ("2026:03:04", [(25, 1), (1, 1), (1, 1)]),
        ("2026:03:04", [(1, 1), (60, 1), (1, 1)]), ("2026:03:04", [(1, 1), (1, 1), (61, 1)]),
        ("2026:03:04", [(1, 0), (1, 1), (1, 1)]), ("2026:03:04", [(1, 1), (1, 1)]),
        ("1980:01:06", [(0, 1), (0, 1), (0, 1)]), ("soon", [(1, 1), (1, 1), (1, 1)]),
    ],
)  # fmt: skip
def test_an_impossible_satellite_time_is_none_and_a_flag(tmp_path, date, parts):
    found = placed(tmp_path, {0x07: ("R", parts), 0x1D: ("A", date)})
    assert (found.gps_time, codes(found)) == (None, ["absurd_gps_time"])


def test_satellite_time_is_aware_utc_to_the_microsecond(tmp_path):
    found = placed(tmp_path, {0x07: ("R", [(23, 1), (59, 1), (59_999, 1_000)]), 0x1D: ("A", "2026:03:04")})
    assert found.gps_time == datetime(2026, 3, 4, 23, 59, 59, 999_000, tzinfo=UTC)


# --- the rest ----------------------------------------------------------------------------


@pytest.mark.parametrize("value", [0, 9, 65_535])
def test_an_orientation_that_is_none_of_the_eight_is_upright_and_a_flag(tmp_path, value):
    found = facts(tmp_path, jpeg_with(tiff({0x0112: ("H", [value])}, {0x9003: ("A", "2026:03:04 10:11:12")})))
    assert (found.orientation, codes(found)) == (1, ["absurd_orientation"])


@pytest.mark.parametrize("value", range(1, 9))
def test_each_of_the_eight_orientations_is_kept(tmp_path, value):
    assert facts(tmp_path, a_jpeg({274: value})).orientation == value


@pytest.mark.parametrize(
    ("software", "edited"),
    [("GIMP 2.10.36", True), ("Adobe Photoshop 25.0 (Windows)", True), ("Photo Editor 3", True),
     ("Ver.1.00", False), ("15.2.1", False), ("00WW_3_380_SP02", False), ("1.01+R", False), ("", False)],
)  # fmt: skip
def test_only_the_name_of_an_editor_says_that_a_file_was_edited(tmp_path, software, edited):
    block = tiff({0x0131: ("A", software)}, {0x9003: ("A", "2026:03:04 10:11:12")})
    found = facts(tmp_path, jpeg_with(block))
    assert codes(found) == (["edited"] if edited else [])
    assert found.software == (software or None)


@pytest.mark.parametrize(
    ("raw", "text"),
    [(b"Examplar\0garbage", "Examplar"), (b"  Examplar  \0", "Examplar"), (b"Ex\xe4mplar\0", "Ex\xe4mplar"),
     ("Exämplar".encode(), "Exämplar"), (b"\0\0\0\0\0", None), (b"     ", None), (b"a\nb\x07c\0xxx", "abc"),
     (b"x" * 5_000, "x" * 256)],
)  # fmt: skip
def test_text_is_cleaned_of_what_is_not_text(tmp_path, raw, text):
    assert facts(tmp_path, jpeg_with(tiff({0x010F: ("A", raw)}))).make == text


def test_a_serial_number_comes_from_either_tag(tmp_path):
    assert facts(tmp_path, jpeg_with(tiff({0xC62F: ("A", "SN 77")}))).serial == "SN 77"


def test_an_id_of_zeros_names_nothing(tmp_path):
    assert facts(tmp_path, jpeg_with(tiff({}, {0xA420: ("A", "0" * 32)}))).unique_id is None


# --- files of other kinds ----------------------------------------------------------------

EXIF = {0x9003: ("A", "2026:03:04 10:11:12"), 0xA002: ("I", [400]), 0xA003: ("I", [300])}


def a_raw_file(order: str = "<") -> bytes:
    """A preview's directory, and below it that of the picture, 6000 by 4000, whose bytes end the file."""
    small = {0x100: ("I", [160]), 0x101: ("I", [120]), 0x10F: ("A", "Examplar")}
    taken_at = {0x9003: EXIF[0x9003]}
    at = len(tiff({**small, 0x14A: ("I", [0])}, taken_at))
    block = tiff({**small, 0x14A: ("I", [at])}, taken_at, order=order)
    strip = at + 2 + 4 * 12 + 4
    entries = [(0x100, 4, 6_000), (0x101, 4, 4_000), (0x111, 4, strip), (0x117, 4, 500)]
    table = b"".join(struct.pack(f"{order}HHII", tag, kind, 1, value) for tag, kind, value in entries)
    return block + struct.pack(f"{order}H", 4) + table + b"\0" * 4 + b"r" * 500


@pytest.mark.parametrize("order", ["<", ">"])
def test_a_raw_file_is_as_large_as_its_largest_directory_says(tmp_path, order):
    found = facts(tmp_path, a_raw_file(order), "IMG_0001.DNG", MediaKind.RAW)
    assert (found.width, found.height, found.make) == (6_000, 4_000, "Examplar")
    assert found.taken_local == datetime(2026, 3, 4, 10, 11, 12)
    assert found.flags == ()


def test_a_raw_file_that_ends_before_its_picture_is_truncated(tmp_path):
    found = facts(tmp_path, a_raw_file()[:-1], "IMG_0001.DNG", MediaKind.RAW)
    assert (found.make, codes(found)) == ("Examplar", ["truncated"])


def test_a_raw_file_around_a_jpeg_gives_the_jpeg_s_tags(tmp_path):  # layout from memory
    inner = jpeg_with(tiff({0x10F: ("A", "Examplar")}, EXIF))
    head = b"FUJIFILMCCD-RAW 0201".ljust(84, b"\0") + struct.pack(">II", 148, len(inner))
    found = facts(tmp_path, head.ljust(148, b"\0") + inner, "DSCF0001.RAF", MediaKind.RAW)
    assert (found.make, found.width, found.height, found.flags) == ("Examplar", 400, 300, ())


def box(name: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content) + 8) + name + content


def test_a_raw_file_of_boxes_gives_the_tags_of_all_its_blocks(tmp_path):  # layout from memory
    directories = {
        b"CMT1": tiff({0x10F: ("A", "Examplar"), 0x112: ("H", [8])}),
        b"CMT2": tiff(EXIF),
        b"CMT4": tiff({**NORTH, **EAST}),
    }
    blocks = b"".join(box(name, block) for name, block in directories.items())
    content = (
        box(b"ftyp", b"crx \0\0\0\1crx isom")
        + box(b"moov", box(b"uuid", b"\0" * 16 + blocks))
        + box(b"mdat", b"x" * 99)
    )
    found = facts(tmp_path, content, "IMG_0001.CR3", MediaKind.RAW)
    assert (found.make, found.orientation, found.width, found.height) == ("Examplar", 8, 400, 300)
    assert found.taken_local == datetime(2026, 3, 4, 10, 11, 12)
    assert found.gps == GeoPoint(lat=40.5, lon=90.25)
    assert found.flags == ()
    assert "truncated" in codes(facts(tmp_path, content[:-50], "b.CR3", MediaKind.RAW))


def test_png_and_webp_are_read_too(tmp_path):
    import io

    from PIL import Image

    block = tiff({0x10F: ("A", "Examplar")}, EXIF)
    for kind in ("PNG", "WEBP"):
        out = io.BytesIO()
        Image.new("RGB", (30, 20)).save(out, kind, exif=b"Exif\0\0" + block)
        found = facts(tmp_path, out.getvalue(), f"x.{kind.lower()}")
        assert (found.make, found.width, found.height, found.flags) == ("Examplar", 30, 20, ())
        assert "truncated" in codes(facts(tmp_path, out.getvalue()[:-20], f"y.{kind.lower()}"))


@pytest.mark.parametrize("kind", [MediaKind.VIDEO, MediaKind.SOUND, MediaKind.OTHER])
def test_of_other_files_only_completeness_is_checked(tmp_path, kind):
    whole = box(b"ftyp", b"mp42") + box(b"moov", b"m") + box(b"mdat", b"x" * 500)
    assert facts(tmp_path, whole, "a.MOV", kind) == CameraFacts()
    cut = facts(tmp_path, whole[:-1], "b.MOV", kind)
    assert codes(cut) == ([] if kind is MediaKind.OTHER else ["truncated"])


def test_an_empty_file_and_a_text_called_jpg_are_told_apart_from_photos(tmp_path):
    assert codes(facts(tmp_path, b"")) == ["empty_file"]
    assert codes(facts(tmp_path, b"Dear adjuster,")) == ["not_an_image"]
    assert codes(facts(tmp_path, b"\xff\xd8")) == ["truncated", "unreadable_image", "no_exif"]


def test_a_photo_that_ends_early_is_truncated_and_its_tags_are_still_read(tmp_path):
    whole = a_jpeg({271: b"Examplar"}, {36867: b"2026:03:04 10:11:12"}, size=(800, 600))
    assert facts(tmp_path, whole).flags == ()
    for share in (0.5, 0.9, 0.999):
        found = facts(tmp_path, whole[: int(len(whole) * share)])
        assert (found.make, found.width, codes(found)) == ("Examplar", 800, ["truncated"])


def test_bytes_after_the_end_of_a_photo_do_not_make_it_truncated(tmp_path):
    whole = a_jpeg({271: b"Examplar"}, {36867: b"2026:03:04 10:11:12"})
    assert facts(tmp_path, whole + b"\0" * 100_000).flags == ()


def test_a_file_that_is_gone_is_a_read_error(tmp_path):
    with pytest.raises(CardReadError):
        read_facts(tmp_path / "gone.jpg", MediaKind.PHOTO)


# --- hostile bytes -----------------------------------------------------------------------


def check_sound(found: CameraFacts) -> None:
    """What must hold of the facts of any bytes whatever."""
    assert found.orientation in range(1, 9)
    assert all(flag.code in FLAGS and "\n" not in flag.message for flag in found.flags)
    assert found.direction is None or 0 <= found.direction < 360
    assert found.offset_minutes is None or abs(found.offset_minutes) <= 14 * 60
    assert found.taken_local is None or (found.taken_local.tzinfo is None and found.taken_local.year >= 1990)
    assert found.gps_time is None or found.gps_time.tzinfo is UTC
    if found.gps:
        assert -90 <= found.gps.lat <= 90
        assert -180 <= found.gps.lon <= 180
    for text in (found.make, found.model, found.serial, found.software, found.unique_id, found.taken_text):
        assert text is None or (text and text.isprintable() and text == text.strip())
        if text:
            text.encode("utf-8")


HEADS = [b"", b"\xff\xd8\xff\xe1", b"II*\0\x08\0\0\0", b"MM\0*\0\0\0\x08", b"\x89PNG\r\n\x1a\n", b"RIFF\x40\0\0\0WEBPVP8X",
         b"\0\0\0\x18ftypheic", b"\0\0\0\x18ftypmif1", b"\0\0\0\x18ftypcrx ", b"\0\0\0\x18ftypavif",
         b"FUJIFILMCCD-RAW ", b"\xff\xd8\xff\xe1\x40\0Exif\0\0MM\0*\0\0\0\x08"]  # fmt: skip


@settings(max_examples=100, deadline=None)
@given(
    st.sampled_from(HEADS),
    st.binary(max_size=400),
    st.sampled_from([MediaKind.PHOTO, MediaKind.RAW, MediaKind.VIDEO]),
)
def test_no_bytes_crash_the_reader(tmp_path_factory, head, rest, kind):
    check_sound(facts(tmp_path_factory.mktemp("f"), head + rest, kind=kind))


WHOLE = jpeg_with(
    tiff(
        {0x010F: ("A", "Examplar"), 0x0110: ("A", "EX-1"), 0x0112: ("H", [6]), 0x0131: ("A", "Ver.1.00")},
        {
            0x9003: ("A", "2026:03:04 10:11:12"),
            0x9011: ("A", "-06:00"),
            0x9291: ("A", "25"),
            0xA431: ("A", "SN 1"),
        },
        {**NORTH, **EAST, 0x07: ("R", [(1, 1)] * 3), 0x1D: ("A", "2026:03:04"), 0x11: ("R", [(5, 1)])},
    )
)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 600), st.integers(0, 7)), min_size=1, max_size=12))
def test_flipped_bits_in_the_header_make_flags_not_crashes(tmp_path_factory, flips):
    content = bytearray(WHOLE)
    for at, bit in flips:
        content[at] ^= 1 << bit
    check_sound(facts(tmp_path_factory.mktemp("f"), bytes(content)))


VALUES = st.one_of(
    st.text(max_size=30), st.binary(max_size=30), st.none(), st.integers(), st.floats(),
    st.lists(st.integers() | st.fractions() | st.floats() | st.tuples(st.floats()) | st.none(), max_size=4),
)  # fmt: skip
NAMES = ["Image Make", "Image Orientation", "Image Software", "EXIF DateTimeOriginal", "EXIF SubSecTimeOriginal",
         "EXIF OffsetTimeOriginal", "EXIF ImageUniqueID", "GPS GPSLatitude", "GPS GPSLatitudeRef", "GPS GPSLongitude",
         "GPS GPSLongitudeRef", "GPS GPSAltitude", "GPS GPSAltitudeRef", "GPS GPSTimeStamp", "GPS GPSDate",
         "GPS GPSImgDirection", "GPS GPSImgDirectionRef", "GPS GPSStatus"]  # fmt: skip


@settings(max_examples=100, deadline=None)
@given(st.dictionaries(st.sampled_from(NAMES), VALUES))
def test_no_tag_values_crash_the_reader(tags):
    check_sound(facts_of(Blocks(tags=tags)))


def directory_that_points_at_itself(order: str = "<") -> bytes:
    """Every entry a pointer to a directory, namely this one."""
    head = (b"II" if order == "<" else b"MM") + struct.pack(f"{order}HI", 42, 8)
    entries = [(0x8769, 8), (0x8825, 8), (0xA005, 8)]
    return (
        head
        + struct.pack(f"{order}H", 3)
        + b"".join(struct.pack(f"{order}HHII", t, 4, 1, v) for t, v in entries)
        + b"\0" * 4
    )


def directories_without_end() -> bytes:
    """65,535 entries of a thousand values each, in a file of zeros."""
    return b"II*\0\x08\0\0\0\xff\xff" + struct.pack("<HHII", 0x9999, 3, 999, 8) * 65_535


def png_of(width: int, height: int) -> bytes:
    def chunk(name: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", zlib.compress(b"\0")) + chunk(b"IEND", b"")


@pytest.mark.timeout(30)
@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (jpeg_with(directory_that_points_at_itself()), "no_original_time"),
        (directory_that_points_at_itself(">"), "no_original_time"),
        (directories_without_end(), "unreadable_exif"),
        (png_of(100_000, 100_000), "absurd_size"),
        (b"\xff\xd8" + b"\xff" * 3_000_000, "unreadable_image"),
        (b"\xff\xd8" + b"\xff\xfe\0\2" * 500_000, "truncated"),
        (b"\x89PNG\r\n\x1a\n" + b"\0\0\0\0aaaa\0\0\0\0" * 300_000, "unreadable_exif"),
        (b"\0\0\0\x18ftypheic" + b"\0\0\0\x08free" * 300_000, "unreadable_image"),
    ],
    ids=[
        "loop in jpeg",
        "loop in tiff",
        "endless tiff",
        "png bomb",
        "fill bytes",
        "comments",
        "png chunks",
        "boxes",
    ],
)
def test_a_file_that_would_be_read_without_end_is_given_up(tmp_path, content, expected):
    found = facts(tmp_path, content)
    check_sound(found)
    assert expected in codes(found)
