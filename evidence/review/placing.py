"""Corrections of where photos belong: move, name, shift, cut and join. No later intake overrides them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from evidence.catalog.decisions import Cut, Join, Move, Name, Shift, SplitCorrection
from evidence.catalog.segments import SegmentRow
from evidence.errors import BadInputError
from evidence.lookup import UNASSIGNED, find_segment
from evidence.model import ClaimId, Sha256
from evidence.review.recording import (
    Corrected,
    build_outdated_bags,
    decide,
    log_photos,
    require_open,
    split_again,
)
from evidence.workspace import Workspace


def move(workspace: Workspace, digests: Sequence[Sha256], claim: ClaimId | None) -> Corrected:
    """File these photos under `claim`, or in the tray for None.

    The other files of the same object on the card (a raw file, a sound note) move too. Raises BadInputError for
    a claim that is signed, closed or purged.
    """
    with workspace.locked():
        photos = tuple(workspace.catalog.photos.companions(digests))
        replaced = _claims_of(workspace, photos)
        require_open(workspace, {*replaced.values(), claim})
        decision = Move(replaced=replaced, photos=photos, claim=claim)
        return _placed(workspace, decision, claim, photos, action="moved", to=claim or UNASSIGNED)


def name(workspace: Workspace, segment: str, claim: ClaimId) -> Corrected:
    """File every photo of a segment under `claim`; raises BadInputError for an unknown segment."""
    with workspace.locked():
        row = find_segment(workspace, segment)
        photos = tuple(record.sha256 for record in workspace.catalog.photos.of_segment(row.segment))
        replaced = _claims_of(workspace, photos)
        require_open(workspace, {*replaced.values(), claim})
        decision = Name(replaced=replaced, photos=photos, claim=claim, segment=row.segment)
        return _placed(workspace, decision, claim, photos, action="named", segment=row.segment, to=claim)


def cut(workspace: Workspace, before: Sha256) -> Corrected:
    """Begin a new segment with this photo."""
    with workspace.locked():
        decision = Cut(replaced=_claims_of(workspace, [before]), before=before)
        return _bounded(workspace, decision, before, action="cut")


def join(workspace: Workspace, before: Sha256) -> Corrected:
    """Remove the boundary before this photo: it joins the segment of the photo before it."""
    with workspace.locked():
        decision = Join(replaced=_claims_of(workspace, [before]), before=before)
        return _bounded(workspace, decision, before, action="join")


def shift(workspace: Workspace, boundary: Sha256, to: Sha256) -> Corrected:
    """Move the boundary before the photo `boundary` to before the photo `to`; the photos between change claim.

    Raises BadInputError when no segment begins with `boundary`, or `to` is in neither segment beside it.
    """
    with workspace.locked():
        before, after = _beside(workspace, boundary)
        outline = workspace.catalog.photos.outline([before.segment, after.segment])
        order = [one.sha256 for row in (before, after) for one in outline.get(row.segment, ())]
        if to not in order or to == boundary:
            raise BadInputError(
                "A boundary moves only between the photos beside it.", "Cut at that photo instead."
            )
        old, new = order.index(boundary), order.index(to)
        require_open(workspace, {before.claim, after.claim})
        # The segment that gives photos away may lose its sheet with them, so the decision states its rest, too.
        if new > old:
            claims = dict.fromkeys(order[old:new], before.claim) | dict.fromkeys(order[new:], after.claim)
        else:
            claims = dict.fromkeys(order[:new], before.claim) | dict.fromkeys(order[new:old], after.claim)
        decision = Shift(
            replaced=_claims_of(workspace, list(claims)), boundary=boundary, to=to, claims=claims
        )
        moved = order[min(old, new) : max(old, new)]
        claim = after.claim or before.claim
        return _placed(workspace, decision, claim, moved, action="boundary_moved", boundary=boundary, to=to)


def _beside(workspace: Workspace, boundary: Sha256) -> tuple[SegmentRow, SegmentRow]:
    """The segment before this boundary and the one that begins there, on the same day."""
    rows = workspace.catalog.photos.segments_beside(boundary)
    after = next((row for row in rows if row.first == boundary), None)
    earlier = [row for row in rows if after and row.day == after.day and row.position < after.position]
    if after is None or not earlier:
        raise BadInputError("There is no boundary any more.", "Load the page again.")
    return max(earlier, key=lambda row: row.position), after


def _claims_of(workspace: Workspace, digests: Sequence[Sha256]) -> Mapping[Sha256, ClaimId | None]:
    return {record.sha256: record.claim for record in workspace.catalog.photos.records(digests)}


def _bounded(workspace: Workspace, decision: Cut | Join, before: Sha256, *, action: str) -> Corrected:
    record = workspace.catalog.photos.records([before])[0]
    require_open(workspace, {record.claim})
    return _placed(workspace, decision, record.claim, [before], action=action, photo=record.name)


def _placed(
    workspace: Workspace,
    decision: SplitCorrection,
    claim: ClaimId | None,
    moved: Sequence[Sha256],
    *,
    action: str,
    **details: object,
) -> Corrected:
    """Store the decision, split the days again, log it, and let the bags follow: all of it or nothing."""
    with workspace.catalog.transaction():
        number = decide(workspace, decision, claim)
        refreshed = split_again(workspace, decision.about())
        log_photos(workspace, action, moved, decision=number, **details)
    return build_outdated_bags(workspace, number, refreshed, moved)
