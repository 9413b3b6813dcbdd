"""Load the office's list of claims, and remove a claim that was loaded by mistake.

A list is loaded whole, or not at all when a line is wrong.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from datetime import timedelta
from pathlib import Path

from evidence.catalog.decisions import Decision, SplitCorrection
from evidence.errors import BadInputError, counted
from evidence.filing.bags import file_away_soon
from evidence.lookup import require_claim
from evidence.model import Claim, ClaimId
from evidence.office.claim_list.days import DayOrder
from evidence.office.claim_list.reading import read_claim_list
from evidence.office.holds import cover_arrivals
from evidence.office.retention import facts_of
from evidence.retention.persons import folded
from evidence.workspace import Workspace

PURGED = "purged: its number cannot be used again"
"""Why a claim of an old list is refused; nobody has to do anything about it."""
EARLIEST_LOSS = 1990
"""A date of loss in an earlier year is probably mistyped, for instance 0026 for 2026."""
AHEAD = timedelta(hours=14)
"""The earliest time zone's clock is so far ahead of UTC, so its today may be UTC's tomorrow (from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RefusedRow:
    """A line whose claim was not loaded, and why."""

    line: int
    claim: ClaimId
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimChange:
    """What loading changes in one claim: `fields` is empty for a claim that is new."""

    claim: ClaimId
    line: int
    fields: dict[str, tuple[str, str]]
    """Column to the value now and the value in the list."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadResult:
    """How many claims were added, updated and refused; with `dry_run`, how many would be."""

    added: int
    updated: int
    refused: tuple[RefusedRow, ...]
    notes: tuple[str, ...] = ()
    """How the file was read, and lines to look at again; none of them kept a claim out."""
    dry_run: bool = False
    changes: tuple[ClaimChange, ...] = ()
    """Filled by a dry run."""


def load_assignments(
    workspace: Workspace, path: Path, *, dates: DayOrder | None = None, dry_run: bool = False
) -> LoadResult:
    """Add the claims of a list, and update those that the catalog has already; a dry run changes nothing.

    A purged claim is refused, and one whose number differs from a known one only in capitals, spaces or the form of its
    letters; the others are loaded. An error in the file itself raises BadInputError with
    every fault by line, and AmbiguousDatesError when `dates` has to say which number is the month.
    """
    read = read_claim_list(path, dates=dates)
    notes = (*read.notes, *_doubts(workspace, read.claims))
    if dry_run:
        return _planned(workspace, read.claims, notes)
    with workspace.locked(), workspace.catalog.transaction():
        kept, refused = _without_refused(workspace, read.claims)
        added, updated = workspace.catalog.claims.put(list(kept.values()), at=workspace.now())
        workspace.catalog.keeping.mark_dirty([one.claim for one in kept.values()])
        cover_arrivals(workspace, list(kept.values()))
        workspace.record("assignments_loaded", path.name, added=added, updated=updated, refused=len(refused))
    if updated:
        with workspace.locked():
            file_away_soon(workspace)  # updates the records in the bags
    return LoadResult(added=added, updated=updated, refused=refused, notes=notes)


def remove_assignment(workspace: Workspace, claim: ClaimId) -> None:
    """Remove a claim that was loaded by mistake; the custody log keeps that it was there.

    Raises BadInputError when it is unknown or purged, has photos or a hold, or anything was decided about it.
    """
    with workspace.locked(), workspace.catalog.transaction():
        if why := why_not_removed(workspace, claim):
            raise BadInputError(
                f"Claim {claim} cannot be removed: {why}.", "Only a claim loaded by mistake can be removed."
            )
        workspace.record("assignment_removed", claim)
        workspace.catalog.claims.drop(claim)


def why_not_removed(workspace: Workspace, claim: ClaimId) -> str:
    """What keeps the claim from being removed, in words; empty when nothing does. Raises BadInputError for an unknown one."""
    require_claim(workspace, claim)
    catalog = workspace.catalog
    files = len(set(catalog.keeping.payload(claim)) | {one.sha256 for one in catalog.photos.of_claim(claim)})
    if files:
        return f"it has {counted(files, 'photo or other file', 'photos or other files')}"
    if catalog.keeping.has_bag(claim):
        return "it has a bag"
    if facts_of(workspace, claim).holds:
        return "it is held"
    if catalog.claims.decisions(Decision, claim=claim, in_force_only=False):
        return "people have decided about it; its history shows what"
    return "photos were once placed in it" if _was_placed_in(workspace, claim) else ""


def _was_placed_in(workspace: Workspace, claim: ClaimId) -> bool:
    """True when a correction of the split names the claim: the next split would place photos in it."""
    corrections = workspace.catalog.claims.decisions(SplitCorrection)
    return any(claim in one.decision.assigns().values() for one in corrections)


def _without_refused(
    workspace: Workspace, claims: dict[int, Claim]
) -> tuple[dict[int, Claim], tuple[RefusedRow, ...]]:
    """The claims to load, and those whose number was purged or is another one's but for capitals, spaces or form."""
    gone = {row.claim.claim: row.state.is_gone for row in workspace.catalog.claims.all()}
    spelt = {folded(number): number for number in gone}
    kept: dict[int, Claim] = {}
    refused: list[RefusedRow] = []
    for line, one in claims.items():
        other = spelt.get(folded(one.claim))
        if gone.get(one.claim):
            reason = PURGED
        elif other is not None and one.claim not in gone:
            reason = f"the archive has it as {other}; write the number that way"
        else:
            kept[line] = one
            continue
        refused.append(RefusedRow(line=line, claim=one.claim, reason=reason))
    return kept, tuple(refused)


def _planned(workspace: Workspace, claims: dict[int, Claim], notes: Sequence[str]) -> LoadResult:
    """What a load would do now."""
    kept, refused = _without_refused(workspace, claims)
    present = {
        number: row.claim
        for number, row in workspace.catalog.claims.of({one.claim for one in kept.values()}).items()
    }
    changes = tuple(
        ClaimChange(
            claim=one.claim,
            line=line,
            fields=_differences(present[one.claim], one) if one.claim in present else {},
        )
        for line, one in kept.items()
        if present.get(one.claim) != one
    )
    added = sum(one.claim not in present for one in changes)
    return LoadResult(
        added=added,
        updated=len(changes) - added,
        refused=refused,
        notes=tuple(notes),
        dry_run=True,
        changes=changes,
    )


def _differences(now: Claim, listed: Claim) -> dict[str, tuple[str, str]]:
    pairs = {one.name: (getattr(now, one.name), getattr(listed, one.name)) for one in fields(Claim)}
    return {name: (_text(old), _text(new)) for name, (old, new) in pairs.items() if old != new}


def _text(value: object) -> str:
    return "" if value is None else str(value)


def _doubts(workspace: Workspace, claims: dict[int, Claim]) -> Iterator[str]:
    """Lines that are probably a mistake, but may be right."""
    coverage = workspace.settings.coverage
    today = (workspace.now() + AHEAD).date()
    for line, one in claims.items():
        if one.loss_date and one.loss_date > today:
            yield f"Line {line}: claim {one.claim} has a date of loss in the future, {one.loss_date}."
        if one.loss_date and one.loss_date.year < EARLIEST_LOSS:
            yield f"Line {line}: claim {one.claim} has a date of loss long ago, {one.loss_date}. Check the year."
        if one.peril and one.peril not in coverage.by_peril:
            known = ", ".join(sorted(coverage.by_peril))
            yield (
                f"Line {line}: the peril '{one.peril}' of claim {one.claim} is not in the settings ({known}); "
                f"its photos are checked against the list {coverage.default_list}."
            )
