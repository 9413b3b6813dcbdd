"""Coverage in numbers, stored so that a list of thousands of claims need not check them all.

Reading a stored tally loads neither the check nor its libraries, so that `evidence claims` starts fast.
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

from evidence.catalog.claims import ClaimRow
from evidence.catalog.tallies import Tally
from evidence.model import ClaimId
from evidence.workspace import Workspace

if TYPE_CHECKING:
    from evidence.coverage.report import CoverageReport


def tally_basis(workspace: Workspace) -> str:
    """A digest of everything besides the claim itself that its tally depends on: settings, vocabulary, lists."""
    parts = [workspace.settings.coverage.model_dump_json(), workspace.text("tags.toml")]
    parts += [workspace.text(f"required_shots/{name}.toml") for name in workspace.list_names()]
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()[:16]


def store_tally(workspace: Workspace, row: ClaimRow, report: CoverageReport, basis: str) -> None:
    """Store the numbers of a coverage report beside its claim."""
    workspace.catalog.tallies.put(
        Tally(
            claim=ClaimId(row.claim.claim),
            version=row.version,
            basis=basis,
            met=len(report.met),
            guessed=len(report.guessed),
            missing=len(report.missing),
            waived=len(report.waived),
            flags=len(report.flags),
        )
    )
