"""A small camera card drawn for tests: sheets with real codes, label cards with real tags, correct EXIF."""

from __future__ import annotations

import functools
import io
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
import piexif
from PIL import Image

from evidence.model import ClaimId
from evidence.sight.codes import divider_qr, label_tag_image

SIZE = (800, 632)
"""Little more than the half million pixels below which a photo counts for no required shot: many tests draw and read them.
No longer than the second size at which tags are searched, so that they are searched once less."""


@dataclass
class CardMaker:
    """Writes photos in shooting order below `root`, one DCF number after the other."""

    root: Path
    clock: datetime = datetime(2026, 5, 14, 9, 0, 0)
    number: int = 1
    folder: str = "100TESTC"
    serial: str = "TC-0001"
    seed: int = 0
    hours_east: int | None = None
    """Of UTC: a phone writes its zone, and the time of each fix; a camera (None) writes neither."""
    written: list[str] = field(default_factory=list)

    def wait(self, **parts: float) -> None:
        """Advance the camera's clock."""
        self.clock += timedelta(**parts)

    def sheet(self, claim: str) -> str:
        """A photo of the claim's sheet."""
        self.seed += 1
        return self._keep(_sheet(self.seed, claim))

    def label(self, number: int) -> str:
        """A label card filling the frame."""
        self.seed += 1
        return self._keep(_label(self.seed, number))

    def scene(self, *, gps: tuple[float, float] | None = None) -> str:
        """A photo of something: noise that has its own perceptual hash and is sharp."""
        self.seed += 1
        return self._keep(_scene(self.seed), gps=gps)

    def save(self, frame: np.ndarray, *, gps: tuple[float, float] | None = None) -> str:
        """The frame as the next JPEG of the card; returns its card path."""
        return self._keep(_jpeg(frame), gps=gps)

    def _keep(self, jpeg: bytes, *, gps: tuple[float, float] | None = None) -> str:
        out = io.BytesIO()
        piexif.insert(self._exif(gps), jpeg, out)
        return self.put(f"TEST{self.number:04d}.JPG", out.getvalue(), counts=True)

    def put(self, name: str, content: bytes, *, counts: bool = False) -> str:
        """Any file into the camera's present folder."""
        card_path = f"DCIM/{self.folder}/{name}"
        path = self.root / card_path
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
        self.written.append(card_path)
        if counts:
            self.number += 1
            self.wait(seconds=22)
        return card_path

    def _exif(self, gps: tuple[float, float] | None) -> bytes:
        stamp = self.clock.strftime("%Y:%m:%d %H:%M:%S")
        tags = {
            "0th": {
                piexif.ImageIFD.Make: "Testcam",
                piexif.ImageIFD.Model: "T-1",
                piexif.ImageIFD.Orientation: 1,
            },
            "Exif": {
                piexif.ExifIFD.DateTimeOriginal: stamp,
                piexif.ExifIFD.SubSecTimeOriginal: "50",
                piexif.ExifIFD.BodySerialNumber: self.serial,
            },
        }
        if self.hours_east is not None:
            zone = f"{self.hours_east:+03d}:00"
            tags["Exif"] |= {piexif.ExifIFD.OffsetTimeOriginal: zone}
        if gps is not None:
            lat, lon = gps
            tags["GPS"] = {
                piexif.GPSIFD.GPSLatitudeRef: "N" if lat >= 0 else "S",
                piexif.GPSIFD.GPSLatitude: _sexagesimal(lat),
                piexif.GPSIFD.GPSLongitudeRef: "E" if lon >= 0 else "W",
                piexif.GPSIFD.GPSLongitude: _sexagesimal(lon),
            }
            if self.hours_east is not None:
                utc = self.clock - timedelta(hours=self.hours_east)
                tags["GPS"] |= {
                    piexif.GPSIFD.GPSDateStamp: utc.strftime("%Y:%m:%d"),
                    piexif.GPSIFD.GPSTimeStamp: ((utc.hour, 1), (utc.minute, 1), (utc.second, 1)),
                }
        return piexif.dump(tags)


def _jpeg(frame: np.ndarray) -> bytes:
    out = io.BytesIO()
    Image.fromarray(frame).save(out, "JPEG", quality=88)
    return out.getvalue()


def _ground(seed: int, grey: int) -> np.ndarray:
    noise = np.random.default_rng(seed)
    return noise.integers(grey - 20, grey + 20, (SIZE[1], SIZE[0], 3), dtype=np.uint8)


# Most cards begin with the same photos, so each is drawn once in a process.


@functools.cache
def _sheet(seed: int, claim: str) -> bytes:
    frame = _ground(seed, 205)
    png = io.BytesIO()
    divider_qr(ClaimId(claim)).save(png, kind="png", scale=8, border=4)
    code = np.array(Image.open(png).convert("L").resize((341, 341), Image.Resampling.NEAREST))
    frame[49:569, 122:707] = 245
    frame[97:438, 162:503] = code[..., None]
    cv2.putText(frame, claim, (162, 520), cv2.FONT_HERSHEY_SIMPLEX, 1.3, (20, 20, 20), 3)
    return _jpeg(frame)


@functools.cache
def _label(seed: int, number: int) -> bytes:
    frame = _ground(seed, 90)
    frame[11:621, 15:785] = 250
    frame[93:532, 49:488] = label_tag_image(number, 439)[..., None]
    return _jpeg(frame)


@functools.cache
def _scene(seed: int) -> bytes:
    noise = np.random.default_rng(seed)
    small = noise.integers(0, 255, (12, 16, 3), dtype=np.uint8)
    frame = cv2.resize(small, SIZE, interpolation=cv2.INTER_CUBIC)
    grain = noise.integers(-25, 25, frame.shape, dtype=np.int8)
    return _jpeg(np.clip(frame.astype(np.int16) + grain, 0, 255).astype(np.uint8))


def _sexagesimal(degrees: float) -> tuple[tuple[int, int], ...]:
    whole = abs(degrees)
    minutes = (whole % 1) * 60
    return (int(whole), 1), (int(minutes), 1), (round((minutes % 1) * 60 * 10_000), 10_000)


def two_houses(root: Path, *, scenes: int = 5) -> CardMaker:
    """A card with two claims, TC-1001 and TC-1002, a sheet and `scenes` photos each, half an hour apart."""
    card = CardMaker(root)
    for claim in ("TC-1001", "TC-1002"):
        card.sheet(claim)
        for _ in range(scenes):
            card.scene()
        card.wait(minutes=30)
    return card
