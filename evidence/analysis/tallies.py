"""Coverage in numbers, kept beside each claim so that a list of thousands need not check them all again."""

from __future__ import annotations

import hashlib

from evidence.analysis import coverage as covering
from evidence.catalog.claims import ClaimRow
from evidence.catalog.tallies import Tally
from evidence.coverage.report import CoverageReport
from evidence.model import ClaimId
from evidence.workspace import Workspace


def basis(workspace: Workspace) -> str:
    """Names everything besides the claim itself that its count rests on."""
    parts = [workspace.settings.coverage.model_dump_json(), workspace.text("tags.toml")]
    parts += [workspace.text(f"required_shots/{name}.toml") for name in covering.list_names(workspace)]
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()[:16]


def is_current(tally: Tally | None, row: ClaimRow, ground: str) -> bool:
    """Whether the count speaks of the claim as it is now."""
    return tally is not None and tally.version == row.version and tally.basis == ground


def keep_count(workspace: Workspace, row: ClaimRow, report: CoverageReport, ground: str) -> None:
    """Keep the numbers of a report that was made anyway."""
    workspace.catalog.tallies.put(
        Tally(
            claim=ClaimId(row.claim.claim),
            version=row.version,
            basis=ground,
            met=len(report.met),
            guessed=len(report.guessed),
            missing=len(report.missing),
            waived=len(report.waived),
            flags=len(report.flags),
        )
    )
