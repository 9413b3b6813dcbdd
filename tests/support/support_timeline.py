"""Small hand-made days for the timeline's tests."""

from __future__ import annotations

import hashlib
from datetime import datetime, timedelta

from evidence.model import (
    Box,
    Claim,
    ClaimId,
    DcfName,
    DeviceId,
    GeoPoint,
    IntakeId,
    Sha256,
    SheetSeen,
    WritingLine,
)
from evidence.timeline import DayPhoto, DayPlan

NINE = datetime(2026, 5, 4, 9, 0, 0)
TOWN = GeoPoint(lat=35.2, lon=-97.4)


def at(hours: int, minutes: int = 0, seconds: float = 0.0) -> datetime:
    """A time on the day of the tests."""
    return datetime(2026, 5, 4, hours, minutes) + timedelta(seconds=seconds)


def place(east: float, north: float) -> GeoPoint:
    """A position some metres from the middle of the town."""
    return GeoPoint(lat=TOWN.lat + north / 111_195.0, lon=TOWN.lon + east / 90_862.0)


def make_photo(number: int | None, taken: datetime | None, **more) -> DayPhoto:
    """A photo with a DCF number (or none) and time; `more` sets any other field."""
    folder = more.pop("folder", 100)
    device = more.pop("device", "camera")
    card = more.pop("card", f"{device}-card")
    name = more.pop("name", f"IMG_{number:04d}.JPG" if number is not None else "photo.jpg")
    path = more.pop("card_path", f"DCIM/{folder}TESTS/{name}")
    key = hashlib.sha256(f"{device}|{card}|{path}|{taken}".encode()).hexdigest()
    dcf = DcfName(folder_number=folder, file_number=number) if number is not None else None
    return DayPhoto(
        sha256=Sha256(more.pop("sha256", key)), device=DeviceId(device), card=IntakeId(card), card_path=path,
        name=name, dcf=more.pop("dcf", dcf), taken_local=taken, object_key=more.pop("object_key", path), **more,
    )  # fmt: skip


def house(
    first: int, begin: datetime, count: int, *, claim: str | None = None, step: float = 14.0, **more
) -> list[DayPhoto]:
    """`count` photos from file number `first` on, `step` seconds apart (unevenly), the sheet of `claim` first."""
    photos = []
    taken = begin
    for k in range(count):
        own = {"dividers": (ClaimId(claim),)} if claim is not None and k == 0 else {}
        if "gps" in more and more["gps"] is not None:
            own["gps"] = _beside(more["gps"], k)
        photos.append(make_photo(first + k, taken, **{**more, **own}))
        taken += timedelta(seconds=step * (0.5 + (k * 7 % 11) / 10))
    return photos


def _beside(middle: GeoPoint, k: int) -> GeoPoint:
    return GeoPoint(lat=middle.lat + (k % 5 - 2) * 4e-5, lon=middle.lon + (k % 7 - 3) * 4e-5)


def sheet(*lines: str, confidence: float = 0.9) -> SheetSeen:
    """A sheet without a readable code, with these lines of text."""
    box = Box(left=0.1, top=0.1, right=0.9, bottom=0.2)
    return SheetSeen(
        area=0.5,
        confidence=confidence,
        lines=tuple(WritingLine(text=line, confidence=0.9, box=box) for line in lines),
    )


def sites(*claims: str, **places: GeoPoint) -> list[Claim]:
    """Claims of the day, with a position for those given by keyword."""
    names = [*claims, *places]
    return [Claim(claim=ClaimId(c), place=places.get(c)) for c in names]


def claims_in_order(plan: DayPlan) -> list[str | None]:
    """The claim of each segment in order; `?` for a house without a name, `-` for photos between houses."""
    return [s.claim if s.claim is not None else "?" if s.unknown else "-" for s in plan.segments]


def sizes(plan: DayPlan) -> list[tuple[str, int]]:
    """Claim and number of photos of each segment."""
    return list(zip(claims_in_order(plan), [len(s.photos) for s in plan.segments], strict=True))


def claim_of(plan: DayPlan, photo: DayPhoto) -> ClaimId | None:
    """The claim that a photo was assigned to."""
    return next(p.claim for p in plan.placed if p.sha256 == photo.sha256)


def order_of(plan: DayPlan) -> list[Sha256]:
    """The digests of the photos in timeline order."""
    return [p.sha256 for p in plan.placed]
