"""From a drawn scene to a camera's file: lens, light and grain, then JPEG with the camera's EXIF."""

from __future__ import annotations

from datetime import datetime
from fractions import Fraction
from functools import lru_cache

import cv2
import numpy as np
from PIL import ExifTags, Image
from PIL.TiffImagePlugin import IFDRational

from demo_photos.story import Frame
from demo_photos.textures import noise_tile
from demo_photos.world import Picture

TURNS = {6: cv2.ROTATE_90_COUNTERCLOCKWISE, 8: cv2.ROTATE_90_CLOCKWISE, 3: cv2.ROTATE_180}
"""How the upright picture lies in the file for an EXIF orientation."""


@lru_cache(maxsize=3)
def _vignette(rows: int, columns: int) -> Picture:
    y = np.linspace(-1, 1, rows, dtype=np.float32)[:, None]
    x = np.linspace(-1, 1, columns, dtype=np.float32)[None, :]
    fall = 128 * (1 - 0.16 * (x**2 + y**2) ** 1.3 / 2)
    plane = np.round(fall).astype(np.uint8)
    return cv2.merge([plane, plane, plane])


def develop(picture: Picture, rng: np.random.Generator, *, shake: float = 0.0) -> Picture:
    """What the sensor makes of a scene; `shake` is how many pixels the camera moved meanwhile."""
    rows, columns = picture.shape[:2]
    seen = cv2.GaussianBlur(picture, (0, 0), 0.75)
    if shake:
        seen = _moved(seen, shake, rng)
    seen = cv2.multiply(seen, _vignette(rows, columns), scale=1 / 128)
    exposure, warmth = rng.uniform(0.94, 1.07), rng.uniform(-0.025, 0.03)
    levels = np.arange(256, dtype=np.float32) / 255
    curve = np.clip(levels * exposure, 0, 1.2)
    curve = curve / (1 + 0.16 * np.maximum(curve - 0.75, 0) * 4)
    tables = [np.clip(255 * curve * g, 0, 255).astype(np.uint8) for g in (1 - warmth, 1.0, 1 + warmth)]
    seen = cv2.LUT(seen, np.dstack(tables).reshape(1, 256, 3))
    # A slow shutter, which is what shakes, goes with little gain and little grain.
    amount = rng.uniform(0.1, 0.15) * (0.4 if shake else 1.0)
    tile = noise_tile()
    planes = []
    for _ in range(3):
        top, left = (int(rng.integers(0, tile.shape[0] - size + 1)) for size in (rows, columns))
        planes.append(tile[top : top + rows, left : left + columns])
    return cv2.addWeighted(seen, 1.0, cv2.merge(planes), amount, -128 * amount)


def _moved(picture: Picture, shake: float, rng: np.random.Generator) -> Picture:
    """Add motion blur and defocus."""
    size = int(shake) | 1
    kernel = np.zeros((size, size), np.float32)
    angle = rng.uniform(0, 3.14)
    step = np.array([np.cos(angle), np.sin(angle)]) * size / 2
    middle = np.array([size / 2, size / 2])
    cv2.line(kernel, (middle - step).astype(int).tolist(), (middle + step).astype(int).tolist(), 1.0, 2)
    small = cv2.GaussianBlur(picture, (0, 0), shake / 6)
    return cv2.filter2D(small, -1, kernel / kernel.sum())


def encode(picture: Picture, frame: Frame, quality: int) -> bytes:
    """The JPEG as the camera would write it: turned as it was held, EXIF first."""
    if frame.orientation in TURNS:
        picture = cv2.rotate(picture, TURNS[frame.orientation])
    done, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise RuntimeError("OpenCV wrote no JPEG")
    jpeg = data.tobytes()
    exif = exif_bytes(frame, picture.shape[1], picture.shape[0])
    segment = b"\xff\xe1" + (len(exif) + 2).to_bytes(2, "big") + exif
    return jpeg[:2] + segment + _without_jfif(jpeg[2:])


def _without_jfif(rest: bytes) -> bytes:
    """Put the EXIF segment first and drop the JFIF header, as cameras do."""
    if rest[:2] == b"\xff\xe0":
        return rest[2 + int.from_bytes(rest[2:4], "big") :]
    return rest


def exif_bytes(frame: Frame, width: int, height: int) -> bytes:
    """The EXIF segment's body, with its `Exif` header."""
    rng = np.random.default_rng([frame.seed, 77])
    device, base, inner = frame.device, ExifTags.Base, ExifTags.IFD
    exif = Image.Exif()
    exif[base.Make], exif[base.Model], exif[base.Software] = device.make, device.model, device.software
    exif[base.Orientation] = frame.orientation
    exif[base.XResolution] = exif[base.YResolution] = IFDRational(72, 1)
    exif[base.ResolutionUnit], exif[base.YCbCrPositioning] = 2, 1
    stamp = frame.taken.strftime("%Y:%m:%d %H:%M:%S")
    exif[base.DateTime] = stamp
    exposure = int(rng.choice([125, 160, 200, 250, 320, 400, 500]))
    details = {
        base.ExposureTime: IFDRational(1, exposure),
        base.FNumber: IFDRational(int(rng.choice([28, 35, 40, 56])), 10),
        base.ISOSpeedRatings: int(rng.choice([80, 100, 125])),
        base.ExifVersion: b"0232",
        base.DateTimeOriginal: stamp,
        base.DateTimeDigitized: stamp,
        base.SubsecTimeOriginal: f"{frame.taken.microsecond // 10_000:02d}",
        base.SubsecTimeDigitized: f"{frame.taken.microsecond // 10_000:02d}",
        base.ComponentsConfiguration: b"\x01\x02\x03\x00",
        base.FocalLength: IFDRational(48, 10),
        base.FocalLengthIn35mmFilm: 28,
        base.FlashPixVersion: b"0100",
        base.ColorSpace: 1,
        base.ExifImageWidth: width,
        base.ExifImageHeight: height,
        base.BodySerialNumber: device.serial,
    }
    if device.offset:
        details[base.OffsetTime] = details[base.OffsetTimeOriginal] = device.offset
        details[base.OffsetTimeDigitized] = device.offset
    exif.get_ifd(inner.Exif).update(details)
    if frame.gps is not None:
        exif.get_ifd(inner.GPSInfo).update(_gps(frame, rng))
    body = exif.tobytes()
    return body if body.startswith(b"Exif\x00\x00") else b"Exif\x00\x00" + body


def _gps(frame: Frame, rng: np.random.Generator) -> dict[int, object]:
    """Position, time of the fix in UTC, and where the lens points."""
    assert frame.gps is not None
    tags = ExifTags.GPS
    lat, lon = frame.gps
    fix: datetime = frame.taken - frame.zone
    found: dict[int, object] = {
        tags.GPSVersionID: b"\x02\x03\x00\x00",
        tags.GPSLatitudeRef: "N" if lat >= 0 else "S",
        tags.GPSLatitude: _sexagesimal(abs(lat)),
        tags.GPSLongitudeRef: "E" if lon >= 0 else "W",
        tags.GPSLongitude: _sexagesimal(abs(lon)),
        tags.GPSAltitudeRef: b"\x00",
        tags.GPSAltitude: IFDRational(int(4120 + rng.normal(0, 12)), 10),
        tags.GPSTimeStamp: tuple(IFDRational(v, 1) for v in (fix.hour, fix.minute, fix.second)),
        tags.GPSDateStamp: fix.strftime("%Y:%m:%d"),
        tags.GPSMapDatum: "WGS-84",
    }
    if frame.direction is not None:
        found[tags.GPSImgDirectionRef] = "T"
        found[tags.GPSImgDirection] = IFDRational(round(frame.direction * 100) % 36000, 100)
    return found


def _sexagesimal(degrees: float) -> tuple[IFDRational, IFDRational, IFDRational]:
    """Degrees, minutes and seconds to a thousandth of a second."""
    total = round(Fraction(degrees) * 3_600_000)
    whole, rest = divmod(total, 3_600_000)
    minutes, thousandths = divmod(rest, 60_000)
    return IFDRational(whole, 1), IFDRational(minutes, 1), IFDRational(thousandths, 1000)
