"""`evidence watch --once`: every card that is there, one bad card does not stop the next."""

from __future__ import annotations

import json
import os

import pytest
from support_card import CardMaker
from support_cli import cli
from support_intake import filed, loaded_archive, where

from evidence.cards.watch import CardFailed
from evidence.intake import watching
from evidence.workspace import Workspace


@pytest.fixture
def archive(tmp_path):
    return loaded_archive(tmp_path)


def a_card(root, claim, *, number=1, seed=0):
    card = CardMaker(root, number=number, seed=seed)
    card.sheet(claim)
    card.scene()
    return card


def lines(ran):
    return [json.loads(line) for line in ran.out.splitlines()]


def test_two_cards_are_taken_in_and_each_is_reported_in_a_line_of_json(archive, tmp_path):
    a_card(tmp_path / "slots" / "one", "TC-1001")
    a_card(tmp_path / "slots" / "two", "TC-1002", number=20, seed=50)
    ran = cli("watch", tmp_path / "slots", "--once", "--json", archive=archive)
    told = lines(ran)
    assert [(one["source"].rpartition(os.sep)[2], one["kept"]) for one in told] == [("one", 2), ("two", 2)]
    assert where(archive)["TEST0020.JPG"] == "TC-1002"
    again = cli("watch", tmp_path / "slots", "--once", "--json", archive=archive)
    assert [(one["kept"], one["already_kept"]) for one in lines(again)] == [(0, 2), (0, 2)]


def test_a_card_that_cannot_be_taken_in_does_not_stop_the_next_and_the_status_shows_it(
    archive, tmp_path, monkeypatch
):
    a_card(tmp_path / "slots" / "one", "TC-1001")
    a_card(tmp_path / "slots" / "two", "TC-1002", number=20, seed=50)
    from evidence.errors import CardReadError
    from evidence.intake.pipeline import take_in

    def fails_on_the_first(workspace, card, **more):
        if card.name == "one":
            raise CardReadError("one: the card was pulled.", "Put it in again.")
        return take_in(workspace, card, **more)

    monkeypatch.setattr(watching, "take_in", fails_on_the_first)
    ran = cli("watch", tmp_path / "slots", "--once", "--json", archive=archive)
    assert ran.status == CardReadError.exit_code
    told = lines(ran)
    assert told[0]["error"]["message"] == "one: the card was pulled."
    assert told[1]["kept"] == 2
    assert "pulled" in ran.err
    assert set(where(archive)) == {"TEST0020.JPG", "TEST0021.JPG"}


def test_a_card_with_a_link_out_of_it_gives_status_one_as_intake_does(archive, tmp_path):
    card = a_card(tmp_path / "slots" / "one", "TC-1001")
    try:
        (card.root / "DCIM" / "100TESTC" / "TEST0009.JPG").symlink_to(tmp_path / "elsewhere.jpg")
    except OSError:
        pytest.skip("this system makes no links")
    assert cli("intake", card.root, archive=archive).status == 1
    assert cli("watch", tmp_path / "slots", "--once", archive=archive).status == 1


def test_no_card_is_reported_and_is_no_error(archive, tmp_path):
    (tmp_path / "slots").mkdir()
    ran = cli("watch", tmp_path / "slots", "--once", archive=archive)
    assert ran.status == 0
    assert "No card" in ran.err


@pytest.mark.parametrize("folder", ["{tmp}", "{archive}", "{archive}/claims"])
def test_a_watched_folder_and_the_archive_may_not_lie_inside_one_another(archive, tmp_path, folder):
    named = folder.replace("{archive}", str(archive)).replace("{tmp}", str(tmp_path))
    before = (archive / "custody" / "custody.jsonl").read_bytes()
    ran = cli("watch", named, "--once", archive=archive)
    assert ran.status == 2
    assert "inside one another" in ran.err
    assert (archive / "custody" / "custody.jsonl").read_bytes() == before


def test_a_watched_folder_that_is_not_there_is_bad_input(archive, tmp_path):
    assert cli("watch", tmp_path / "nowhere", "--once", archive=archive).status == 2


def test_a_card_that_cannot_be_listed_is_reported_and_the_watch_continues(archive, tmp_path, monkeypatch):
    card = a_card(tmp_path / "slots" / "one", "TC-1001")
    from evidence.cards.watch import CardReady

    def seen(_folders, **_more):
        yield CardFailed(path=tmp_path / "slots" / "bad", reason="Input/output error")
        yield CardReady(path=card.root, files=2, size=10)

    monkeypatch.setattr(watching, "watch", seen)
    with Workspace(archive) as workspace:
        told = list(watching.take_in_cards(workspace, (tmp_path / "slots",), once=False))
    assert "Input/output error" in str(told[0][1])
    assert told[1][1].kept == 2
    assert len(filed(archive)) == 2
