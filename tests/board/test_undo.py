"""Undo: the command line and the board undo the same corrections, and refuse the same with the same message."""

from __future__ import annotations

import pytest
from support_cli import cli
from support_intake import where

from evidence.catalog.users import Duty
from evidence.workspace import Workspace

SEVEN = "TEST0007.JPG"
PAIRS = [
    pytest.param(["move", SEVEN, "--to", "TC-1001"], ["move", SEVEN, "--to", "TC-1003"], id="move, move"),
    pytest.param(["move", SEVEN, "--to", "TC-1001"], ["name", SEVEN, "TC-1001"], id="move, name"),
    pytest.param(["name", SEVEN, "TC-1003"], ["move", "TEST0008.JPG", "--to", "TC-1001"], id="name, move"),
    pytest.param(["cut", SEVEN], ["join", SEVEN], id="cut, join"),
]


@pytest.fixture
def workspace(houses):
    """Two houses taken in from a card, with their photos: what the board shows in these tests."""
    with Workspace(houses, actor="office clerk") as opened:
        yield opened


def correction(archive, actor, *arguments):
    """The number of a correction made on the command line."""
    made = cli(*arguments, "--json", archive=archive, actor=actor)
    assert made.status == 0, made.err
    return made.data["decision"]


def undone_on_the_board(client, number):
    """What the next page says after a press of 'Undo'."""
    client.post("/do/undo", data={"token": client.token, "number": number, "back": "/"})
    return client.get("/").text


@pytest.mark.parametrize(("first", "second"), PAIRS)
def test_a_correction_changed_later_by_somebody_else_is_refused_alike_and_says_whose(
    houses, logged_in, first, second
):
    before = where(houses)
    lower = correction(houses, "Adam", *first)
    upper = correction(houses, "Rita", *second)
    corrected = where(houses)
    refused = cli("undo", lower, archive=houses, actor="Adam")
    assert refused.status == 2
    assert refused.err.count("\n") == 1
    message = f"Rita has corrected the same since (correction {upper})."
    assert message in refused.err
    assert message in undone_on_the_board(logged_in("Adam", Duty.REVIEWER), lower)
    assert where(houses) == corrected
    assert cli("undo", upper, archive=houses, actor="Adam").status == 0
    assert cli("undo", lower, archive=houses, actor="Adam").status == 0
    assert where(houses) == before


def test_only_the_board_prevents_an_adjuster_from_undoing_what_others_did(houses, logged_in):
    number = correction(houses, "Rita", "move", SEVEN, "--to", "TC-1001")
    assert "That correction is Rita" in undone_on_the_board(logged_in("Adam", Duty.ADJUSTER), number)
    assert "The correction is undone." in undone_on_the_board(logged_in("Olive", Duty.OFFICE), number)
    again = correction(houses, "Rita", "move", SEVEN, "--to", "TC-1001")
    assert cli("undo", again, archive=houses, actor="Adam").status == 0
