"""Two stations on one PostgreSQL catalog, in processes of their own: nothing is lost, nothing is there twice."""

from __future__ import annotations

import random

import pytest
from support_cli import cli
from support_stations import card_of, go, require_whole, settle, two_stations

ROUNDS = 4
"""Kills, each in another quarter of an intake's statements."""


def test_two_stations_take_in_cards_of_one_day_at_once(tmp_path, postgres_url):
    world = two_stations(tmp_path, postgres_url)
    one = card_of(tmp_path / "card-1", "TC-1001", number=1)
    two = card_of(tmp_path / "card-2", "TC-1002", number=2, minutes=60)
    printed = go(world.begin(world.first, one), world.begin(world.second, two))
    assert [line.split()[:3] for line in printed] == [["4", "0", "0"]] * 2
    settle(world)
    found = require_whole(world, one, two)
    assert sorted(claim for claim, _ in found.values()) == ["TC-1001"] * 4 + ["TC-1002"] * 4
    listed = cli("station", "list", "--json", archive=world.second).data["stations"]
    assert [(s["name"], s["here"], s["reachable"], s["cards"]) for s in listed] == [
        ("first", False, True, 1), ("second", True, True, 1),
    ]  # fmt: skip


def test_two_stations_take_in_cards_of_one_claim_at_once(tmp_path, postgres_url):
    world = two_stations(tmp_path, postgres_url)
    one = card_of(tmp_path / "card-1", "TC-1001", number=1)
    two = card_of(tmp_path / "card-2", "TC-1001", number=2, minutes=3)
    go(world.begin(world.first, one), world.begin(world.second, two))
    settle(world)
    found = require_whole(world, one, two)
    assert {claim for claim, _ in found.values()} == {"TC-1001"}
    listed = cli("photos", "TC-1001", "--json", archive=world.second).data
    assert len(listed) == 8
    places = {}
    for archive in world.both:
        data = cli("target", "list", "--json", archive=archive).data
        places[archive] = ([one["name"] for one in data["places"]], data["originals"])
    assert sorted(places.values()) == [(["archive", "north"], 8), (["archive", "south"], 0)] or sorted(
        places.values()
    ) == [(["archive", "north"], 0), (["archive", "south"], 8)], "each lists its own places and bags"


@pytest.mark.timeout(600)
def test_a_station_killed_at_any_statement_and_run_again_loses_and_doubles_nothing(tmp_path, postgres_url):
    """Both stations take in cards of one claim on one day; one is killed meanwhile, and its card taken in again."""
    world = two_stations(tmp_path, postgres_url)
    cards = [card_of(tmp_path / "card-0", "TC-1001", number=9, scenes=1)]
    statements = world.take_in(world.first, cards[0])[3]
    chance = random.Random(20261126)
    for number in range(1, ROUNDS + 1):
        pair = [
            card_of(
                tmp_path / f"card-{number}-{place}",
                "TC-1001",
                number=2 * number + place,
                minutes=number,
                scenes=2,
            )
            for place in (0, 1)
        ]
        cards += pair
        step = chance.randrange(statements * (number - 1) // ROUNDS, statements * number // ROUNDS) + 1
        victim = number % 2
        running = [
            world.begin(archive, card, killed_at=step if place == victim else 0)
            for place, (archive, card) in enumerate(zip(world.both, pair, strict=True))
        ]
        go(*running, killed=True)
        assert running[victim].returncode == -9, f"step {step} was not reached"
        assert running[1 - victim].returncode == 0, "a killed station stopped the other one"
        world.take_in(world.both[victim], pair[victim])
    settle(world)
    found = require_whole(world, *cards)
    assert {claim for claim, _ in found.values()} == {"TC-1001"}


def test_the_same_card_at_both_stations_is_kept_once(tmp_path, postgres_url):
    world = two_stations(tmp_path, postgres_url)
    card = card_of(tmp_path / "card", "TC-1001", "TC-1002")
    go(world.begin(world.first, card), world.begin(world.second, card))
    settle(world)
    require_whole(world, card)
