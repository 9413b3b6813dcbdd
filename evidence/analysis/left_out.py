"""Which photos a person left out of a claim's report because a nearly equal one stays."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

from evidence.catalog.decisions import LeaveOut
from evidence.coverage.report import CoverageReport, Item
from evidence.model import ClaimId, PhotoRecord, Sha256
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


def without_left_out(
    records: Sequence[PhotoRecord], coverage: CoverageReport, left_out: Collection[Sha256]
) -> tuple[tuple[PhotoRecord, ...], CoverageReport]:
    """The photos and the coverage for a report without the photos left out.

    A photo stays when some required shot, met or only partly shown, would have no photo without it.
    """
    gone = set(left_out)
    for item in coverage.items:
        if item.photos and gone.issuperset(item.photos):
            gone -= set(item.photos)

    def kept(items: tuple[Item, ...]) -> tuple[Item, ...]:
        return tuple(
            replace(
                item,
                photos=tuple(sha for sha in item.photos if sha not in gone),
                guesses=tuple(sha for sha in item.guesses if sha not in gone),
                candidates=tuple(one for one in item.candidates if one.photo not in gone),
            )
            for item in items
        )

    shown = replace(
        coverage,
        met=kept(coverage.met),
        guessed=kept(coverage.guessed),
        missing=kept(coverage.missing),
        waived=kept(coverage.waived),
        not_needed=kept(coverage.not_needed),
        flags=tuple(flag for flag in coverage.flags if flag.subject not in gone),
    )
    return tuple(record for record in records if record.sha256 not in gone), shown
