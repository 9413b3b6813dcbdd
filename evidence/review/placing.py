"""A person's corrections: move, cut, join, shift, name, tag, waive; and taking the last one back.

Each is written down as a decision that no later run of the intake overrides, in the custody log, and the
bags follow.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from evidence.analysis import coverage as covering
from evidence.analysis.refresh import Refreshed, refresh_days, retag
from evidence.catalog.claims import Decision, WaiverRow
from evidence.catalog.photos import SegmentRow
from evidence.errors import BadInputError
from evidence.filing.bags import file_away
from evidence.lookup import find_segment
from evidence.model import CHANGEABLE, CONCLUDED, ClaimId, ClaimState, Facet, PhotoRecord, Sha256
from evidence.review.tagging import state_facets
from evidence.workspace import Workspace

Counts = Mapping[ClaimId | None, tuple[Any, ...]]
UNDOABLE = ("move", "name", "shift", "cut", "join", "tag", "waive")


@dataclass(frozen=True, slots=True, kw_only=True)
class Corrected:
    """What a correction changed."""

    decision: int
    photos: int
    """Photos it speaks of."""
    claims: tuple[str, ...]
    """Claims whose bags followed; the tray is 'unassigned'."""


def move(workspace: Workspace, digests: Sequence[Sha256], claim: ClaimId | None) -> Corrected:
    """File these photos under `claim`, or in the tray for None, whatever the split says.

    What is one object with them on the card (a raw file, a sound note) goes along. Raises BadInputError for a
    claim that is signed, closed or purged.
    """
    with workspace.locked():
        photos = workspace.catalog.photos.companions(digests)
        return _moved(workspace, "move", "moved", photos, claim, to=claim or "unassigned")


def name(workspace: Workspace, segment: str, claim: ClaimId) -> Corrected:
    """Give every photo of a segment to `claim`; raises BadInputError for an unknown segment."""
    with workspace.locked():
        row = find_segment(workspace, segment)
        photos = [record.sha256 for record in workspace.catalog.photos.of_segment(row.segment)]
        return _moved(workspace, "name", "named", photos, claim, segment=row.segment, to=claim)


def _moved(
    workspace: Workspace,
    kind: str,
    action: str,
    digests: Sequence[Sha256],
    claim: ClaimId | None,
    **details: str,
) -> Corrected:
    records = workspace.catalog.photos.records(digests)
    require_open(workspace, {record.claim for record in records} | {claim})
    with workspace.catalog.transaction():
        before = workspace.catalog.photos.counts()
        number = _decide(
            workspace,
            kind,
            claim,
            before={record.sha256: record.claim for record in records},
            after={"photos": list(digests), "claim": claim, **details},
        )
        refreshed = refresh_days(workspace, digests)
        _refuse_concluded(workspace, before)
        _note(workspace, number, action, digests, **details)
    return _followed(workspace, number, refreshed, digests)


def cut(workspace: Workspace, before: Sha256) -> Corrected:
    """A new segment begins with this photo."""
    return _bound(workspace, "cut", before)


def join(workspace: Workspace, before: Sha256) -> Corrected:
    """Take away the boundary before this photo: it goes on where the photo before it was."""
    return _bound(workspace, "join", before)


def shift(workspace: Workspace, boundary: Sha256, to: Sha256) -> Corrected:
    """Move the boundary before the photo `boundary` to before the photo `to`: those between change house.

    Raises BadInputError when no stretch begins with `boundary`, or `to` lies in neither stretch beside it.
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
        # The stretch that gives photos away may lose its sheet with them: what stays is held, too.
        if new > old:
            claims = dict.fromkeys(order[old:new], before.claim) | dict.fromkeys(order[new:], after.claim)
        else:
            claims = dict.fromkeys(order[:new], before.claim) | dict.fromkeys(order[new:old], after.claim)
        records = workspace.catalog.photos.records(list(claims))
        moved = order[min(old, new) : max(old, new)]
        with workspace.catalog.transaction():
            counts = workspace.catalog.photos.counts()
            number = _decide(
                workspace,
                "shift",
                after.claim or before.claim,
                before={record.sha256: record.claim for record in records},
                after={"boundary": boundary, "to": to, "claims": claims},
            )
            refreshed = refresh_days(workspace, list(claims))
            _refuse_concluded(workspace, counts)
            _note(workspace, number, "boundary_moved", moved, boundary=boundary, to=to)
        return _followed(workspace, number, refreshed, moved)


def _beside(workspace: Workspace, boundary: Sha256) -> tuple[SegmentRow, SegmentRow]:
    """The stretch that begins with this photo, after the one before it on the same day."""
    rows = workspace.catalog.photos.segments()
    after = next((row for row in rows if row.first == boundary), None)
    earlier = [row for row in rows if after and row.day == after.day and row.position < after.position]
    if after is None or not earlier:
        raise BadInputError("No boundary stands there any more.", "Load the page again.")
    return max(earlier, key=lambda row: row.position), after


def _bound(workspace: Workspace, kind: str, before: Sha256) -> Corrected:
    with workspace.locked():
        record = workspace.catalog.photos.records([before])[0]
        require_open(workspace, {record.claim})
        with workspace.catalog.transaction():
            counts = workspace.catalog.photos.counts()
            number = _decide(
                workspace, kind, record.claim, before={before: record.claim}, after={"before": before}
            )
            refreshed = refresh_days(workspace, [before])
            _refuse_concluded(workspace, counts)
            _note(workspace, number, kind, [before], photo=record.name)
        return _followed(workspace, number, refreshed, [before])


def tag(workspace: Workspace, digests: Sequence[Sha256], facets: Mapping[Facet, str | None]) -> Corrected:
    """State facets of photos, or take an earlier word back with None; their bags follow.

    Raises BadInputError for a photo of a claim that is signed or closed.
    """
    with workspace.locked():
        require_open(
            workspace, {record.claim for record in workspace.catalog.photos.records(digests)}, what="tags"
        )
        number, refreshed = state_facets(workspace, dict.fromkeys(digests, facets))
        return _followed(workspace, number, refreshed, digests)


def waive(workspace: Workspace, claim: ClaimId, requirement: str, *, place: str = "", why: str) -> Corrected:
    """Set a required shot aside for this claim, at one face or structure or everywhere.

    Raises BadInputError without a reason, for a claim that is signed or closed, or for a shot or place that
    the claim's list does not ask for.
    """
    covering.require_requirement(workspace, claim, requirement, place)
    if not why.strip():
        raise BadInputError(
            "A waiver needs a reason.", "Add --why, for instance 'no A/C unit at this house'."
        )
    with workspace.locked():
        require_open(workspace, {claim}, what="waivers")
        earlier = _waiver(workspace, claim, requirement, place)
        with workspace.catalog.transaction():
            number = _decide(
                workspace,
                "waive",
                claim,
                before={"by": earlier.by, "why": earlier.why, "at": earlier.at.isoformat()}
                if earlier
                else None,
                after={"claim": claim, "requirement": requirement, "place": place, "why": why},
            )
            workspace.catalog.claims.put_waiver(
                WaiverRow(
                    claim=claim,
                    requirement=requirement,
                    place=place,
                    by=workspace.actor,
                    why=why,
                    at=workspace.now(),
                )
            )
            workspace.catalog.keeping.mark_known_dirty([claim])
            workspace.catalog.claims.touch(claim)
            workspace.record("waived", claim, decision=number, requirement=requirement, place=place, why=why)
        file_away(workspace)
        return Corrected(decision=number, photos=0, claims=(claim,))


def _waiver(workspace: Workspace, claim: ClaimId, requirement: str, place: str) -> WaiverRow | None:
    every = workspace.catalog.claims.waivers(claim)
    return next((one for one in every if (one.requirement, one.place) == (requirement, place)), None)


# --- undo --------------------------------------------------------------------------------


def undo(workspace: Workspace, number: int | None = None) -> tuple[Decision, Corrected]:
    """Take back a correction, the latest standing one by default.

    Raises BadInputError when there is none, when its claim is signed, closed or purged meanwhile, or when a
    later correction rests on it.
    """
    with workspace.locked():
        standing = workspace.catalog.claims.decisions(kinds=UNDOABLE)
        chosen = [one for one in standing if number is None or one.number == number]
        if not chosen:
            what = "nothing to undo" if number is None else f"no correction {number} that stands"
            raise BadInputError(f"There is {what}.", "`evidence custody` shows what was done.")
        decision = chosen[-1]
        _refuse_overlaid(decision, standing)
        digests = [sha for sha in about(decision) if workspace.catalog.photos.known([sha])]
        records = workspace.catalog.photos.records(digests)
        require_open(workspace, {decision.claim} | {record.claim for record in records}, what="corrections")
        with workspace.catalog.transaction():
            counts = workspace.catalog.photos.counts()
            workspace.catalog.claims.mark_undone(decision.number)
            refreshed = _taken_back(workspace, decision, digests)
            _refuse_concluded(workspace, counts)
            _note(workspace, decision.number, "undone", digests, kind=decision.kind)
        return decision, _followed(workspace, decision.number, refreshed, digests)


def _refuse_overlaid(decision: Decision, standing: Iterable[Decision]) -> None:
    """A tag or waiver under a later one of the same cannot be lifted out: what it replaced is long past."""
    if decision.kind not in ("tag", "waive"):
        return
    later = [
        one
        for one in standing
        if one.number > decision.number and one.kind == decision.kind and _settles(one) & _settles(decision)
    ]
    if later:
        raise BadInputError(
            f"Correction {later[-1].number} speaks of the same.",
            f"Take that back first: evidence undo {later[-1].number}",
        )


def _settles(decision: Decision) -> set[tuple[str, str]]:
    after: Mapping[str, Any] = decision.after
    if decision.kind == "waive":
        return {(f"{after['claim']} {after['requirement']}", after["place"])}
    return {(sha, facet) for sha, facets in after.items() for facet in facets}


def _taken_back(workspace: Workspace, decision: Decision, digests: Sequence[Sha256]) -> Refreshed:
    if decision.kind == "tag":
        for sha in digests:
            earlier: Mapping[str, str | None] = decision.before[sha]
            workspace.catalog.photos.state(
                [sha],
                {Facet(f): word for f, word in earlier.items()},
                reason=f"stated before; undone by {workspace.actor}",
            )
        claims = {record.claim for record in workspace.catalog.photos.records(digests)}
        return retag(workspace, claims, stated=claims)
    if decision.kind == "waive":
        _waive_back(workspace, decision)
        claim = ClaimId(decision.after["claim"])
        workspace.catalog.keeping.mark_known_dirty([claim])
        workspace.catalog.claims.touch(claim)
        return Refreshed(touched=frozenset({claim}), findings=())
    return refresh_days(workspace, digests)


def _waive_back(workspace: Workspace, decision: Decision) -> None:
    after: Mapping[str, Any] = decision.after
    claim, requirement, place = ClaimId(after["claim"]), after["requirement"], after["place"]
    workspace.catalog.claims.drop_waiver(claim, requirement, place)
    earlier: Mapping[str, str] | None = decision.before
    if earlier:
        at = datetime.fromisoformat(earlier["at"])
        workspace.catalog.claims.put_waiver(
            WaiverRow(
                claim=claim,
                requirement=requirement,
                place=place,
                by=earlier["by"],
                why=earlier["why"],
                at=at,
            )
        )


def about(decision: Decision) -> list[Sha256]:
    """The photos that a decision speaks of."""
    after: Mapping[str, Any] = decision.after
    if decision.kind in ("move", "name"):
        return [Sha256(sha) for sha in after["photos"]]
    if decision.kind in ("cut", "join"):
        return [Sha256(after["before"])]
    if decision.kind == "shift":
        return [Sha256(sha) for sha in after["claims"]]
    if decision.kind == "tag":
        return [Sha256(sha) for sha in after]
    return []


def _decide(workspace: Workspace, kind: str, claim: ClaimId | None, *, before: Any, after: Any) -> int:
    return workspace.catalog.claims.record(
        at=workspace.now(), actor=workspace.actor, kind=kind, claim=claim, before=before, after=after
    )


def require_open(workspace: Workspace, claims: Iterable[ClaimId | None], *, what: str = "photos") -> None:
    """Nothing of a signed or closed claim changes behind the reviewer's back; raises BadInputError."""
    for claim in sorted(claim for claim in claims if claim):
        row = workspace.catalog.claims.get(claim)
        if row is None:
            raise BadInputError(f"There is no claim {claim}.", "`evidence claims` lists them.")
        if row.state is ClaimState.PURGED:
            raise BadInputError(f"Claim {claim} was purged.", "Nothing can be filed under it or changed.")
        if row.state not in CHANGEABLE:
            raise BadInputError(
                f"Claim {claim} is {row.state.value}; its {what} stay as they are.",
                "Reopen it, or take the sign-off back, before anything is changed.",
            )


def _refuse_concluded(workspace: Workspace, before: Counts) -> None:
    """Raise BadInputError, so that nothing is committed, when photos came to or left a signed or closed claim."""
    after = workspace.catalog.photos.counts()
    for row in workspace.catalog.claims.all():
        claim = row.claim.claim
        if row.state in CONCLUDED and before.get(claim, (0,))[0] != after.get(claim, (0,))[0]:
            raise BadInputError(
                f"That would change which photos claim {claim} has, and it is {row.state.value}.",
                "Reopen it, or take the sign-off back, before photos come or go.",
            )


def _note(
    workspace: Workspace, number: int, action: str, digests: Sequence[Sha256], **details: object
) -> None:
    records: list[PhotoRecord] = workspace.catalog.photos.records(digests)
    subject = ", ".join(sorted(record.name for record in records)[:5])
    workspace.record(action, subject, decision=number, photos=list(digests), **details)


def _followed(
    workspace: Workspace, number: int, refreshed: Refreshed, digests: Sequence[Sha256]
) -> Corrected:
    """Let the bags follow a correction."""
    file_away(workspace)
    touched = tuple(sorted(claim or "unassigned" for claim in refreshed.touched))
    return Corrected(decision=number, photos=len(digests), claims=touched)
