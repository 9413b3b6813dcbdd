"""Properties that hold for any photos and any list."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import timedelta

from hypothesis import event, example, given, settings
from hypothesis import strategies as st
from support_coverage import CLAIM, MORNING, SHARP, a_bit_off, photo, shipped, value

from evidence.coverage.check import CheckOptions, Status, Waiver, check, still_to_shoot
from evidence.coverage.shots import (
    Area,
    AskedWhen,
    Bounds,
    Criteria,
    ForEach,
    Part,
    QualityFloor,
    Shot,
    ShotList,
    Way,
)
from evidence.model import Face, Facet

# Small vocabularies, so that random photos and random lists meet often.
ROLES = ["elevation", "slope", "test_square", "close_up", "no_damage_proof", "divider"]
COMPONENTS = ["gutter", "shingle", "shed", "fence"]
CONDITIONS = ["damage", "no_damage"]
FACES = ["front", "back", "none"]
BASE_HASH = "0f0f00ff3c3c5a5a"


CHANCE = random.Random(20260514)
"""Pools are made once with a set seed and examples drawn from them: quick, and what fails shrinks to few pieces."""


def maybe(words, chance=0.7):
    return CHANCE.choice(words) if CHANCE.random() < chance else None


def random_tags():
    found = {}
    for facet, words in (
        (Facet.ROLE, ROLES),
        (Facet.FACE, FACES),
        (Facet.COMPONENT, COMPONENTS),
        (Facet.CONDITION, CONDITIONS),
        (Facet.COUNT, ["0", "1", "9"]),
    ):
        word = maybe(words)
        if word is not None:
            found[facet] = value(facet, word, CHANCE.choice([None, None, None, 0.5, 0.9]))
    return found


def random_photo(number):
    bits = CHANCE.sample(range(64), CHANCE.randrange(12))
    at = MORNING + timedelta(days=CHANCE.choice([-30, 0, 0, 0, 1]), minutes=number % 60)
    one = photo(
        number,
        at=at,
        phash=CHANCE.choice([a_bit_off(BASE_HASH, *bits)] * 5 + [""]),
        quality=replace(SHARP, sharpness=CHANCE.choice([5.0, 100.0, 100.0])),
        facts=CHANCE.choice([{}, {}, {}, {"taken_local": None}]),
    )
    return replace(one, tags=random_tags(), order=CHANCE.randrange(20))


def some(words):
    return frozenset(CHANCE.sample(words, CHANCE.randint(1, len(words)))) if CHANCE.random() < 0.5 else None


def random_criteria():
    return Criteria(
        roles=some(ROLES),
        components=some([*COMPONENTS, "unstated"]),
        conditions=some([*CONDITIONS, "unstated"]),
        count_least=CHANCE.choice([None, None, None, 0, 1, 2]),
    )


def random_way():
    parts = [
        Part(criteria=random_criteria(), least=CHANCE.randint(1, 3)) for _ in range(CHANCE.randint(1, 2))
    ]
    return Way(parts=tuple(parts))


def random_condition():
    return AskedWhen(
        criteria=CHANCE.choice([None, random_criteria()]),
        perils=CHANCE.choice([frozenset(), frozenset({"hail"})]),
        stories_least=CHANCE.randrange(3),
    )


def random_shot(number):
    return Shot(
        id=f"shot_{number}",
        title=f"Shot {number}",
        for_each=CHANCE.choice(list(ForEach)),
        ways=tuple(random_way() for _ in range(CHANCE.randint(1, 2))),
        area=CHANCE.choice(list(Area)),
        only_when=tuple(random_condition() for _ in range(CHANCE.choice([0, 0, 1, 2]))),
        bounds=Bounds(
            after_loss=CHANCE.random() < 0.3,
            in_window=CHANCE.random() < 0.3,
            same_day=CHANCE.random() < 0.3,
        ),
        quality=QualityFloor(sharpness=CHANCE.choice([0.0, 20.0])),
    )


POOL = [random_photo(number) for number in range(500)]
SHOTS = [random_shot(number) for number in range(200)]


def photos(most=14):
    return st.lists(st.sampled_from(POOL), max_size=most, unique_by=lambda one: one.sha256)


def a_photo():
    return st.sampled_from(POOL)


def lists(*, shifting=True):
    """Any list of up to four shots, of which the second may have to follow the first."""
    pool = SHOTS if shifting else [shot for shot in SHOTS if not shot.bounds.in_window]
    return st.builds(
        as_list,
        st.lists(st.sampled_from(pool), min_size=1, max_size=4, unique_by=lambda s: s.id),
        st.booleans(),
    )


def as_list(shots, follow):
    if follow and len(shots) > 1:
        shots = [
            shots[0],
            replace(shots[1], bounds=replace(shots[1].bounds, after=shots[0].id)),
            *shots[2:],
        ]
    return ShotList(
        id="any",
        title="Any",
        basis="b",
        safety="s",
        shots=tuple(shots),
        structures=frozenset({"shed", "fence"}),
        plain=(("fence", "fence"), ("shed", "shed")),
    )


CLAIMS = st.builds(
    lambda stories, peril: replace(CLAIM, stories=stories, peril=peril),
    st.sampled_from([None, 1, 2]),
    st.sampled_from(["", "hail"]),
)
WAIVERS = st.lists(
    st.builds(
        Waiver,
        requirement=st.sampled_from([shot.id for shot in SHOTS[:50]]),
        by=st.just("Rhea"),
        why=st.just("w"),
        face=st.none() | st.sampled_from(Face),
    ),
    max_size=2,
)


def expected_keys(shots, report_keys):
    """Every place a shot is asked for, worked out from the list alone (structures from what was found)."""
    keys = set()
    for shot in shots.shots:
        if shot.for_each in {ForEach.ELEVATION, ForEach.SLOPE}:
            keys |= {(shot.id, face) for face in ("front", "right", "back", "left")}
        elif shot.for_each is ForEach.STRUCTURE:
            found = {key for key in report_keys if key[0] == shot.id}
            assert found
            assert found <= {(shot.id, "shed"), (shot.id, "fence")} or found == {(shot.id, "")}
            keys |= found
        else:
            keys.add((shot.id, ""))
    return keys


@given(lists(), photos(), CLAIMS, WAIVERS)
@settings(max_examples=80, deadline=None)
def test_every_requirement_comes_back_exactly_once(shots, taken, claim, waivers):
    report = check(shots, taken, claim, waivers=waivers)
    keys = [item.key for item in report.items]
    assert len(keys) == len(set(keys))
    assert set(keys) == expected_keys(shots, set(keys))
    for name in ("met", "guessed", "missing", "waived", "not_needed"):
        assert all(item.status == name for item in getattr(report, name))


@given(lists(), photos(), CLAIMS, st.randoms(use_true_random=False))
@settings(max_examples=80, deadline=None)
def test_the_order_in_which_photos_are_given_does_not_matter(shots, taken, claim, chance: random.Random):
    shuffled = list(taken)
    chance.shuffle(shuffled)
    assert check(shots, taken, claim) == check(shots, shuffled, claim)


@given(lists(shifting=False), photos(), a_photo(), CLAIMS)
@settings(max_examples=200, deadline=None)
def test_one_more_photo_never_turns_a_met_shot_into_a_missing_one(shots, taken, extra, claim):
    before, after = check(shots, taken, claim), check(shots, [*taken, extra], claim)
    assert {i.key for i in before.met} <= {i.key for i in after.met}
    good = {Status.MET, Status.GUESSED}
    filled = {i.key for i in before.items if i.status in good}
    assert filled <= {i.key for i in after.items if i.status in good}


@given(lists(), photos(), a_photo(), CLAIMS)
@settings(max_examples=80, deadline=None)
def test_with_a_set_inspection_its_bound_does_not_either(shots, taken, extra, claim):
    options = CheckOptions(window=(MORNING, MORNING + timedelta(days=1)))
    before = check(shots, taken, claim, options=options)
    after = check(shots, [*taken, extra], claim, options=options)
    assert {i.key for i in before.met} <= {i.key for i in after.met}


@given(lists(), photos(), CLAIMS)
@settings(max_examples=80, deadline=None)
def test_nothing_is_met_by_guesses(shots, taken, claim):
    def all_guessed(one):
        tags = {
            f: replace(v, source="fused", confidence=min(v.confidence, 0.99)) for f, v in one.tags.items()
        }
        return replace(one, tags=tags)

    report = check(shots, [all_guessed(one) for one in taken], claim)
    for item in report.met:
        shot = shots.shot(item.requirement)
        silent = [
            all(
                "unstated" in (allowed or {"unstated"})
                for allowed in (part.criteria.roles, part.criteria.components, part.criteria.conditions)
            )
            and part.criteria.count_least is None
            for way in shot.ways
            for part in way.parts
        ]
        assert any(silent), "only what asks for nothing stated can be met by photos that state nothing"
        assert item.face is None
        assert not item.structure


@given(lists(), photos(), CLAIMS)
@settings(max_examples=80, deadline=None)
def test_raising_the_level_for_guesses_never_fills_more(shots, taken, claim):
    plain = replace(shots, shots=tuple(replace(s, only_when=()) for s in shots.shots))
    filled = []
    for level in (0.4, 0.8, 0.95):
        report = check(plain, taken, claim, options=CheckOptions(guess_level=level))
        silent = [i for i in report.met if any("unstated" in str(w) for w in plain.shot(i.requirement).ways)]
        filled.append({i.key for i in (*report.met, *report.guessed)} - {i.key for i in silent})
    keys = {
        s.id
        for s in plain.shots
        if "unstated" not in str(s.ways) and s.for_each is not ForEach.STRUCTURE and not s.bounds.after
    }
    chosen = [{k for k in f if k[0] in keys} for f in filled]
    assert chosen[0] >= chosen[1] >= chosen[2]


@given(lists(), photos(), CLAIMS, WAIVERS)
@settings(max_examples=80, deadline=None)
def test_photos_named_are_the_claims_own_and_sheets_are_never_among_them(shots, taken, claim, waivers):
    report = check(shots, taken, claim, waivers=waivers)
    known = {one.sha256: one for one in taken}
    for item in report.items:
        named = [*item.photos, *item.guesses, *(c.photo for c in item.candidates)]
        assert len(named) == len(set(named))
        for sha in named:
            role = known[sha].tags.get(Facet.ROLE)
            assert role is None or role.value != "divider"
        assert item.why


@given(lists(), photos(), CLAIMS)
@settings(max_examples=80, deadline=None)
def test_the_list_to_shoot_has_all_that_is_missing_and_the_note_for_the_roof(shots, taken, claim):
    report = check(shots, taken, claim)
    result = still_to_shoot(report)
    assert sorted((line.requirement, line.face or line.structure or "") for line in result.lines) == sorted(
        item.key for item in report.missing
    )
    leads_up = any(line.area is Area.ROOF for line in result.lines)
    event(f"on the roof: {leads_up}")
    assert result.safety or not leads_up


@given(photos(most=30))
@example([])
@settings(max_examples=40, deadline=None)
def test_the_shipped_hail_list_holds_for_any_photos(taken):
    report = check(shipped("hail_roof"), taken, CLAIM)
    assert len(report.items) == 7 + 4 * 7
