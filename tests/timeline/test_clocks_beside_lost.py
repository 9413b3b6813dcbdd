"""A clock that lost its date, and the clock before or after it on the same card, compared with a phone together."""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from support_timeline import at, house, make_photo

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
from day_simulator import HARDER, simulate

from evidence.timeline import plan_day
from evidence.timeline.clocks.alignment import align
from evidence.timeline.clocks.beside_lost_rhythm import align_both

HOUSES = [at(8, 30), at(9, 40), at(10, 31), at(11, 50), at(13, 15)]


def seconds(photos) -> np.ndarray:
    """Seconds since midnight of each photo."""
    return np.array([(p.taken_local - at(0)).total_seconds() for p in photos])


def day(step: float) -> list[np.ndarray]:
    """The photos of each house, `step` seconds apart, as seconds."""
    return [seconds(house(1 + 100 * k, begin, 60, step=step)) for k, begin in enumerate(HOUSES)]


@pytest.mark.parametrize("lost_first", [True, False])
def test_two_houses_on_either_clock_are_enough_because_the_files_follow_each_other(lost_first):
    """The camera is an hour fast at some houses and shows 1 January 2000 at the others; the latter alone are not enough."""
    camera = day(14.0)
    phone = np.concatenate(camera)[::4] + 5.0
    lost, known = (camera[:2], camera[2:]) if lost_first else (camera[3:], camera[:3])
    lost, known = np.concatenate(lost), np.concatenate(known)
    assert align(phone, lost - 9e8, lost=True) is None
    found = align_both(phone, known + 3600.0, lost - 9e8, lost_first=lost_first)
    assert found == (pytest.approx(3600.0, abs=90.0), pytest.approx(-9e8, abs=90.0))


def test_a_phone_that_was_used_elsewhere_shows_nothing():
    rng = np.random.default_rng(5)
    camera, phone = day(14.0), np.sort(rng.uniform(8 * 3600, 15 * 3600, 200))
    known, lost = np.concatenate(camera[:3]), np.concatenate(camera[3:])
    assert align_both(phone, known, lost - 9e8, lost_first=False) is None


def test_a_clock_that_is_fast_after_a_lost_stretch_was_fast_before_it_if_only_that_keeps_the_order_of_the_files():
    """Three photos an hour fast, then 40 without a date, then the rest of the day an hour fast again, beside a phone."""
    camera = [p for k, begin in enumerate(HOUSES) for p in house(1 + 60 * k, begin, 60)]
    hour, lost = timedelta(hours=1), at(9) - datetime(2000, 1, 1)
    shown = [
        replace(p, taken_local=p.taken_local - lost if 3 <= k < 43 else p.taken_local + hour)
        for k, p in enumerate(camera)
    ]
    phone = [
        make_photo(k + 1, p.taken_local + timedelta(seconds=5), device="phone", offset_minutes=-300)
        for k, p in enumerate(camera[::4])
    ]
    plan = plan_day([*shown, *phone], [])
    corrected = {p.sha256: p.corrected for p in plan.placed}
    errors = [(corrected[shown[k].sha256] - camera[k].taken_local).total_seconds() for k in range(3)]
    assert max(map(abs, errors)) < 180


@pytest.mark.parametrize("seed", [1_510_021])
def test_photos_of_a_lost_clock_are_filed_right_where_the_phone_dates_them(seed):
    """A simulated day: 418 photos of a lost clock after 86 of a correct one, beside a phone."""
    simulated = simulate(seed, HARDER)
    plan = plan_day(simulated.photos, simulated.claims, lists=simulated.lists)
    assert sum(p.claim not in (None, simulated.truth[p.sha256]) for p in plan.placed) == 0
    assert sum(p.to_confirm for p in plan.placed) < 20


def test_a_colleagues_photos_at_one_house_are_no_measure_for_the_camera():
    """A simulated day: the colleague's clock lost its date, and positions date it; the camera is compared with the phone."""
    simulated = simulate(1_560_036, HARDER)
    plan = plan_day(simulated.photos, simulated.claims, lists=simulated.lists)
    assert sum(p.claim not in (None, simulated.truth[p.sha256]) for p in plan.placed) == 0
