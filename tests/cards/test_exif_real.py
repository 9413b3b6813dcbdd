"""EXIF of real cameras' files, whole and broken, against independent readers: Pillow's own and piexif."""

from __future__ import annotations

import io
import re
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path

import piexif
import pytest
from PIL import ExifTags, Image, ImageOps

from evidence.cards.exif import read_facts
from evidence.cards.files import kind_of
from evidence.model import CameraFacts, MediaKind

FOLDER = Path(__file__).parents[3] / "shared" / "real_photos"
FILES = sorted(
    p
    for f in ("cameras", "broken", "gps_walk", "sheets")
    for p in (FOLDER / f).glob("*.*")
    if FOLDER.is_dir()
)
pytestmark = pytest.mark.skipif(not FILES, reason="no folder ../shared/real_photos beside this checkout")

WHOLE = [p for p in FILES if p.parent.name == "cameras"]

each_file = pytest.mark.parametrize("path", FILES, ids=[p.name for p in FILES])


class OtherReader:
    """What Pillow reads in a file, converted by separate code."""

    def __init__(self, path: Path) -> None:
        import pi_heif

        pi_heif.register_heif_opener()
        with Image.open(path) as image:
            exif = image.getexif()
            self.main = dict(exif)
            self.sub = dict(exif.get_ifd(ExifTags.IFD.Exif))
            self.gps = dict(exif.get_ifd(ExifTags.IFD.GPSInfo))
            self.size = image.size
            # the decoder of HEIF turns the picture upright and resets the tag
            self.orientation = image.info.get("original_orientation") or self.main.get(0x0112)

    def text(self, where: dict[int, object], tag: int) -> str | None:
        value = where.get(tag)
        if isinstance(value, bytes):
            value = value.decode("latin-1")
        return str(value).split("\0")[0].strip() or None if value is not None else None

    def degrees(self, tag: int, ref: int) -> float | None:
        parts = self.gps.get(tag)
        if parts is None or ref not in self.gps:
            return None
        total = sum(Fraction(part.numerator, part.denominator or 1) / 60**n for n, part in enumerate(parts))
        return float(total) * (-1 if self.text(self.gps, ref) in {"S", "W"} else 1)

    def gps_time(self) -> datetime | None:
        date, stamp = self.text(self.gps, 0x1D), self.gps.get(0x07)
        if not date or stamp is None:
            return None
        seconds = sum(float(part) * unit for part, unit in zip(stamp, (3600, 60, 1), strict=True))
        return datetime.strptime(date, "%Y:%m:%d").replace(tzinfo=UTC) + timedelta(seconds=seconds)


def ours(path: Path) -> CameraFacts:
    return read_facts(path, kind_of(path.name))


@each_file
def test_pillow_agrees_on_every_value_it_has(path):
    found, other = ours(path), OtherReader(path)
    assert found.make == other.text(other.main, 0x010F)
    assert found.model == other.text(other.main, 0x0110)
    assert found.software == other.text(other.main, 0x0131)
    assert found.taken_text == other.text(other.sub, 0x9003)
    assert found.orientation == (other.orientation or 1)
    assert found.serial == other.text(other.sub, 0xA431)
    assert found.unique_id == other.text(other.sub, 0xA420)

    text = other.text(other.sub, 0x9003)
    if text:
        seconds = Fraction(f"0.{other.text(other.sub, 0x9291) or 0}")
        expected = datetime.strptime(text, "%Y:%m:%d %H:%M:%S") + timedelta(
            microseconds=int(seconds * 1_000_000)
        )
        assert found.taken_local == expected
    offset = other.text(other.sub, 0x9011)
    if offset:
        assert found.offset_minutes == datetime.strptime(offset, "%z").utcoffset() / timedelta(minutes=1)

    lat, lon = other.degrees(0x02, 0x01), other.degrees(0x04, 0x03)
    assert (found.gps is None) == (lat is None)
    if found.gps is not None:
        assert (found.gps.lat, found.gps.lon) == (pytest.approx(lat, abs=1e-9), pytest.approx(lon, abs=1e-9))
        altitude = other.gps.get(0x06)
        assert found.gps.alt == (None if altitude is None else pytest.approx(float(altitude)))
    when = other.gps_time()
    assert (found.gps_time is None) == (when is None)
    if found.gps_time is not None:
        assert abs(found.gps_time - when) < timedelta(microseconds=2)
    direction = other.gps.get(0x11)
    assert found.direction == (None if direction is None else pytest.approx(float(direction)))
    if direction is not None:
        assert found.direction_is_true == {"T": True, "M": False}.get(other.text(other.gps, 0x10))


@pytest.mark.parametrize("path", WHOLE, ids=[p.name for p in WHOLE])
def test_the_size_turned_by_the_orientation_is_the_decoded_picture_s(path):
    found = ours(path)
    with Image.open(path) as image:
        image.draft("L", (image.width // 8, image.height // 8))  # a smaller decode, the same shape
        shape = ImageOps.exif_transpose(image).size
    turned = (found.height, found.width) if found.orientation >= 5 else (found.width, found.height)
    assert turned[0] / turned[1] == pytest.approx(shape[0] / shape[1], rel=0.05)
    assert max(turned) >= max(shape)


@each_file
def test_piexif_agrees_where_it_can_read_the_file(path):
    try:
        other = piexif.load(str(path))
    except Exception as error:
        pytest.skip(f"piexif cannot read it: {type(error).__name__}")
    found = ours(path)

    def text(group: str, tag: int) -> str | None:
        raw = other[group].get(tag)
        return raw.decode("latin-1").split("\0")[0].strip() or None if isinstance(raw, bytes) else None

    for said, heard in (
        (found.make, text("0th", piexif.ImageIFD.Make)),
        (found.model, text("0th", piexif.ImageIFD.Model)),
        (found.taken_text, text("Exif", piexif.ExifIFD.DateTimeOriginal)),
    ):  # it drops a last letter that no NUL follows
        assert said == heard or (said or "")[:-1] == heard
    assert found.orientation == other["0th"].get(piexif.ImageIFD.Orientation, 1)
    parts = other["GPS"].get(piexif.GPSIFD.GPSLatitude)
    if found.gps is not None and parts:
        total = sum(n / d / 60**i for i, (n, d) in enumerate(parts))
        assert abs(found.gps.lat) == pytest.approx(total, abs=1e-9)


@pytest.mark.parametrize("path", WHOLE, ids=[p.name for p in WHOLE])
def test_the_last_hundred_bytes_less_are_noticed(path, tmp_path):
    assert "truncated" not in [flag.code for flag in ours(path).flags]
    cut = tmp_path / path.name
    cut.write_bytes(path.read_bytes()[:-100])
    found = read_facts(cut, kind_of(path.name))
    assert "truncated" in [flag.code for flag in found.flags]
    assert found.make == ours(path).make


def test_the_phone_s_heic_gives_what_its_jpeg_form_would(tmp_path):
    path = FOLDER / "cameras" / "iphone_13_pro_max.HEIC"
    other = OtherReader(path)
    with Image.open(path) as image:
        out = io.BytesIO()
        Image.new("L", (40, 30)).save(out, "JPEG", exif=image.info["exif"])
    (tmp_path / "x.jpg").write_bytes(out.getvalue())
    as_jpeg, as_heic = read_facts(tmp_path / "x.jpg", MediaKind.PHOTO), ours(path)
    assert (as_heic.taken_local, as_heic.offset_minutes) == (as_jpeg.taken_local, as_jpeg.offset_minutes)
    assert as_heic.offset_minutes == 60
    assert re.fullmatch(r"\d\d:\d\d", other.text(other.sub, 0x9011)[1:])
