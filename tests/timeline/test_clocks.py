"""Clocks: zones, offsets and their spread, two devices on one timeline."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from support_timeline import at, claim_of, house, make_photo, order_of, place, sizes

from evidence.timeline import ClockHint, plan_day
from evidence.timeline.clocks.alignment import align
from evidence.timeline.clocks.estimate import error_text
from evidence.timeline.clocks.zones import likeliest_zone, offset_from_fixes


def utc(*parts: int, micro: int = 0) -> datetime:
    return datetime(*parts, micro, tzinfo=UTC)


def zone_and_error(local: datetime, fix: datetime, *, longitude: float) -> tuple[int, float]:
    """The zone in minutes that a local time and a fix imply, and the clock error in seconds that remains."""
    difference = (local - fix.replace(tzinfo=None)).total_seconds()
    minutes = likeliest_zone([difference], longitude)
    return minutes, difference - minutes * 60.0


# --- EXIF arithmetic, from the listings of the sample files in ExifTool's tests --------------------


def test_sub_seconds_are_a_decimal_fraction_of_the_second():
    # ExifTool t/Canon_2.out: 17:02:42 with SubSecTime 81 is 17:02:42.81, not 81 ms.
    taken = datetime(2003, 12, 4, 17, 2, 42, 810_000)
    plan = plan_day([make_photo(1, taken), make_photo(2, taken + timedelta(milliseconds=100))], [])
    assert plan.placed[0].corrected == taken


def test_a_phone_without_an_offset_tag_gets_its_zone_from_the_fix():
    # ExifTool t/Apple_2.out: 18:18:05.813 local, fix 17:17:58.65 UTC: one hour and 7.163 s.
    minutes, error = zone_and_error(
        datetime(2016, 9, 28, 18, 18, 5, 813_000),
        utc(2016, 9, 28, 17, 17, 58, micro=650_000),
        longitude=-1.4567,
    )
    assert minutes == 60
    assert error == pytest.approx(7.163)


def test_an_offset_tag_gives_utc_and_an_old_fix_changes_nothing():
    # ExifTool t/Google_2.out: 22:53:51.724 +02:00 is 20:53:51.724 UTC; the fix is 101.7 s older.
    taken = datetime(2023, 10, 6, 22, 53, 51, 724_000)
    photo = make_photo(
        None,
        taken,
        offset_minutes=120,
        gps=place(0, 0),
        gps_time=utc(2023, 10, 6, 20, 52, 10),
        device="phone",
    )
    placed = plan_day([photo], []).placed[0]
    assert placed.utc == utc(2023, 10, 6, 20, 53, 51, micro=724_000)
    assert placed.corrected == taken
    assert placed.correction == ""
    assert zone_and_error(taken, photo.gps_time, longitude=8.0) == (120, pytest.approx(101.724))


def test_a_fix_without_a_date_taken_on_the_photos_own_day_gives_the_zone():
    # ExifTool t/GPS_2.out: 15:58:28 local, GPSTimeStamp 14:58:24 and no date: one hour and 4 s.
    local, fix = datetime(2002, 7, 13, 15, 58, 28), utc(2002, 7, 13, 14, 58, 24)
    assert zone_and_error(local, fix, longitude=-1.914) == (60, 4.0)


def test_a_camera_that_shows_yesterday_is_a_day_slow_not_in_a_far_zone():
    # The COOLPIX P6000 photos of ianare/exif-samples: 2008-10-22 16:28:39 local, fix 2008-10-23 14:27:07.24 UTC, 11.9 E.
    minutes, error = zone_and_error(
        datetime(2008, 10, 22, 16, 28, 39), utc(2008, 10, 23, 14, 27, 7, micro=240_000), longitude=11.885
    )
    assert minutes == 120
    assert error == pytest.approx(-86_308.24)


# --- one device ---------------------------------------------------------------------------------


def test_stale_fixes_do_not_change_the_estimate():
    fresh, stale = [41.0, 42.0, 41.5, 42.0, 41.0], [90.0, 400.0, 2000.0, 61.0, 777.0, 5000.0]
    offset = offset_from_fixes([*stale, *fresh])
    assert offset is not None
    assert offset.seconds == pytest.approx(41.5, abs=0.6)
    assert offset.spread <= 2.0


def test_a_single_fix_has_a_wide_spread():
    offset = offset_from_fixes([3.0])
    assert offset is not None
    assert offset.spread >= 30
    assert offset_from_fixes([]) is None


def with_fixes(photos, zone_hours: int, fast: float, *, every: int = 1, middle=None):
    """The photos with a clock `fast` seconds ahead, and with fixes that have correct UTC stamps."""
    middle = middle or place(0, 0)
    out = []
    for k, s in enumerate(photos):
        true = s.taken_local - timedelta(hours=zone_hours)
        fix = {"gps": middle, "gps_time": true.replace(tzinfo=UTC)} if k % every == 0 else {}
        out.append(replace(s, taken_local=s.taken_local + timedelta(seconds=fast), **fix))
    return out


def test_a_camera_that_runs_fast_is_corrected_by_gps_and_its_own_time_is_kept_too():
    plan = plan_day(with_fixes(house(1, at(9), 40), -5, 754.0), [])
    assert plan.placed[0].corrected == at(9)
    assert "GPS time" in plan.placed[0].correction
    assert "12 min 34 s fast" in plan.placed[0].correction
    assert plan.placed[0].utc == at(14).replace(tzinfo=UTC)
    clock = plan.clocks[0]
    assert clock.seconds_fast == pytest.approx(754.0, abs=1.0)
    assert clock.source == "gps"
    assert clock.spread < 5


def test_a_clock_set_ahead_in_the_middle_of_the_day_is_found_by_gps_and_does_not_split():
    day = house(1, at(9), 80, claim="AX-1")
    photos = [*with_fixes(day[:40], -5, 0.0), *with_fixes(day[40:], -5, 3600.0)]
    plan = plan_day(photos, [])
    assert [p.corrected for p in plan.placed] == [s.taken_local for s in day]
    assert sizes(plan) == [("AX-1", 80)]


def test_what_a_person_states_overrides_gps():
    photos = with_fixes(house(1, at(9), 40), -5, 754.0)
    plan = plan_day(
        photos, [], clock_hints=[ClockHint(device="camera", minutes_fast=60, reason="seen on its display")]
    )
    assert plan.placed[0].corrected == photos[0].taken_local - timedelta(hours=1)
    assert "seen on its display" in plan.placed[0].correction


def test_a_wrong_date_is_corrected_by_gps():
    plan = plan_day(with_fixes(house(1, at(9), 40), -5, 86_400.0 * 30), [])
    assert plan.placed[0].corrected == at(9)


# --- two devices ---------------------------------------------------------------------------------


def camera_and_phone(fast: float, *, sheets: bool):
    """Two houses; the phone takes every fourth photo, the camera's clock is off."""
    day = [
        *house(1, at(9), 80, claim="AX-1"),
        *house(81, at(9, 50), 80, claim="BX-2"),
        *house(161, at(10, 40), 60, claim="CX-3"),
    ]
    camera, phone = [], []
    for k, s in enumerate(day):
        if s.dividers or k % 4:
            camera.append(replace(s, taken_local=s.taken_local + timedelta(seconds=fast)))
        if not s.dividers and k % 4 == 0:
            phone.append((s, ()))
        if s.dividers and sheets:
            phone.append((replace(s, taken_local=s.taken_local + timedelta(seconds=6)), s.dividers))
    theirs = []
    for numbers, (s, dividers) in enumerate(phone, 1):
        theirs.append(
            make_photo(numbers, s.taken_local, device="phone", offset_minutes=-300, dividers=dividers)
        )
    return camera, theirs


@pytest.mark.parametrize("fast", [3600.0, -3600.0, 1500.0, 86_400.0 * 11 + 1234], ids=str)
def test_the_same_sheets_photographed_by_both_align_two_clocks(fast):
    camera, phone = camera_and_phone(fast, sheets=True)
    plan = plan_day([*camera, *phone], [])
    first = next(p for p in plan.placed if p.sha256 == camera[0].sha256)
    assert abs((first.corrected - at(9)).total_seconds()) < 60
    assert "same sheets" in first.correction
    assert [c for c, _ in sizes(plan)] == ["AX-1", "BX-2", "CX-3"]
    assert {claim_of(plan, s) for s in phone[:15]} == {"AX-1"}


def test_without_common_sheets_the_rhythm_of_the_day_aligns_two_clocks():
    camera, phone = camera_and_phone(3600.0, sheets=False)
    plan = plan_day([*camera, *phone], [])
    first = next(p for p in plan.placed if p.sha256 == camera[0].sha256)
    assert abs((first.corrected - at(9)).total_seconds()) < 120
    assert [c for c, _ in sizes(plan)] == ["AX-1", "BX-2", "CX-3"]


def test_a_camera_that_lost_its_date_but_kept_running_is_placed_by_the_rhythm_of_the_phone():
    camera, phone = camera_and_phone(0.0, sheets=False)
    start = camera[0].taken_local
    lost = [replace(s, taken_local=datetime(2000, 1, 1) + (s.taken_local - start)) for s in camera]
    plan = plan_day([*lost, *phone], [])
    first = next(p for p in plan.placed if p.sha256 == lost[0].sha256)
    assert first.corrected is not None
    assert abs((first.corrected - at(9)).total_seconds()) < 120
    assert [c for c, _ in sizes(plan)] == ["AX-1", "BX-2", "CX-3"]


def test_a_few_photos_of_a_phone_at_three_houses_date_a_camera_without_a_date():
    """Drives of equal length: only that both devices were at every house tells the shift from that to the next."""
    starts = [at(9), at(9, 18), at(9, 36)]
    camera = [
        p
        for k, (n, start) in enumerate(zip((7, 7, 11), starts, strict=True))
        for p in house(1 + 20 * k, start, n, step=24.0)
    ]
    phone = [
        p
        for k, (n, start) in enumerate(zip((7, 7, 3), starts, strict=True))
        for p in house(
            1 + 10 * k, start + timedelta(seconds=9), n, step=26.0, device="phone", offset_minutes=-300
        )
    ]
    lost = [replace(s, taken_local=s.taken_local.replace(year=2000)) for s in camera]
    placed = {p.sha256: p for p in plan_day([*lost, *phone], []).placed}
    for true, photo in zip(camera, lost, strict=True):
        assert placed[photo.sha256].corrected is not None
        assert abs((placed[photo.sha256].corrected - true.taken_local).total_seconds()) < 240


@pytest.mark.parametrize("fast", [7200.0, -3600.0], ids=["fast", "slow"])
@pytest.mark.parametrize("stretch", [slice(0, 60), slice(240, 300)], ids=["before", "after"])
def test_photos_with_a_date_beside_a_lost_stretch_are_placed_by_the_order_of_the_files(fast, stretch):
    """The camera shows a wrong hour at one of five houses and no date at the others; a phone dates those."""
    starts = [at(9), at(9, 36), at(10, 21), at(10, 55), at(11, 50)]
    camera = [p for k, start in enumerate(starts) for p in house(1 + 60 * k, start, 60)]
    phone = [
        replace(p, taken_local=p.taken_local + timedelta(seconds=5))
        for k, start in enumerate(starts)
        for p in house(1 + 20 * k, start, 18, step=45.0, device="phone", offset_minutes=-300)
    ]
    shown = [replace(s, taken_local=s.taken_local.replace(year=2000)) for s in camera]
    shown[stretch] = [
        replace(s, taken_local=s.taken_local + timedelta(seconds=fast)) for s in camera[stretch]
    ]
    placed = {p.sha256: p for p in plan_day([*shown, *phone], []).placed}
    for true, photo in zip(camera[stretch], shown[stretch], strict=True):
        assert abs((placed[photo.sha256].corrected - true.taken_local).total_seconds()) < 240


def test_while_a_cameras_time_is_lost_its_sheets_name_no_photo_of_the_phone():
    camera, phone = camera_and_phone(0.0, sheets=False)
    known = [s for s in camera if s.taken_local < at(9, 40)]
    lost = [replace(s, taken_local=datetime(2000, 1, 1)) for s in camera if s.taken_local >= at(9, 40)]
    plan = plan_day([*known, *lost, *phone], [])
    placed = {p.sha256: p for p in plan.placed}
    during = [s for s in phone if s.taken_local > at(9, 45)]
    assert during
    filed = {placed[s.sha256].claim for s in during if not placed[s.sha256].to_confirm}
    assert not filed & {"BX-2", "CX-3"}
    assert {placed[s.sha256].claim for s in lost} == {"BX-2", "CX-3"}


def test_what_a_person_states_aligns_two_clocks():
    camera, phone = camera_and_phone(3600.0, sheets=False)
    plan = plan_day(
        [*camera, *phone], [], clock_hints=[ClockHint(device="camera", minutes_fast=60, reason="stated")]
    )
    names = {s.sha256: s.taken_local - timedelta(hours=1) for s in camera} | {
        s.sha256: s.taken_local for s in phone
    }
    times = [names[sha] for sha in order_of(plan)]
    assert times == sorted(times)


def test_clocks_that_agree_are_left_alone():
    camera, phone = camera_and_phone(0.0, sheets=True)
    plan = plan_day([*camera, *phone], [])
    assert {p.correction for p in plan.placed} == {""}
    assert not [f for f in plan.findings if f.code.startswith("clock")]


def test_one_shared_sheet_at_different_moments_is_no_clock_error():
    mine = house(1, at(9), 60, claim="AX-1")
    theirs = house(1, at(9, 17), 30, claim="AX-1", device="other")
    plan = plan_day([*mine, *theirs], [])
    assert {p.correction for p in plan.placed} == {""}


def test_a_phone_that_crosses_into_another_zone_keeps_its_order():
    before = [replace(s, offset_minutes=-360) for s in house(1, at(8), 40, device="phone")]
    after = [replace(s, offset_minutes=-300) for s in house(41, at(9, 12), 60, device="phone")]
    plan = plan_day([*before, *after], [])
    assert plan.placed[0].corrected == at(9)
    assert "UTC-06:00" in plan.placed[0].correction
    assert plan.placed[0].utc == at(14).replace(tzinfo=UTC)
    assert len(plan.segments) == 1, "the hour between the two zones is no gap"


def test_no_shift_is_found_between_two_rhythms_that_have_nothing_in_common():
    rng = np.random.default_rng(5)
    first, second = (np.sort(rng.uniform(0, 28_000, 300)) for _ in range(2))
    assert align(first, second) is None


def test_errors_are_written_in_days_hours_minutes_and_seconds():
    assert error_text(3600) == "1 h 0 min fast"
    assert error_text(-25) == "25 s slow"
    assert error_text(-86_308) == "23 h 58 min slow"
    assert error_text(90_000) == "1 d 1 h 0 min fast"
