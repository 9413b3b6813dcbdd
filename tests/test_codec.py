"""Every shared value goes to JSON and comes back equal: the catalog and the bags rest on it."""

from __future__ import annotations

import dataclasses
import json
import subprocess
import sys
import types
import typing
from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta, timezone
from enum import Enum

import pytest
import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st
from support_recorded import RECORDED, VALUES

from evidence import model
from evidence.codec import CodecError, from_json, to_json

DATACLASSES = sorted(
    (v for v in vars(model).values() if isinstance(v, type) and dataclasses.is_dataclass(v)),
    key=lambda cls: cls.__name__,
)

OFFSETS = st.integers(-24 * 60 + 1, 24 * 60 - 1).map(lambda m: timezone(timedelta(minutes=m)))
SCALARS = {
    str: st.text(),
    bool: st.booleans(),
    int: st.integers(),
    float: st.floats(allow_nan=False, allow_infinity=False),
    bytes: st.binary(max_size=80),
    date: st.dates(),
    datetime: st.datetimes() | st.datetimes(timezones=OFFSETS | st.just(UTC)),
}


def values_of(hint):
    """A strategy for any type the shared values use, written apart from the codec on purpose."""
    if isinstance(hint, typing.NewType):
        return values_of(hint.__supertype__)
    origin, args = typing.get_origin(hint), typing.get_args(hint)
    if origin in (typing.Union, types.UnionType):
        return st.one_of(*(st.none() if arm is types.NoneType else values_of(arm) for arm in args))
    if origin is tuple:
        return st.lists(values_of(args[0]), max_size=3).map(tuple)
    if origin is Mapping:
        return st.dictionaries(values_of(args[0]), values_of(args[1]), max_size=3)
    if dataclasses.is_dataclass(hint):
        hints = typing.get_type_hints(hint)
        return st.builds(
            hint,
            **{f.name: st.deferred(lambda h=hints[f.name]: values_of(h)) for f in dataclasses.fields(hint)},
        )
    if issubclass(hint, Enum):
        return st.sampled_from(list(hint))
    return SCALARS[hint]


@pytest.mark.parametrize("cls", DATACLASSES, ids=lambda cls: cls.__name__)
def test_every_shared_value_survives_the_trip_through_json_text(cls):
    @settings(max_examples=30, deadline=None)
    @given(values_of(cls))
    def trip(value):
        assert from_json(cls, json.loads(json.dumps(to_json(value), allow_nan=False))) == value

    trip()


@given(st.datetimes(), OFFSETS)
def test_a_naive_time_stays_naive_and_an_aware_one_keeps_its_own_offset(naive, zone):
    facts = model.CameraFacts(taken_local=naive, gps_time=naive.replace(tzinfo=zone))
    back = from_json(model.CameraFacts, json.loads(json.dumps(to_json(facts))))
    assert back.taken_local.tzinfo is None
    assert back.taken_local == naive
    assert back.taken_local.microsecond == naive.microsecond
    assert back.gps_time.utcoffset() == zone.utcoffset(None)


def test_types_come_back_as_the_types_they_were():
    look = model.Look(
        scenes={model.SceneKind.ROOF: 1.0},
        embedding=b"\x00\xff",
        dividers=(model.DividerMark(claim="K-1", code_area=0.5),),
    )
    back = from_json(model.Look, to_json(look))
    assert isinstance(next(iter(back.scenes)), model.SceneKind)
    assert isinstance(back.embedding, bytes)
    assert isinstance(back.dividers, tuple)
    assert isinstance(back.dividers[0], model.DividerMark)


def test_canonical_json_that_drops_the_point_of_a_whole_number_still_gives_a_float():
    """RFC 8785 section 3.2.2.3 writes 1.0 as 1."""
    point = model.GeoPoint(lat=1.0, lon=-97.5)
    text = rfc8785.dumps(to_json(point))
    assert b'"lat":1,' in text
    back = from_json(model.GeoPoint, json.loads(text))
    assert type(back.lat) is float


def test_what_an_older_program_wrote_takes_the_defaults_for_newer_fields():
    assert from_json(model.Look, {}) == model.Look()
    assert from_json(model.Claim, {"claim": "A1"}) == model.Claim(claim=model.ClaimId("A1"))


@pytest.mark.parametrize(
    ("cls", "data", "says"),
    [
        pytest.param(model.Claim, {}, "claim: this field is missing", id="a needed field is absent"),
        pytest.param(
            model.Claim, {"claim": "A", "colour": 1}, "colour: no such field", id="an unknown field"
        ),
        pytest.param(
            model.Claim, {"claim": 7}, "claim: 7: Input should be a valid string", id="a number for text"
        ),
        pytest.param(
            model.Claim,
            {"claim": "A", "stories": True},
            "stories: True: Input should be a valid integer",
            id="a boolean for a number",
        ),
        pytest.param(
            model.Claim,
            {"claim": "A", "loss_date": "2026-02-30"},
            "loss_date: '2026-02-30': Input should be a valid date",
            id="no such day",
        ),
        pytest.param(
            model.Claim,
            {"claim": "A", "place": {"lat": 1, "lon": "x"}},
            "place: lon: 'x': Input should be a valid number",
            id="deep in",
        ),
        pytest.param(
            model.Look,
            {"flags": [{"code": "a", "message": "b"}, 3]},
            "flags: 1: 3: Input should be an object",
            id="in a list",
        ),
        pytest.param(
            model.Look,
            {"scenes": {"castle": 1}},
            "scenes: castle: [key]: 'castle': Input should be 'house'",
            id="an unknown word",
        ),
        pytest.param(
            model.Look, {"embedding": "%%"}, "embedding: '%%': Data should be valid base64", id="not base64"
        ),
        pytest.param(model.Look, [], "[]: Input should be an object", id="a list for an object"),
    ],
)
def test_data_that_does_not_fit_is_refused_with_the_path_of_the_field(cls, data, says):
    with pytest.raises(CodecError) as caught:
        from_json(cls, data)
    assert says in str(caught.value)


@pytest.mark.parametrize("number", [float("nan"), float("inf"), float("-inf")])
def test_numbers_that_json_lacks_are_refused_when_writing(number):
    with pytest.raises(CodecError):
        to_json(model.GeoPoint(lat=number, lon=0.0))


@pytest.mark.parametrize("value", [object(), {(1, 2): 3}, 1j])
def test_a_value_that_json_has_no_form_for_is_refused(value):
    with pytest.raises(CodecError):
        to_json(value)


# --- what older programs wrote -----------------------------------------------------------


def recorded() -> dict:
    return json.loads(RECORDED.read_text(encoding="utf-8"))


def text(data) -> str:
    return json.dumps(data, ensure_ascii=False, indent=1)


@pytest.mark.parametrize("name", VALUES)
def test_what_is_written_is_byte_for_byte_what_was_recorded(name):
    """Key order counts: a changed form would rewrite the records of every bag."""
    assert text(to_json(VALUES[name])) == text(recorded()[name])


@pytest.mark.parametrize("name", VALUES)
def test_what_was_recorded_is_read_as_the_same_value(name):
    back = from_json(type(VALUES[name]), recorded()[name])
    assert back == VALUES[name]
    assert text(to_json(back)) == text(recorded()[name])


def test_both_alphabets_of_base64_are_told_from_text_that_is_neither():
    """RFC 4648, section 4 (what is written) and section 5."""
    assert to_json(b"\xfb\xff") == "+/8="
    assert from_json(bytes, "+/8=") == from_json(bytes, "-_8=") == b"\xfb\xff"
    with pytest.raises(CodecError):
        from_json(bytes, "+/8=\n")


@pytest.mark.parametrize(
    "change",
    [{"order": "3"}, {"order": True}, {"order": 3.0}, {"claim_confidence": float("nan")}, {"to_confirm": 1}],
    ids=str,
)
def test_no_value_is_bent_into_the_type_of_its_field(change):
    with pytest.raises(CodecError, match=next(iter(change))):
        from_json(model.PhotoRecord, recorded()["record"] | change)


def test_importing_the_codec_loads_no_validator():
    code = "import sys, evidence.codec; sys.exit('pydantic' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False, timeout=60).returncode == 0
