"""The list of claims counts what is out of date, and leaves claims that ended as they were."""

from __future__ import annotations

import pytest
from support_board import put_claim, put_photos
from support_board_fixtures import workspace

from evidence.analysis import coverage
from evidence.model import ClaimId, ClaimState
from evidence.reports.views import COUNTING, FEW, claim_views

__all__ = ["workspace"]


@pytest.fixture
def counted(monkeypatch):
    """The claims whose required shots were checked."""
    found = []
    real = coverage.CoverageChecker.report
    monkeypatch.setattr(
        coverage.CoverageChecker, "report", lambda self, claim: found.append(claim) or real(self, claim)
    )
    return found


def change_lists(workspace):
    path = workspace.root / "config" / "required_shots" / "hail_roof.toml"
    path.write_text(path.read_text(encoding="utf-8") + "\n# changed\n", encoding="utf-8")


def test_a_changed_list_counts_open_claims_anew_and_leaves_closed_ones(workspace, counted):
    for number in ("BD-1", "BD-2", "BD-3"):
        put_claim(workspace, number)
    for number in ("BD-1", "BD-2"):
        put_photos(workspace, number, 2, name=number.replace("-", ""))
    workspace.catalog.claims.set_state(ClaimId("BD-2"), ClaimState.CLOSED)
    first = claim_views(workspace)
    assert counted == ["BD-1", "BD-2"]
    assert [one.coverage is None for one in first] == [False, False, True], "BD-3 has no photos"
    counted.clear()
    assert claim_views(workspace) == first
    assert counted == []
    change_lists(workspace)
    assert claim_views(workspace) == first
    assert counted == ["BD-1"]
    workspace.catalog.claims.set_state(ClaimId("BD-2"), ClaimState.OPEN)
    claim_views(workspace)
    assert counted == ["BD-1", "BD-2"]


def test_a_long_count_shows_its_progress_and_a_short_one_does_not(workspace):
    steps = []
    for n in range(FEW + 1):
        put_claim(workspace, f"BD-{n:03}")
        put_photos(workspace, f"BD-{n:03}", 1, name=f"BD{n:03}", originals=False)
    claim_views(workspace, progress=lambda *step: steps.append(step))
    assert steps[0] == (COUNTING, 0, FEW + 1)
    assert steps[-1] == (COUNTING, FEW + 1, FEW + 1)
    steps.clear()
    workspace.catalog.claims.touch([ClaimId("BD-000")])
    claim_views(workspace, progress=lambda *step: steps.append(step))
    assert steps == []
