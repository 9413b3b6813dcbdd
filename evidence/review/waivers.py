"""Required shots that a person sets aside for a claim."""

from __future__ import annotations

from collections.abc import Sequence

from evidence.analysis.coverage import asked_shot
from evidence.analysis.refresh import Refreshed
from evidence.catalog.claims import WaiverRow
from evidence.catalog.decisions import EarlierWaiver, Waive
from evidence.errors import BadInputError
from evidence.model import ClaimId
from evidence.review.recording import Corrected, build_outdated_bags, decide, require_open
from evidence.workspace import Workspace


def waive(workspace: Workspace, claim: ClaimId, requirement: str, *, place: str = "", why: str) -> Corrected:
    """Set a required shot aside for this claim, at one face or structure or everywhere.

    Raises BadInputError without a reason, for a claim that is signed or closed, or for a shot or place that
    the claim's list does not ask for.
    """
    requirement, place = asked_shot(workspace, claim, requirement, place)
    with workspace.locked():
        numbers = set_aside(workspace, claim, [(requirement, place)], why=why)
        return build_outdated_bags(workspace, numbers[0], _changed(claim), ())


def set_aside(
    workspace: Workspace, claim: ClaimId, shots: Sequence[tuple[str, str]], *, why: str
) -> list[int]:
    """Set these shots aside, each with its place, for one reason; returns the decisions' numbers.

    The bag is only marked as outdated. Raises BadInputError without a reason, or for a claim that is signed or
    closed; whether the list asks for the shots is the caller's to check.
    """
    if not why.strip():
        raise BadInputError(
            "A waiver needs a reason.", "Add --reason, for instance 'no A/C unit at this house'."
        )
    with workspace.locked():
        require_open(workspace, {claim}, what="waivers")
        with workspace.catalog.transaction():
            return [_set_one_aside(workspace, claim, requirement, place, why) for requirement, place in shots]


def _set_one_aside(workspace: Workspace, claim: ClaimId, requirement: str, place: str, why: str) -> int:
    decision = Waive(
        replaced=_waiver_of(workspace, claim, requirement, place),
        claim=claim,
        requirement=requirement,
        place=place,
        why=why,
    )
    number = decide(workspace, decision, claim)
    _store(workspace, decision, EarlierWaiver(by=workspace.actor, why=why, at=workspace.now()))
    workspace.record("waived", claim, decision=number, requirement=requirement, place=place, why=why)
    return number


def undo_waiver(workspace: Workspace, decision: Waive) -> Refreshed:
    """Put back the waiver that this one replaced, or none, inside the caller's transaction."""
    _store(workspace, decision, decision.replaced)
    return _changed(decision.claim)


def _waiver_of(workspace: Workspace, claim: ClaimId, requirement: str, place: str) -> EarlierWaiver | None:
    for one in workspace.catalog.claims.waivers(claim):
        if (one.requirement, one.place) == (requirement, place):
            return EarlierWaiver(by=one.by, why=one.why, at=one.at)
    return None


def _store(workspace: Workspace, decision: Waive, waiver: EarlierWaiver | None) -> None:
    claim, requirement, place = decision.claim, decision.requirement, decision.place
    claims = workspace.catalog.claims
    if waiver is None:
        claims.drop_waiver(claim, requirement, place)
    else:
        claims.put_waiver(
            WaiverRow(
                claim=claim,
                requirement=requirement,
                place=place,
                by=waiver.by,
                why=waiver.why,
                at=waiver.at,
            )
        )
    workspace.catalog.mark_changed([claim])


def _changed(claim: ClaimId) -> Refreshed:
    return Refreshed(touched=frozenset({claim}), findings=())
