"""A clock that was set during the day, found with the help of the same person's phone."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from support_timeline import at, house

from evidence.timeline import plan_day
from evidence.timeline.clocks.changes import find_change

HOUSES = [at(8, 30), at(9, 40), at(10, 31), at(11, 50), at(13, 15)]


def camera_and_phone(slow_until: int, seconds: float):
    """Five houses with both devices; the camera's clock was slow at the first `slow_until` houses."""
    camera, phone = [], []
    for k, begin in enumerate(HOUSES):
        mine = house(1 + 100 * k, begin, 60, step=14.0)
        late = timedelta(seconds=seconds if k < slow_until else 0.0)
        camera += [replace(s, taken_local=s.taken_local - late) for s in mine]
        phone += [
            replace(s, offset_minutes=-300)
            for s in house(1 + 40 * k, begin + timedelta(seconds=25), 20, step=40.0, device="phone")
        ]
    return camera, phone


def errors(plan, camera, truth):
    placed = {p.sha256: p for p in plan.placed}
    return [(placed[s.sha256].corrected - t).total_seconds() for s, t in zip(camera, truth, strict=True)]


@pytest.mark.parametrize("seconds", [3600.0, 2400.0])
def test_a_clock_set_ahead_between_two_houses_is_found_and_corrected(seconds):
    camera, phone = camera_and_phone(2, seconds)
    truth = [s.taken_local for s in camera_and_phone(0, 0.0)[0]]
    plan = plan_day([*camera, *phone], [])
    assert max(abs(e) for e in errors(plan, camera, truth)) < 90
    assert [f.code for f in plan.findings if f.code == "clock_off"] == ["clock_off"]
    assert len(plan.segments) == len(HOUSES)


def test_a_clock_set_back_by_odd_minutes_is_corrected_on_both_sides():
    camera, phone = camera_and_phone(3, -4812.0)
    truth = [s.taken_local for s in camera_and_phone(0, 0.0)[0]]
    plan = plan_day([*camera, *phone], [])
    assert max(abs(e) for e in errors(plan, camera, truth)) < 90


def test_a_pause_is_no_change_of_the_clock():
    camera, phone = camera_and_phone(0, 0.0)
    plan = plan_day([*camera, *phone], [])
    assert {p.correction for p in plan.placed} == {""}


def test_rhythms_that_have_nothing_in_common_show_no_change():
    rng = np.random.default_rng(11)
    first, second = (np.sort(rng.uniform(0, 28_000, 150)) for _ in range(2))
    second[75:] += 700
    assert find_change(first, second, None) is None


def test_few_photos_show_no_change():
    base = np.array([t.timestamp() + 10.0 * k for t in HOUSES for k in range(20)])
    assert find_change(base, base[:5], None) is None
    assert find_change(base, base[:0], None) is None


def test_a_change_after_a_video_without_a_time_is_corrected_on_both_sides():
    camera, phone = camera_and_phone(3, -4812.0)
    truth = [s.taken_local for s in camera_and_phone(0, 0.0)[0]]
    video = replace(camera[180], taken_local=None, is_photo=False)
    plan = plan_day([*camera[:180], video, *camera[181:], *phone], [])
    timed = [*camera[:180], *camera[181:]]
    assert max(abs(e) for e in errors(plan, timed, [*truth[:180], *truth[181:]])) < 90
    assert {p.sha256 for p in plan.placed} == {
        s.sha256 for s in (*camera[:180], video, *camera[181:], *phone)
    }
