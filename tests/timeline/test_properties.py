"""Properties that hold for every day, tested on many simulated ones."""

from __future__ import annotations

import random
import sys
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from support_timeline import at, make_photo, order_of, sheet

from evidence.model import ClaimId
from evidence.timeline import DayPhoto, DayPlan, ManualAssignments, plan_day

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
from day_simulator import HARD, SimDay, shifted, simulate

slow = settings(max_examples=4, deadline=None, suppress_health_check=[HealthCheck.too_slow])
quick = settings(max_examples=60, deadline=None)
seeds = st.integers(0, 2**20)


def boundaries(plan: DayPlan) -> set[str]:
    return {s.opened_by.before for s in plan.segments}


def sound(photos, plan: DayPlan) -> None:
    """Every photo is placed once, in one segment, and segments keep the order of the timeline."""
    order = order_of(plan)
    assert sorted(order) == sorted({s.sha256 for s in photos})
    assert sorted(sha for s in plan.segments for sha in s.photos) == sorted(order)
    place = {sha: i for i, sha in enumerate(order)}
    firsts = []
    for number, segment in enumerate(plan.segments, 1):
        assert segment.number == number
        assert segment.photos, "no segment is empty"
        assert segment.opened_by.before == segment.photos[0]
        assert segment.opened_by.reasons
        places = [place[sha] for sha in segment.photos]
        assert places == sorted(places)
        firsts.append(places[0])
    assert firsts == sorted(firsts)
    by_sha = {p.sha256: p for p in plan.placed}
    for segment in plan.segments:
        for sha in segment.photos:
            assert by_sha[sha].segment == segment.number
            assert by_sha[sha].claim == segment.claim
            assert 0.0 <= by_sha[sha].confidence <= 1.0


@slow
@given(seeds)
def test_every_photo_of_a_hard_day_is_in_exactly_one_segment_and_segments_keep_order(seed):
    day = simulate(seed, HARD)
    sound(day.photos, plan_day(day.photos, day.claims))


@st.composite
def odd_photos(draw) -> DayPhoto:
    """A file with any mixture of facts that a card may give or lack."""
    number = draw(st.none() | st.integers(1, 9999))
    taken = draw(
        st.none()
        | st.datetimes(min_value=at(0), max_value=at(23))
        | st.sampled_from(
            [at(9).replace(year=1980, month=1, day=1), at(9).replace(year=1), at(9).replace(year=9999)]
        )
    )
    return make_photo(
        number, taken, folder=draw(st.sampled_from([100, 101, 999])), device=draw(st.sampled_from(["a", "b"])),
        sha256=draw(st.text("0123456789abcdef", min_size=64, max_size=64)),
        offset_minutes=draw(st.none() | st.integers(-720, 840)),
        dividers=tuple(draw(st.lists(st.sampled_from([ClaimId("A"), ClaimId("B")]), max_size=2, unique=True))),
        sheet=draw(st.none() | st.floats(0, 1).map(lambda share: sheet("CLAIM A", confidence=share))),
        is_photo=draw(st.booleans()),
        object_key=draw(st.sampled_from(["", "x", "y"])),
    )  # fmt: skip


def same_object(one: DayPhoto, other: DayPhoto) -> bool:
    """Whether two files are of one press of the shutter."""
    keys = [(p.device, p.card, p.object_key) for p in (one, other)]
    return bool(one.object_key) and keys[0] == keys[1]


@quick
@given(st.lists(odd_photos(), max_size=14, unique_by=lambda s: s.sha256), st.data())
def test_whatever_a_card_lacks_nothing_is_lost_and_decisions_hold(photos, data):
    names = [s.sha256 for s in photos]
    some = st.lists(st.sampled_from(names), unique=True, max_size=4) if names else st.just([])
    manual = ManualAssignments(
        claim_of={n: data.draw(st.sampled_from([None, ClaimId("A"), ClaimId("Z")])) for n in data.draw(some)},
        cuts=frozenset(data.draw(some)),
        joins=frozenset(data.draw(some)),
    )
    plan = plan_day(photos, [], manual=manual)
    sound_order = order_of(plan)
    assert sorted(sound_order) == sorted(names)
    decided = {p.sha256: (p.claim, p.to_confirm) for p in plan.placed if p.sha256 in manual.claim_of}
    assert decided == {name: (claim, False) for name, claim in manual.claim_of.items()}
    by_name = {s.sha256: s for s in photos}
    for segment in plan.segments:
        for before, after in pairwise(by_name[sha] for sha in segment.photos):
            # A cut may fall between the files of one object only where it has been made into two.
            assert after.sha256 not in manual.cuts or same_object(before, after)


def test_nothing_gives_an_empty_plan():
    plan = plan_day([], [])
    assert (plan.placed, plan.segments) == ((), ())


def test_a_photo_given_twice_is_placed_once():
    one = make_photo(1, at(9))
    assert len(plan_day([one, one], []).placed) == 1


def tidy(seed: int) -> SimDay:
    """A hard day with correct clocks (to the sub-second) and reliable numbers, so that times alone can order it."""
    mix = replace(HARD, renamed=0.0, clock_off=0.0, clock_reset=0.0, clock_set_mid_day=0.0, videos=0.0)
    day = simulate(seed, mix)
    midnight = at(0)
    return replace(
        day,
        photos=tuple(
            replace(s, gps_time=None, taken_local=midnight + timedelta(seconds=day.true_time[s.sha256]))
            for s in day.photos
        ),
    )


@slow
@given(seeds)
def test_renaming_files_changes_no_boundary(seed):
    day = tidy(seed)
    rng = random.Random(seed)
    numbers = rng.sample(range(1, 10_000), len(day.photos))
    scrambled = [
        replace(s, name=f"P{n:04d}.JPG", card_path=f"DCIM/100OTHER/P{n:04d}.JPG", object_key=str(n),
                dcf=replace(s.dcf, folder_number=100, file_number=n))
        for s, n in zip(day.photos, numbers, strict=True)
    ]  # fmt: skip
    phoned = [
        replace(s, name=f"{n}.jpg", card_path=f"{n}.jpg", object_key="", dcf=None)
        for s, n in zip(day.photos, numbers, strict=True)
    ]
    plain = boundaries(plan_day(day.photos, day.claims))
    assert boundaries(plan_day(scrambled, day.claims)) == plain
    assert boundaries(plan_day(phoned, day.claims)) == plain


@slow
@given(seeds, st.sampled_from([-86_400.0 * 40, -3600.0, 61.0, 5 * 3600.0, 11 * 3600.0 + 17]))
def test_shifting_every_clock_by_a_constant_changes_no_boundary(seed, seconds):
    day = shifted(simulate(seed, HARD), 0.0)
    moved = shifted(day, seconds)
    lost = {s.sha256 for s in day.photos if s.taken_local is not None and s.taken_local.year <= 2000}
    moved = replace(
        moved,
        photos=tuple(
            s if s.sha256 not in lost else replace(s, taken_local=s.taken_local - timedelta(seconds=seconds))
            for s in moved.photos
        ),
    )
    a, b = plan_day(day.photos, day.claims), plan_day(moved.photos, day.claims)
    assert boundaries(a) == boundaries(b)
    assert [p.claim for p in a.placed] == [p.claim for p in b.placed]


@slow
@given(seeds, st.integers(0, 10**6))
def test_adding_a_divider_never_merges_claims(seed, where):
    """With the sheet of an unknown claim added, every other claim keeps its sheet and stays separate."""
    day = simulate(seed, replace(HARD, second_adjuster=0.0))
    before = plan_day(day.photos, day.claims)
    plain = [s for s in day.photos if s.is_photo and not s.dividers]
    extra = plain[where % len(plain)]
    added = [replace(s, dividers=(ClaimId("NEW-1"),), sheet=None) if s is extra else s for s in day.photos]
    after = plan_day(added, day.claims)
    sheets = {c for s in day.photos for c in s.dividers}
    had = {p.claim for p in before.placed} & sheets
    has = {p.claim for p in after.placed}
    assume(had)  # a day without any sheet tests nothing
    assert had <= has, "no claim whose sheet was read disappears into another"
    assert "NEW-1" in has
    old = {p.sha256: p.claim for p in before.placed}
    new = {p.sha256: p.claim for p in after.placed}
    under_their_own = {s.sha256 for s in day.photos if old[s.sha256] in s.dividers}
    assume(under_their_own)
    assert under_their_own <= {s.sha256 for s in day.photos if new[s.sha256] in s.dividers}


def test_the_same_photos_in_any_order_give_the_same_plan():
    day = simulate(77, HARD)
    mixed = list(day.photos)
    random.Random(1).shuffle(mixed)
    assert plan_day(mixed, day.claims) == plan_day(day.photos, day.claims)


@pytest.mark.parametrize("seed", [3, 4])
def test_a_plan_whose_own_claims_are_entered_by_hand_stays_as_it_was(seed):
    day = simulate(seed, HARD)
    first = plan_day(day.photos, day.claims)
    manual = ManualAssignments(claim_of={p.sha256: p.claim for p in first.placed if p.claim is not None})
    again = plan_day(day.photos, day.claims, manual=manual)
    assert manual.claim_of
    assert {p.sha256: p.claim for p in again.placed if p.sha256 in manual.claim_of} == dict(manual.claim_of)
