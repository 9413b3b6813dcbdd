"""Which photos a person left out of a claim's report because a nearly equal one stays."""

from __future__ import annotations

from evidence.catalog.decisions import LeaveOut
from evidence.model import ClaimId, Sha256
from evidence.workspace import Workspace


def left_out_of_report(workspace: Workspace, claim: ClaimId) -> frozenset[Sha256]:
    """The photos that the latest standing decision about each leaves out; the archive keeps all of them."""
    found: set[Sha256] = set()
    for row in workspace.catalog.claims.decisions(LeaveOut, claim=claim):
        found = found.difference(row.decision.stay).union(row.decision.left_out)
    return frozenset(found)


def compared(workspace: Workspace, claim: ClaimId) -> frozenset[Sha256]:
    """The photos for which a person decided whether they stay in the report."""
    rows = workspace.catalog.claims.decisions(LeaveOut, claim=claim)
    return frozenset(sha for row in rows for sha in row.decision.about())
