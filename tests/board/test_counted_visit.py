"""A counted visit: a reviewer reaches the decision about each of the demo's incomplete claims in at most 40 keys."""

from __future__ import annotations

import pytest
from support_board import new_archive
from support_browser import board, log_in
from support_copy import copy_tree
from support_visit import put_recorded, visit_by_question, watch_clicks

from evidence.catalog.decisions import SendBack, Tag
from evidence.model import ClaimId
from evidence.workspace import Workspace

__all__ = ["board", "log_in"]  # fixtures

MOST_KEYS = 40


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """An archive with the demo's two incomplete claims and the program's own list for hail."""
    with new_archive(tmp_path_factory.mktemp("recorded")) as made:
        assert len(put_recorded(made)) == 2
        return made.root


@pytest.fixture
def workspace(recorded, tmp_path):
    copy_tree(recorded, tmp_path / "archive")
    with Workspace(tmp_path / "archive", actor="office clerk") as opened:
        yield opened


@pytest.mark.parametrize("claim", ["HR26-004463", "HR26-004508"])
def test_an_incomplete_claim_is_decided_in_forty_keys_and_without_a_mouse(log_in, board, workspace, claim):
    page = log_in("Rhea", own=True, at=None)
    watch_clicks(page)
    page.goto(board.url)
    visit = visit_by_question(page, claim)
    assert visit.answers[-1] == "Sent back by Rhea"
    assert len(visit.answers) > 5, "the claim has guesses to ask about"
    assert visit.keys <= MOST_KEYS
    assert visit.clicks == 0
    assert len(workspace.catalog.claims.decisions(Tag, claim=ClaimId(claim))) == len(visit.answers) - 3
    (sent,) = workspace.catalog.claims.decisions(SendBack, claim=ClaimId(claim))
    assert sent.actor == "Rhea"
    visit.opens("J")
    assert page.inner_text("#question") != visit.answers[-1], "one key opens the next claim"
