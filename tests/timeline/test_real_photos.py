"""Real photographs, not made for these tests."""

from __future__ import annotations

import hashlib
from datetime import datetime
from pathlib import Path

from support_timeline import claims_in_order

from evidence.cards.exif import read_facts
from evidence.model import Claim, ClaimId, DeviceId, IntakeId, MediaKind, Sha256
from evidence.timeline import DayPhoto, plan_day


def photos_of(folder: Path) -> list[DayPhoto]:
    """The photos of a folder as the intake passes them on, without file numbers."""
    photos = []
    for path in sorted(folder.iterdir()):
        facts = read_facts(path, MediaKind.PHOTO)
        photos.append(
            DayPhoto(
                sha256=Sha256(hashlib.sha256(path.read_bytes()).hexdigest()),
                device=DeviceId(f"{facts.make} {facts.model}"), card=IntakeId("card"), card_path=path.name,
                name=path.name, taken_local=facts.taken_local, offset_minutes=facts.offset_minutes,
                gps=facts.gps, gps_time=facts.gps_time,
            )
        )  # fmt: skip
    return photos


def test_a_walk_of_180_metres_without_any_time_is_not_cut_into_claims(real_photos):
    walk = [s for s in photos_of(real_photos / "gps_walk") if s.name.startswith("lund")]
    assert len(walk) == 19
    plan = plan_day(walk, [])
    assert len(plan.segments) == 1
    names = {s.sha256: s.name for s in walk}
    assert [names[p.sha256] for p in plan.placed] == sorted(names.values())


def test_two_towns_on_one_card_are_two_places(real_photos):
    plan = plan_day(photos_of(real_photos / "gps_walk"), [])
    assert [len(s.photos) for s in plan.segments] == [3, 19]


def test_a_claim_with_an_address_on_the_walk_does_not_cut_it_into_many(real_photos):
    walk = [s for s in photos_of(real_photos / "gps_walk") if s.name.startswith("lund")]
    house = Claim(claim=ClaimId("LX-1"), place=walk[9].gps)
    assert len(plan_day(walk, [house]).segments) <= 2


def test_cameras_with_dates_years_apart_are_days_of_their_own(real_photos):
    photos = photos_of(real_photos / "cameras")
    plan = plan_day(photos, [])
    assert sorted(p.sha256 for p in plan.placed) == sorted(s.sha256 for s in photos)
    days = {s.taken_local.date() for s in photos if s.taken_local is not None}
    assert len(days) > 1
    assert len(plan.segments) >= len(days)
    assert set(claims_in_order(plan)) <= {"?", "-"}


def test_a_camera_that_shows_yesterday_is_corrected_by_its_fixes(real_photos):
    photos = [s for s in photos_of(real_photos / "cameras") if s.name.startswith("DSCN")]
    plan = plan_day(photos, [])
    assert len(photos) == 4
    first = next(p for p in plan.placed if p.sha256 == photos[0].sha256)
    assert first.corrected is not None
    assert abs((first.corrected - datetime(2008, 10, 23, 16, 27, 10)).total_seconds()) < 10
    assert "23 h 58 min slow" in first.correction
    assert len(plan.segments) == 1
