"""Taking a correction back, by one rule for the command line and the board."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeAlias

from evidence.analysis.refresh import Refreshed
from evidence.catalog.decisions import Correction, DecisionRow, Tag, Waive
from evidence.errors import BadInputError
from evidence.model import Sha256
from evidence.review.recording import Corrected, bags_follow, log_photos, require_open, split_again
from evidence.review.tagging import undo_tags
from evidence.review.waivers import undo_waiver
from evidence.workspace import Workspace

CorrectionRow: TypeAlias = DecisionRow[Correction]


def undo(
    workspace: Workspace, number: int | None = None, *, others_too: bool = True
) -> tuple[CorrectionRow, Corrected]:
    """Take back a correction, the latest standing one by default.

    Raises BadInputError when there is none, when a later standing correction settles the same (it says whose
    and which), when its claim is signed, closed or purged meanwhile, and for somebody else's without
    `others_too`.
    """
    with workspace.locked():
        standing = workspace.catalog.claims.decisions(Correction)
        chosen = _chosen(standing, number)
        if chosen.actor != workspace.actor and not others_too:
            raise BadInputError(f"That correction is {chosen.actor}'s.", "Ask them, or a reviewer.")
        _refuse_overlaid(chosen, standing)
        about = list(chosen.decision.about())
        records = workspace.catalog.photos.records(about)  # a purge may have taken some of them
        digests = [record.sha256 for record in records]
        require_open(workspace, {chosen.claim} | {record.claim for record in records}, what="corrections")
        with workspace.catalog.transaction():
            workspace.catalog.claims.mark_undone(chosen.number)
            refreshed = _restored(workspace, chosen.decision, digests)
            log_photos(workspace, "undone", digests, decision=chosen.number, kind=chosen.decision.kind)
        return chosen, bags_follow(workspace, chosen.number, refreshed, digests)


def _chosen(standing: Sequence[CorrectionRow], number: int | None) -> CorrectionRow:
    found = [one for one in standing if number is None or one.number == number]
    if not found:
        what = "nothing to undo" if number is None else f"no correction {number} that stands"
        raise BadInputError(f"There is {what}.", "`evidence custody` shows what was done.")
    return found[-1]


def _refuse_overlaid(chosen: CorrectionRow, standing: Sequence[CorrectionRow]) -> None:
    """Raise BadInputError when a later correction rests on this one."""
    settled = chosen.decision.touches()
    later = [one for one in standing if one.number > chosen.number and settled & one.decision.touches()]
    if later:
        last = later[-1]
        raise BadInputError(
            f"{last.actor} has corrected the same since (correction {last.number}).",
            f"Take that back first (on the command line: evidence undo {last.number}).",
        )


def _restored(workspace: Workspace, decision: Correction, digests: Sequence[Sha256]) -> Refreshed:
    match decision:
        case Tag():
            return undo_tags(workspace, decision, digests)
        case Waive():
            return undo_waiver(workspace, decision)
        case _:
            return split_again(workspace, digests)
