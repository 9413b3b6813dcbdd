"""Which photos meet a required shot, which are only guesses, and what is missing."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from support_coverage import (
    CLAIM,
    MORNING,
    SHARP,
    a_bit_off,
    a_list,
    found,
    gutter_shots,
    own_hash,
    photo,
    shipped,
    whole_hail_roof,
)

from evidence.coverage.check import CheckOptions, Waiver, check
from evidence.model import DividerMark, Face, Look, MediaKind

GUTTER = gutter_shots()
HIT = {"component": "gutter", "role": "close_up", "condition": "damage"}
PROOF = {"component": "gutter", "role": "no_damage_proof"}


def by_key(report):
    return {item.key: item for item in report.items}


def front(shots, photos, claim=CLAIM, **more):
    """The item of the front, or of what is asked once."""
    items = by_key(check(shots, photos, claim, **more))
    first = shots.shots[-1].id
    return items.get((first, "front")) or items[first, ""]


def once(facets: str, extra: str = "", least: int = 1):
    return a_list(f'[[shot]]\nid = "it"\ntitle = "It"\nleast = {least}\nfacets = {{ {facets} }}\n{extra}')


def test_a_claim_shot_by_the_list_is_complete():
    report = check(shipped("hail_roof"), whole_hail_roof(), CLAIM)
    assert report.missing == report.guessed == report.waived == ()
    assert report.complete
    assert report.flags == ()


@pytest.mark.parametrize("gone", range(len(whole_hail_roof())))
def test_leaving_out_any_photo_misses_just_the_shot_that_it_was_for(gone):
    photos = whole_hail_roof()
    lost = photos.pop(gone)
    report = check(shipped("hail_roof"), photos, CLAIM)
    whole = check(shipped("hail_roof"), whole_hail_roof(), CLAIM)
    used_for = {item.key for item in whole.met if lost.sha256 in item.photos}
    assert used_for
    either = used_for == {("layers", "")}  # layers and drip edge stand for each other
    assert {item.key for item in report.missing} == (set() if either else used_for)


def test_an_empty_claim_misses_everything_that_is_asked_for():
    report = check(shipped("hail_roof"), [], CLAIM)
    assert report.met == report.guessed == ()
    assert {item.why for item in report.missing} == {"no photo shows it"}


def test_either_way_satisfies_and_half_of_one_does_not():
    assert front(GUTTER, [photo(1, face="front", **PROOF)]).status == "met"
    assert front(GUTTER, [photo(1, face="front", **HIT), photo(2, face="front", **HIT)]).status == "met"
    half = front(GUTTER, [photo(1, face="front", **HIT)])
    assert (half.status, half.why) == ("missing", "1 of 2 damage close-ups")
    assert len(half.photos) == 1


def test_a_face_is_not_satisfied_by_another_face():
    items = by_key(check(GUTTER, [photo(1, face="left", **PROOF)], CLAIM))
    assert {face: items["gutter", face].status for face in ("front", "right", "back", "left")} == {
        "front": "missing",
        "right": "missing",
        "back": "missing",
        "left": "met",
    }


def test_guesses_never_meet_but_strong_ones_may_fill():
    assert front(GUTTER, [photo(1, face="front", guess=0.85, **PROOF)]).status == "guessed"
    assert front(GUTTER, [photo(1, face="front", guess=0.79, **PROOF)]).status == "missing"
    assert (
        front(
            GUTTER,
            [photo(1, face="front", guess=0.79, **PROOF)],
            options=CheckOptions(guess_level=0.7),
        ).status
        == "guessed"
    )


def test_a_guess_at_the_level_itself_is_strong_enough():
    assert front(GUTTER, [photo(1, face="front", guess=0.8, **PROOF)]).status == "guessed"


def test_a_guessed_count_makes_the_photo_a_guess():
    shots = once('role = "test_square", count_least = 1')
    square = photo(1, role="test_square")
    guessed = replace(square, tags={**square.tags, **photo(1, count="4", guess=0.9).tags})
    assert front(shots, [guessed]).status == "guessed"


def test_a_picture_at_the_floors_themselves_counts():
    shots = once('component = "gutter"', "sharpness = 20\npixels = 307_200\n")
    least = replace(SHARP, sharpness=20.0, width=640, height=480)
    assert front(shots, [photo(1, component="gutter", quality=least)]).status == "met"


def test_one_guessed_facet_makes_the_photo_a_guess():
    stated, guessed = photo(1, face="front", **PROOF), photo(1, face="front", guess=0.99, **PROOF)
    for facet in stated.tags:
        mixed = replace(stated, tags={**stated.tags, facet: guessed.tags[facet]})
        item = front(GUTTER, [mixed])
        assert (item.status, item.photos, item.guesses) == ("guessed", (), (mixed.sha256,))


def test_stated_and_guessed_photos_together_are_only_a_guess():
    photos = [photo(1, face="front", **HIT), photo(2, face="front", guess=0.95, **HIT)]
    item = front(GUTTER, photos)
    assert item.status == "guessed"
    assert item.photos == (photos[0].sha256,)
    assert item.guesses == (photos[1].sha256,)


def test_nearly_equal_pictures_count_once():
    first = own_hash(1)
    burst = [photo(n, face="front", phash=a_bit_off(first, *range(n - 1)), **HIT) for n in (1, 2, 3)]
    item = front(GUTTER, burst)
    assert item.status == "missing"
    assert "1 of 2 damage close-ups from 3 photos, some nearly alike" in item.why
    assert front(GUTTER, burst, options=CheckOptions(double_bits=0)).status == "met"
    assert front(GUTTER, [*burst, photo(9, face="front", **HIT)]).status == "met"


@pytest.mark.parametrize(("apart", "status"), [(6, "missing"), (7, "met")])
def test_pictures_are_distinct_beyond_the_set_number_of_bits(apart, status):
    two = [
        photo(1, face="front", **HIT),
        photo(2, face="front", phash=a_bit_off(own_hash(1), *range(apart)), **HIT),
    ]
    assert front(GUTTER, two).status == status


def test_the_ends_of_a_chain_of_near_pictures_are_distinct():
    start = own_hash(1)
    chain = [photo(n, face="front", phash=a_bit_off(start, *range(5 * n)), **HIT) for n in range(3)]
    assert front(GUTTER, chain).status == "met"
    assert front(GUTTER, chain[:2]).status == "missing"


@pytest.mark.parametrize(
    "spoilt",
    [
        pytest.param({"quality": replace(SHARP, sharpness=19.0)}, id="blurred"),
        pytest.param({"quality": replace(SHARP, width=640, height=480)}, id="small"),
        pytest.param({"quality": None}, id="never-looked-at"),
        pytest.param({"facts": {"flags": (found("truncated"),)}}, id="truncated"),
        pytest.param({"look_flags": (found("unreadable_image"),)}, id="unreadable"),
        pytest.param({"kind": MediaKind.VIDEO}, id="video"),
        pytest.param({"role": "divider"}, id="divider"),
        pytest.param({"role": "label"}, id="label"),
    ],
)
def test_a_picture_that_proves_nothing_does_not_count(spoilt):
    shots = once('component = "gutter"', "sharpness = 20\npixels = 500_000\n")
    assert front(shots, [photo(1, component="gutter")]).status == "met"
    assert front(shots, [photo(1, component="gutter", **spoilt)]).status == "missing"


def test_a_sheet_in_the_picture_does_not_count_unless_a_person_says_what_it_is():
    sheet = photo(1, component="gutter")
    look = replace(sheet.look, dividers=(DividerMark(claim=CLAIM.claim, code_area=0.2),))
    assert front(once('component = "gutter"'), [replace(sheet, look=look)]).status == "missing"
    told = replace(photo(1, component="gutter", role="overview"), look=look)
    assert front(once('component = "gutter"'), [told]).status == "met"


@pytest.mark.parametrize(
    ("facets", "counts"),
    [
        ('count = "stated"', {"0": True, "3": True, "8": True, None: False}),
        ("count_least = 1", {"0": False, "3": True, "8": True, None: False}),
        ("count_most = 0", {"0": True, "3": False, "8": False, None: False}),
        ("count_least = 2, count_most = 7", {"0": False, "3": True, "8": False, None: False}),
    ],
)
def test_counts_are_compared_as_numbers(facets, counts):
    shots = once(f'role = "test_square", {facets}')
    for count, meets in counts.items():
        words = {} if count is None else {"count": count}
        item = front(shots, [photo(1, role="test_square", **words)])
        assert (item.status == "met") == meets, count


def test_unstated_allows_no_value_and_weak_guesses_but_no_other_value():
    shots = once('role = "close_up", component = ["shingle", "unstated"]')
    plain = photo(1, role="close_up")
    assert front(shots, [plain]).status == "met"
    weak = replace(plain, tags={**plain.tags, **photo(1, guess=0.5, component="gutter").tags})
    assert front(shots, [weak]).status == "met"
    assert front(shots, [photo(1, role="close_up", component="gutter")]).status == "missing"


def test_a_group_and_a_zone_stand_for_their_components():
    shots = once('group = "soft_metal"')
    assert front(shots, [photo(1, component="downspout")]).status == "met"
    assert front(shots, [photo(1, component="siding")]).status == "missing"
    assert front(once('zone = "inside"'), [photo(1, component="kitchen")]).status == "met"


# --- conditions --------------------------------------------------------------------------


def test_a_condition_asks_on_the_face_where_it_holds_and_nowhere_else():
    shots = a_list("""
[[shot]]
id = "hits"
title = "Hits"
for_each = "slope"
only_when = { role = "test_square", count_least = 1 }
facets = { role = "close_up" }
""")
    squares = [
        photo(1, face="front", role="test_square", count="4"),
        photo(2, face="back", role="test_square", count="0"),
    ]
    items = by_key(check(shots, squares, CLAIM))
    assert items["hits", "front"].status == "missing"
    assert items["hits", "back"].status == "not_needed"
    assert "test square, with a count of 1 or more" in items["hits", "back"].why


def test_a_condition_that_names_a_face_looks_at_that_face_from_everywhere():
    shots = a_list("""
[[shot]]
id = "hits"
title = "Hits"
for_each = "slope"
only_when = { face = "front", role = "test_square" }
facets = { role = "close_up" }
""")
    report = check(shots, [photo(1, face="front", role="test_square")], CLAIM)
    assert len(report.missing) == 4


def test_a_strong_guess_is_enough_to_ask_for_a_shot():
    shots = once('component = "shingle_gauge"', 'only_when = { component = "shingle" }\n')
    assert front(shots, []).status == "not_needed"
    assert front(shots, [photo(1, component="shingle", guess=0.5)]).status == "not_needed"
    assert front(shots, [photo(1, component="shingle", guess=0.9)]).status == "missing"


def test_conditions_of_the_claim_itself():
    shots = once(
        'component = "fence"',
        'only_when = [{ perils = ["Wind"] }, { perils = ["hail"], stories_least = 2 }]\n',
    )
    for peril, stories, status in [
        (" WIND ", None, "missing"),
        ("hail", 1, "not_needed"),
        ("hail", None, "not_needed"),
        ("hail", 2, "missing"),
    ]:
        assert front(shots, [], replace(CLAIM, peril=peril, stories=stories)).status == status


def test_one_storey_or_two_changes_nothing_that_the_list_does_not_say():
    for photos in ([], whole_hail_roof()):
        reports = [
            check(shipped("hail_roof"), photos, replace(CLAIM, stories=n)) for n in (None, 0, 1, 2, 30)
        ]
        assert all(report == reports[0] for report in reports)


def test_a_shot_of_each_storey_needs_its_number_for_every_storey():
    shots = a_list(
        '[[shot]]\nid = "rooms"\ntitle = "Rooms"\nfor_each = "storey"\nleast = 2\nfacets = { group = "room" }\n'
    )
    rooms = [photo(n, component="kitchen") for n in range(4)]
    for stories, shown, status in [(1, 2, "met"), (2, 3, "missing"), (2, 4, "met"), (None, 2, "met")]:
        item = front(shots, rooms[:shown], replace(CLAIM, stories=stories))
        assert item.status == status
    assert "not known" in front(shots, rooms, replace(CLAIM, stories=None)).why
    assert front(shots, rooms, replace(CLAIM, stories=3)).asked == "for each of 3 storeys: 2 photos"


def test_a_structure_is_asked_for_when_a_photo_shows_one():
    shots = a_list(
        '[[shot]]\nid = "whole"\ntitle = "Whole"\nfor_each = "structure"\nfacets = { role = "overview" }\n'
    )
    assert [i.key for i in check(shots, [], CLAIM).not_needed] == [("whole", "")]
    photos = [photo(1, component="shed", role="close_up"), photo(2, component="fence", role="overview")]
    report = check(shots, photos, CLAIM)
    assert [i.key for i in report.missing] == [("whole", "shed")]
    assert [i.key for i in report.met] == [("whole", "fence")]


def test_a_shot_is_asked_for_only_on_slopes_that_the_roof_has():
    options = CheckOptions(slopes=(Face.FRONT, Face.BACK))
    report = check(shipped("hail_roof"), [], CLAIM, options=options)
    assert {i.face for i in report.missing if i.requirement == "slope"} == {Face.FRONT, Face.BACK}
    assert {i.face for i in report.missing if i.requirement == "gutter"} == set(Face) - {Face.NONE}
    row = CheckOptions(elevations=(Face.FRONT, Face.BACK))  # a house in a row has two sides
    report = check(shipped("hail_roof"), [], CLAIM, options=row)
    assert {i.face for i in report.missing if i.requirement == "gutter"} == {Face.FRONT, Face.BACK}


# --- bounds ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("taken", "status"),
    [(date(2026, 4, 27), "missing"), (date(2026, 4, 28), "met"), (date(2026, 5, 14), "met")],
)
def test_a_photo_from_before_the_loss_does_not_count_where_the_list_says_so(taken, status):
    at = MORNING.replace(month=taken.month, day=taken.day)
    one = photo(1, at=at, component="gutter")
    assert front(once('component = "gutter"', "after_loss = true\n"), [one]).status == status
    assert front(once('component = "gutter"'), [one]).status == "met"
    unknown = replace(CLAIM, loss_date=None)
    assert front(once('component = "gutter"', "after_loss = true\n"), [one], unknown).status == "met"


def test_a_photo_without_a_time_keeps_no_bound_of_time():
    one = photo(1, component="gutter", facts={"taken_local": None})
    for bound in ("after_loss = true\n", "in_window = true\n", "same_day = true\n"):
        others = [photo(n, role="other") for n in (2, 3)]
        assert front(once('component = "gutter"', bound), [one, *others]).status == "missing"
    corrected = replace(one, corrected=MORNING, correction="GPS")
    assert front(once('component = "gutter"', "after_loss = true\n"), [corrected]).status == "met"


def test_the_inspection_is_the_day_of_most_photos_or_what_is_given():
    day = [photo(n, role="other") for n in range(3)]
    later = photo(9, component="gutter", at=MORNING + timedelta(days=2))
    shots = once('component = "gutter"', "in_window = true\n")
    assert front(shots, [*day, later]).status == "missing"
    window = (MORNING, MORNING + timedelta(days=3))
    assert front(shots, [*day, later], options=CheckOptions(window=window)).status == "met"


def test_shots_of_the_same_day_do_not_add_up_over_two():
    shots = once('component = "gutter"', "same_day = true\n", least=2)
    monday, tuesday = (
        [photo(10 * d + n, component="gutter", at=MORNING + timedelta(days=d, minutes=n)) for n in range(2)]
        for d in range(2)
    )
    assert front(shots, [monday[0], tuesday[0]]).status == "missing"
    assert front(shots, [monday[0], *tuesday]).status == "met"


def test_a_shot_that_must_follow_another_does():
    shots = a_list(
        '[[shot]]\nid = "far"\ntitle = "Far"\nfor_each = "elevation"\nfacets = { role = "elevation" }\n'
        '[[shot]]\nid = "near"\ntitle = "Near"\nfor_each = "elevation"\nafter = "far"\nfacets = { role = "close_up" }\n'
    )
    far, near = photo(1, face="front", role="elevation"), photo(2, face="front", role="close_up")
    assert front(shots, [far, near]).status == "met"
    assert front(shots, [replace(far, order=5), near]).status == "missing"
    assert front(shots, [photo(1, face="left", role="elevation"), near]).status == "missing"


# --- waivers -----------------------------------------------------------------------------


def test_a_waiver_takes_out_its_face_and_names_its_person():
    waiver = Waiver(requirement="gutter", face=Face.FRONT, by="Rhea Oster", why="no gutter on this side")
    items = by_key(check(GUTTER, [], CLAIM, waivers=[waiver]))
    assert items["gutter", "front"].status == "waived"
    assert items["gutter", "front"].why == "waived by Rhea Oster: no gutter on this side"
    assert items["gutter", "back"].status == "missing"
    everywhere = replace(waiver, face=None)
    assert len(check(GUTTER, [], CLAIM, waivers=[everywhere]).waived) == 4
    other = replace(waiver, requirement="siding")
    assert check(GUTTER, [], CLAIM, waivers=[other]).waived == ()


def test_a_structure_is_waived_by_its_own_name():
    shots = a_list(
        '[[shot]]\nid = "whole"\ntitle = "Whole"\nfor_each = "structure"\nfacets = { role = "overview" }\n'
    )
    photos = [photo(1, component="shed"), photo(2, component="fence")]
    waiver = Waiver(requirement="whole", structure="shed", by="Rhea Oster", why="not insured")
    report = check(shots, photos, CLAIM, waivers=[waiver])
    assert [i.structure for i in report.waived] == ["shed"]
    assert [i.structure for i in report.missing] == ["fence"]


def test_what_is_met_stays_met_under_a_waiver_and_a_guess_does_not_replace_one():
    waiver = Waiver(requirement="gutter", by="Rhea Oster", why="none there")
    assert front(GUTTER, [photo(1, face="front", **PROOF)], waivers=[waiver]).status == "met"
    guess = photo(1, face="front", guess=0.95, **PROOF)
    assert front(GUTTER, [guess], waivers=[waiver]).status == "waived"


# --- candidates --------------------------------------------------------------------------


def test_what_is_missing_names_the_nearest_photos_and_what_they_lack():
    photos = [
        photo(1, component="gutter", role="no_damage_proof"),
        photo(
            2, face="front", component="gutter", role="no_damage_proof", quality=replace(SHARP, sharpness=3)
        ),
        photo(3, face="front", component="gutter"),
        photo(4, face="back", **PROOF),
        photo(5, face="front", component="siding", role="no_damage_proof"),
        photo(6, role="other"),
    ]
    shots = a_list(
        '[[shot]]\nid = "gutter"\ntitle = "Gutter"\nfor_each = "elevation"\nsharpness = 20\n'
        'facets = { component = "gutter", role = "no_damage_proof" }\n'
    )
    item = front(shots, photos)
    assert [(c.photo, c.lacks) for c in item.candidates] == [
        (photos[1].sha256, ("too blurred (sharpness 3, 20 needed)",)),
        (photos[0].sha256, ("its face is not stated",)),
        (photos[2].sha256, ("its role is not stated",)),
    ]


def test_a_photo_that_states_another_face_or_component_is_no_candidate():
    others = [
        photo(1, face="back", **PROOF),
        photo(2, face="front", component="siding", role="no_damage_proof"),
    ]
    assert front(GUTTER, others).candidates == ()
    guessed = [photo(1, face="back", guess=0.9, **PROOF)]
    assert front(GUTTER, guessed).candidates[0].lacks == ("its face is back",)


def test_a_weak_guess_is_a_candidate_and_says_how_weak():
    item = front(GUTTER, [photo(1, face="front", component="gutter", role="close_up", guess=0.55)])
    assert item.candidates == ()  # every facet is a weak guess: nothing is stated
    half = photo(1, face="front", component="gutter")
    half = replace(half, tags={**half.tags, **photo(1, role="no_damage_proof", guess=0.55).tags})
    assert front(GUTTER, [half]).candidates[0].lacks == (
        "its role is only a weak guess (no damage proof, 55%)",
    )


def test_photos_of_another_look_without_quality_are_handled():
    bare = replace(photo(1, component="gutter"), look=Look())
    assert front(once('component = "gutter"'), [bare]).candidates[0].lacks == (
        "the photo could not be analysed",
    )
