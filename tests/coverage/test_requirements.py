"""The language of required-shot lists, and the messages about mistakes in it."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support_coverage import a_list, default_list_text, shipped, vocabulary

from evidence.coverage.requirements import explain, load_list
from evidence.coverage.shots import Area, ForEach
from evidence.errors import BadInputError
from evidence.model import Face
from evidence.settings import default_names
from evidence.tags.vocabulary import Zone

GOOD = """\
[list]
id = "mine"
title = "Mine"
safety = "Stay down when in doubt."

[quality]
sharpness = 20.0

[bounds]
after_loss = true

[[shot]]
id = "gutter"
title = "Gutter"
for_each = "elevation"
faces = ["front", "back"]
[[shot.any_of]]
title = "damage close-ups"
least = 2
facets = { component = "gutter", role = "close_up",  condition = "damage" }
[[shot.any_of]]
title = "no-damage proof"
facets = { component = "gutter", role = "no_damage_proof" }

[[shot]]
id = "square"
title = "Test square"
for_each = "slope"
only_when = [
  { component = "shingle" },
  { perils = ["hail"], stories_least = 2 },
]
after = "gutter"
sharpness = 5
[[shot.any_of]]
title = "hits"
[[shot.any_of.parts]]
title = "square"
facets = { role = "test_square", count_least = 1 }
[[shot.any_of.parts]]
title = "close-ups"
least = 3
facets = { role = "close_up", component = [
  "shingle",
  "unstated",
] }
"""


def load(text: str):
    return load_list(text, "mine.toml", vocabulary(), default_list_text)


def test_a_list_says_what_its_file_says():
    gutter, square = load(GOOD).shots
    assert gutter.for_each is ForEach.ELEVATION
    assert gutter.faces == (Face.FRONT, Face.BACK)
    assert [part.least for way in gutter.ways for part in way.parts] == [2, 1]
    assert gutter.ways[0].parts[0].criteria.components == {"gutter"}
    assert gutter.quality.sharpness == 20.0
    assert gutter.bounds.after_loss
    assert gutter.area is Area.OUTSIDE
    assert square.area is Area.ROOF
    assert square.quality.sharpness == 5
    assert square.bounds.after == "gutter"
    assert [part.least for part in square.ways[0].parts] == [1, 3]
    assert len(square.only_when) == 2


@pytest.mark.parametrize(
    ("old", "new", "line", "hint"),
    [
        pytest.param("[list]", "[lists]", 1, "'list'", id="table"),
        pytest.param('title = "Mine"', 'titel = "Mine"', 3, "'title'", id="key-of-list"),
        pytest.param("sharpness = 20.0", 'sharpness = "x"', 7, "number", id="quality"),
        pytest.param("after_loss = true", "after_los = true", 10, "'after_loss'", id="bound"),
        pytest.param("after_loss = true", "after_loss = 1", 10, "true or false", id="bound-value"),
        pytest.param('for_each = "elevation"', 'for_each = "elevatoin"', 15, "'elevation'", id="for-each"),
        pytest.param('"front", "back"', '"front", "rear"', 16, "one of", id="face"),
        pytest.param("least = 2\nfacets", "laest = 2\nfacets", 19, "'least'", id="key-of-way"),
        pytest.param("least = 2", "least = 0", 19, "at least 1", id="least"),
        pytest.param('component = "gutter", role = "close_up"', 'component = "guter", role = "close_up"', 20, "'gutter'", id="word"),
        pytest.param('component = "gutter", role = "no_', 'komponent = "gutter", role = "no_', 23, "'component'", id="facet"),
        pytest.param('role = "no_damage_proof"', 'role = "divider"', 23, "one of", id="sheets-prove-nothing"),
        pytest.param('{ component = "shingle" }', '{ component = "shingel" }', 30, "'shingle'", id="condition"),
        pytest.param('perils = ["hail"]', "perils = [3]", 31, "must be text", id="condition-value"),
        pytest.param('after = "gutter"', 'after = "guter"', 33, "'gutter'", id="after"),
        pytest.param('after = "gutter"', 'after = "square"', 33, "no other shot", id="after-itself"),
        pytest.param("count_least = 1", "count_least = 1, count_most = 0", 39, "Correct", id="no-count-possible"),
        pytest.param('  "unstated",', '  "unsated",', 45, "'unstated'", id="word-in-lines"),
        pytest.param('id = "square"', 'id = "gutter"', 26, "id of its own", id="same-id"),
        pytest.param('role = "test_square",', 'face = "front", role = "test_square",', 39, "Leave face out", id="face-twice"),
        pytest.param('[[shot.any_of]]\ntitle = "hits"\n', '[[shot.any_of]]\ntitle = "hits"\nleast = 2\nfacets = {}\n', 38, "one of the two", id="facets-and-parts"),
        pytest.param('safety = "Stay down when in doubt."', "", 1, "safety", id="roof-without-safety-note"),
        pytest.param('title = "Gutter"', "", 12, "'title'", id="no-title"),
        pytest.param('title = "Gutter"', "title = Gutter", 14, "not valid TOML", id="not-toml"),
        pytest.param('id = "mine"', 'id = "mine"\nbuilds_on = "hial_roof"', 3, "no list", id="unknown-base"),
        pytest.param('id = "mine"', 'id = "mine"\nbuilds_on = "exterior"\ndrop = ["elevatoin"]', 4, "'elevation'", id="unknown-drop"),
    ],
)  # fmt: skip
def test_a_mistake_is_named_with_its_line_and_the_nearest_right_word(old, new, line, hint):
    assert old in GOOD
    with pytest.raises(BadInputError) as caught:
        load(GOOD.replace(old, new, 1))
    assert re.search(rf"line {line}\b", caught.value.message)
    assert hint in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_list_that_asks_for_nothing_is_refused():
    with pytest.raises(BadInputError, match="asks for nothing"):
        load('[list]\nid = "mine"\n')


def test_a_list_builds_on_another_replaces_drops_and_adds():
    base = '[list]\nid = "base"\nbasis = "b"\n' + "".join(
        f'[[shot]]\nid = "{name}"\ntitle = "Base {name}"\nfacets = {{ component = "{name}" }}\n'
        for name in ("gutter", "siding", "screen")
    )
    mine = a_list(
        'builds_on = "base"\ndrop = ["siding"]\n'
        '[[shot]]\nid = "screen"\ntitle = "My screen"\nleast = 4\nfacets = { component = "screen" }\n'
        '[[shot]]\nid = "fence"\ntitle = "Fence"\nfacets = { component = "fence" }\n',
        bases={"base": base},
    )
    assert [(s.id, s.title) for s in mine.shots] == [
        ("gutter", "Base gutter"),
        ("screen", "My screen"),
        ("fence", "Fence"),
    ]
    assert mine.basis == "b"
    assert mine.builds_on == ("base",)


def test_lists_that_build_on_each_other_in_a_circle_are_refused():
    circle = {"a": '[list]\nid = "a"\nbuilds_on = "b"\n', "b": '[list]\nid = "b"\nbuilds_on = "mine"\n'}
    with pytest.raises(BadInputError, match="circle: mine -> a -> b -> mine"):
        a_list('builds_on = "a"\n', bases=circle)


def test_a_shot_that_another_must_follow_cannot_be_dropped():
    base = (
        '[list]\nid = "base"\nsafety = "s"\n'
        '[[shot]]\nid = "far"\ntitle = "Far"\nfacets = { role = "overview" }\n'
        '[[shot]]\nid = "near"\ntitle = "Near"\nafter = "far"\nfacets = { role = "close_up" }\n'
    )
    with pytest.raises(BadInputError, match="comes after 'far'"):
        a_list('builds_on = "base"\ndrop = ["far"]\n', bases={"base": base})


SHIPPED = [name.removesuffix(".toml") for name in default_names("required_shots")]


def test_every_list_there_should_be_is_shipped():
    assert set(SHIPPED) >= {
        "hail_roof",
        "wind_roof",
        "exterior_water",
        "interior_water",
        "fire_contents",
        "total_loss",
        "small_claim",
    }


@pytest.mark.parametrize("name", SHIPPED)
def test_a_shipped_list_is_sound_and_says_what_it_rests_on(name):
    shots = shipped(name)
    assert shots.id == name
    assert shots.basis == "common practice; the carrier's guideline rules"
    if any(shot.area is Area.ROOF for shot in shots.shots):
        assert "roof" in shots.safety
        assert "local codes" in shots.safety


@pytest.mark.parametrize("name", SHIPPED)
def test_roof_components_are_never_asked_for_without_saying_that_it_is_on_the_roof(name):
    """But for shots that a list declares to be taken from the ground, which say so in their title or are openings."""
    zones = {word.id: word.zone for word in vocabulary().words}
    for shot in shipped(name).shots:
        components = {c for way in shot.ways for part in way.parts for c in part.criteria.components or ()}
        on_roof = {c for c in components if zones.get(c) is Zone.ROOF}
        if on_roof and shot.area is not Area.ROOF:
            assert "ground" in shot.title or on_roof <= {"skylight"}, shot.id


@pytest.mark.parametrize("name", SHIPPED)
def test_an_explanation_names_every_shot_in_plain_english(name):
    shots = shipped(name)
    text = explain(shots)
    assert text.endswith("\n")
    for shot in shots.shots:
        assert shot.title in text
    for raw in ("_", "None", "frozenset", "{"):
        assert raw not in text.replace(shots.id, "").replace(" ".join(shots.builds_on), "")


def test_an_explanation_reads_as_a_sentence_would():
    text = explain(load(GOOD))
    assert "For each elevation:\n  Gutter\n      2 damage close-ups [gutter, close-up, damage]\n" in text
    assert "or 1 no-damage proof [gutter, no-damage proof]" in text
    assert "only on: front, back" in text
    assert "1 square [test square, with a count of 1 or more] and 3 close-ups" in text
    assert (
        "only when some photo shows shingle or when the peril is hail and the house has 2 or more storeys"
        in text
    )
    assert "taken after: Gutter" in text
    assert "Every photo: taken on or after the date of loss." in text
    assert "Safety: Stay down when in doubt." in text


@given(st.data())
def test_a_list_with_anything_replaced_is_read_or_refused_with_a_line(data):
    start = data.draw(st.integers(0, len(GOOD)))
    end = data.draw(st.integers(start, min(len(GOOD), start + 30)))
    words = st.sampled_from(["", "[]", "{}", "-1", "true", '"gutter"', "[[shot]]\n", "\n", "nan"])
    text = GOOD[:start] + data.draw(words | st.text(max_size=10)) + GOOD[end:]
    said = "line 1"
    try:
        load(text)
    except BadInputError as problem:
        said = problem.message
    assert 1 <= int(re.search(r"line (\d+)", said)[1]) <= text.count("\n") + 1
