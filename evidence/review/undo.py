"""Undo a correction, by one rule for the command line and the board."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TypeAlias

from evidence.analysis.refresh import Refreshed
from evidence.catalog.decisions import (
    AnswerLikeness,
    Caption,
    Correction,
    DecisionRow,
    LeaveOut,
    Shift,
    Tag,
    Waive,
)
from evidence.errors import BadInputError
from evidence.model import Sha256
from evidence.review.captions import undo_caption
from evidence.review.recording import Corrected, build_outdated_bags, log_photos, require_open, split_again
from evidence.review.tagging import undo_tags
from evidence.review.waivers import undo_waiver
from evidence.workspace import Workspace

CorrectionRow: TypeAlias = DecisionRow[Correction]


def undo(
    workspace: Workspace, number: int | None = None, *, others_too: bool = True
) -> tuple[CorrectionRow, Corrected]:
    """Undo a correction, by default the latest one that is not undone.

    Raises BadInputError when there is none, when a later correction changed the same thing (it says whose and
    which), when its claim was signed, closed or purged since, and for somebody else's without `others_too`.
    """
    with workspace.locked():
        chosen = _chosen(workspace, number)
        if chosen.actor != workspace.actor and not others_too:
            raise BadInputError(f"That correction is {chosen.actor}'s.", "Ask them, or a reviewer.")
        _refuse_if_changed_later(workspace, chosen)
        changed = list(chosen.decision.changes())
        records = workspace.catalog.photos.records(changed)  # a purge may have removed some of them
        digests = [record.sha256 for record in records]
        require_open(workspace, {chosen.claim} | {record.claim for record in records}, what="corrections")
        with workspace.catalog.transaction():
            workspace.catalog.claims.mark_undone(chosen.number)
            refreshed = _restored(workspace, chosen, digests)
            log_photos(workspace, "undone", digests, decision=chosen.number, kind=chosen.decision.kind)
        return chosen, build_outdated_bags(workspace, chosen.number, refreshed, digests)


def _chosen(workspace: Workspace, number: int | None) -> CorrectionRow:
    found = workspace.catalog.claims.in_force(Correction, number)
    if found is None:
        what = "nothing to undo" if number is None else f"no correction {number} to undo"
        raise BadInputError(f"There is {what}.", "`evidence custody` shows what was done.")
    return found


def _refuse_if_changed_later(workspace: Workspace, chosen: CorrectionRow) -> None:
    """Raise BadInputError when a later correction changed the same thing."""
    touched = chosen.decision.touches()
    later = [one for one in _later(workspace, chosen) if touched & one.decision.touches()]
    if later:
        last = max(later, key=lambda one: one.number)
        raise BadInputError(
            f"{last.actor} has corrected the same since (correction {last.number}).",
            f"Undo that correction first (on the command line: evidence undo {last.number}).",
        )


def _later(workspace: Workspace, chosen: CorrectionRow) -> Iterator[CorrectionRow]:
    """The corrections since then that may have changed the same thing, some of them twice."""
    claims, after = workspace.catalog.claims, chosen.number
    if isinstance(chosen.decision, Waive):
        yield from claims.decisions(Waive, claim=chosen.claim, after=after)
        return
    touched = chosen.decision.touches()
    yield from claims.decisions(Correction, photos={Sha256(one.subject) for one in touched}, after=after)
    if any(one.what == "boundary" for one in touched):
        # A shift moves two boundaries; their photos need not be among those of which it states the claim.
        yield from claims.decisions(Shift, after=after)


def _restored(workspace: Workspace, chosen: CorrectionRow, digests: Sequence[Sha256]) -> Refreshed:
    match decision := chosen.decision:
        case Tag():
            return undo_tags(workspace, decision, digests)
        case Waive():
            return undo_waiver(workspace, decision)
        case LeaveOut():
            claims = {record.claim for record in workspace.catalog.photos.records(digests)}
            workspace.catalog.mark_changed(claims)
            return Refreshed(touched=frozenset(claims), findings=())
        case AnswerLikeness():
            workspace.catalog.mark_changed([chosen.claim])
            return Refreshed(touched=frozenset({chosen.claim}), findings=())
        case Caption():
            return undo_caption(workspace, decision)
        case _:
            return split_again(workspace, digests)
