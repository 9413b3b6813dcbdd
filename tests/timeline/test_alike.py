"""Which simulated houses nobody can tell apart: the rule of the report's own row (tests/bench/split_nameable.py)."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pytest
from support_timeline import at, house, place, sites

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
from day_simulator import SimDay
from split_nameable import visits_alike

A, B = "AX-1001", "BX-2002"


def two_houses(*, drive=6, sheet=None, spots=(None, None), plain=True) -> SimDay:
    """A sheeted house and one `drive` minutes later, with the pictures of a plain day or none that are."""
    photos = [
        *house(1, at(9), 20, claim=A, gps=spots[0]),
        *house(21, at(9, 5 + drive), 20, claim=sheet, gps=spots[1]),
    ]
    return SimDay(
        photos=tuple(photos if plain else [replace(p, scenes={"house": 1.0}) for p in photos]),
        claims=tuple(sites(A, B)),
        lists={},
        truth={p.sha256: A if i < 20 else B for i, p in enumerate(photos)},
        visit={p.sha256: int(i >= 20) for i, p in enumerate(photos)},
        true_time={p.sha256: (p.taken_local - at(0)).total_seconds() for p in photos},
        troubles=frozenset({"plain_days"} if plain else ()),
    )


def test_a_house_without_a_sheet_after_a_short_drive_on_a_plain_day_is_alike():
    assert visits_alike(two_houses()) == {1}


@pytest.mark.parametrize(
    "told",
    [
        {"drive": 30},
        {"sheet": B},
        {"spots": (place(0, 0), place(300, 0))},
        {"plain": False},
    ],
    ids=lambda told: next(iter(told)),
)
def test_a_drive_a_sheet_a_place_or_pictures_tell_it_from_the_other(told):
    assert visits_alike(two_houses(**told)) == set()


def test_two_houses_next_door_without_a_sheet_are_alike_whatever_lies_between():
    day = two_houses(drive=30, spots=(place(0, 0), place(30, 0)))
    bare = replace(day, photos=tuple(replace(p, dividers=()) for p in day.photos))
    assert visits_alike(bare) == {0, 1}
