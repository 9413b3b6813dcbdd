"""What is still to shoot: in walking order, and never a roof shot without the safety note."""

from __future__ import annotations

from dataclasses import replace

import pytest
from support_coverage import CLAIM, a_list, photo, shipped, whole_hail_roof

from evidence.coverage.check import check, still_to_shoot
from evidence.coverage.shots import Area
from evidence.settings import default_names

NAMES = [name.removesuffix(".toml") for name in default_names("required_shots")]
WITH_ROOF_SHOTS = {"exterior_water", "hail_roof", "wind_roof"}
"""Lists that ask for a shot on the roof."""


def todo(name, photos):
    return still_to_shoot(check(shipped(name), photos, CLAIM))


def test_nothing_is_left_to_shoot_of_a_complete_claim():
    result = todo("hail_roof", whole_hail_roof())
    assert result.lines == result.confirm == ()
    assert result.safety == ""


def test_the_list_goes_front_right_back_left_then_single_things_and_the_roof_last():
    lines = todo("hail_roof", []).lines
    places = [(line.area, line.face) for line in lines]
    assert list(dict.fromkeys(places)) == [
        ("outside", "front"),
        ("outside", "right"),
        ("outside", "back"),
        ("outside", "left"),
        ("outside", None),
        ("roof", "front"),
        ("roof", "right"),
        ("roof", "back"),
        ("roof", "left"),
        ("roof", None),
    ]
    assert lines[0].text == "Front elevation: whole elevation: 1 photo"
    assert lines[20].text == "A/C unit: 1 damage close-up or 1 no-damage proof"


@pytest.mark.parametrize("gone", range(len(whole_hail_roof())))
def test_no_roof_shot_is_listed_without_the_note(gone):
    photos = whole_hail_roof()
    del photos[gone]
    result = todo("hail_roof", photos)
    assert any(line.area is Area.ROOF for line in result.lines) == bool(result.safety)
    if result.safety:
        assert "only if it is safe" in result.safety


@pytest.mark.parametrize("name", NAMES)
def test_every_shipped_list_gives_its_note_for_the_roof(name):
    result = todo(name, [])
    leads_up = any(line.area is Area.ROOF for line in result.lines)
    assert leads_up == (name in WITH_ROOF_SHOTS)
    assert "roof" in result.safety or not leads_up


def test_a_list_without_roof_gives_its_note_for_everything():
    assert "electrician" in todo("interior_water", []).safety


def test_a_missing_note_is_replaced_by_the_programs_own():
    report = check(replace(shipped("hail_roof"), safety=""), [], CLAIM)
    assert "licensed roofer" in still_to_shoot(report).safety


def test_a_line_says_how_many_photos_there_are_already():
    photos = [photo(1, face="back", component="gutter", role="close_up", condition="damage")]
    lines = [line.text for line in todo("hail_roof", photos).lines]
    assert (
        "Back elevation: gutter: 2 damage close-ups or 1 no-damage proof (so far 1 of 2 damage close-ups)"
        in lines
    )


def test_what_is_guessed_is_to_confirm_and_not_to_shoot():
    shots = a_list('[[shot]]\nid = "it"\ntitle = "It"\nfacets = { component = "fence" }\n')
    result = still_to_shoot(check(shots, [photo(1, component="fence", guess=0.9)], CLAIM))
    assert result.lines == ()
    assert [line.text for line in result.confirm] == ["It: only with guesses: 1 photo to confirm"]
