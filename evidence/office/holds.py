"""Place holds, lift them by two people, and tell which hold covers which claim."""

from __future__ import annotations

import contextlib
import logging
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from evidence.archive.custody_texts import FreeText
from evidence.catalog.holds import HoldRow
from evidence.codec import to_json
from evidence.errors import BadInputError, EvidenceError, LockedError
from evidence.filing.bags import file_away_soon
from evidence.lookup import require_claim
from evidence.model import Claim, ClaimId, ClaimState, HoldKind, HoldScope
from evidence.office.people import require_login
from evidence.office.second_person import require_other_person
from evidence.retention.facts import LegalHold
from evidence.retention.holds import covers, in_force, kind_words
from evidence.workspace import Workspace

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedHold:
    """A hold and the claims that it covers now."""

    hold: HoldRow
    claims: tuple[ClaimId, ...]


def place_hold(
    workspace: Workspace,
    scope: ClaimId | HoldScope,
    *,
    reason: str,
    kind: HoldKind = HoldKind.OWN,
    until: date | None = None,
) -> int:
    """Place a hold: until it ends, nothing of the claims that it covers may be purged. Returns its number.

    It is in force as soon as it is in the catalog, whatever else runs: it waits for no lock. When this returns, a
    purge has ended the removal of the copy at which the hold found it; the next one does not begin. A bag's record
    of a hold on its claim follows at the next filing. Raises BadInputError.
    """
    scope = scope if isinstance(scope, HoldScope) else HoldScope(claim=scope)
    _check(workspace, scope, reason, until)
    claims = [] if scope.claim else _covered_by(scope, _claims(workspace))
    with workspace.catalog.transaction():
        number = workspace.catalog.holds.place(
            scope,
            kind=kind,
            reason=reason,
            until=until,
            covered=claims,
            by=workspace.actor,
            at=workspace.now(),
        )
        said: dict[str, object] = {"hold": number, "kind": kind.value, "reason": reason}
        if until:
            said["until"] = until.isoformat()
        if not scope.claim:
            said |= {
                "scope": {**to_json(scope), "insured": FreeText(scope.insured)},
                "covered": claims,
            }
        workspace.record("hold_placed", scope.claim or "holds", **said)
        _mark(workspace, scope.claim)
    with contextlib.suppress(LockedError), workspace.holding():
        pass  # a removal that had begun has ended now; one that takes longer is not waited for
    _build_outdated_bags(workspace)
    return number


def ask_to_lift(workspace: Workspace, number: int, *, why: str) -> HoldRow:
    """Ask that a hold ends; it stays in force until another person agrees. Raises BadInputError."""
    if not why.strip():
        raise BadInputError("Lifting a hold needs a reason.", "Add --reason.")
    require_login(workspace)
    with workspace.holding():
        hold = _open_hold(workspace, number)
        with workspace.catalog.transaction():
            workspace.catalog.holds.ask_lift(number, by=workspace.actor, why=why, at=workspace.now())
            workspace.record("hold_lift_asked", hold.claim or "holds", hold=number, reason=why)
            _mark(workspace, hold.claim)
    _build_outdated_bags(workspace)
    return hold


def lift_hold(workspace: Workspace, number: int) -> HoldRow:
    """End a hold that another person asked to lift.

    Raises BadInputError when it is unknown or lifted already, nobody asked, or the actor asked.
    """
    with workspace.holding():
        hold = _open_hold(workspace, number)
        if hold.lift_asked_by is None:
            raise BadInputError(
                f"Nobody asked to lift hold {number}.",
                f"Ask with `evidence hold lift {number} --reason TEXT`; then another person confirms it.",
            )
        require_other_person(workspace, hold.lift_asked_by, what=f"the lifting of hold {number}")
        with workspace.catalog.transaction():
            workspace.catalog.holds.lift(number, by=workspace.actor, at=workspace.now())
            workspace.record(
                "hold_lifted",
                hold.claim or "holds",
                hold=number,
                reason=hold.lifted_why or "",
                asked_by=hold.lift_asked_by,
            )
            _mark(workspace, hold.claim)
    _build_outdated_bags(workspace)
    return hold


def holds_listed(workspace: Workspace, *, ended_too: bool = False) -> list[PlacedHold]:
    """Holds, oldest first, with the claims that each covers; `ended_too` also those lifted or past their last day."""
    claims, today = _claims(workspace), workspace.today()
    return [
        PlacedHold(hold=hold, claims=tuple(c.claim for c in claims if hold_covers(hold, c)))
        for hold in workspace.catalog.holds.all(active_only=not ended_too)
        if ended_too or in_force(hold.until, lifted=not hold.active, today=today)
    ]


def hold_covers(hold: HoldRow, claim: Claim) -> bool:
    """True when the hold covers the claim, or once did: a corrected name or date takes no claim out of a hold."""
    return claim.claim in hold.covered or covers(hold.scope, claim)


class HoldsInForce:
    """The holds that are in force on one day, asked claim by claim."""

    def __init__(self, holds: Iterable[HoldRow], *, today: date) -> None:
        self._by_claim: dict[ClaimId, set[int]] = defaultdict(set)
        """Places in `_holds` of those that name a claim, or covered it at some time."""
        self._holds = [one for one in holds if in_force(one.until, lifted=not one.active, today=today)]
        self._wide = [place for place, one in enumerate(self._holds) if one.scope.claim is None]
        for place, one in enumerate(self._holds):
            for claim in (*one.covered, *([one.scope.claim] if one.scope.claim else [])):
                self._by_claim[claim].add(place)

    def of(self, claim: Claim) -> tuple[LegalHold, ...]:
        """Those that cover the claim, in their order."""
        named = self._by_claim.get(claim.claim, set())
        wide = {place for place in self._wide if covers(self._holds[place].scope, claim)}
        return tuple(_legal_hold(self._holds[place]) for place in sorted(named | wide))


def _legal_hold(hold: HoldRow) -> LegalHold:
    return LegalHold(
        name=f"hold {hold.number}",
        why=hold.reason,
        by=hold.placed_by,
        placed=hold.placed_at,
        kind=kind_words(hold.kind),
        until=hold.until,
    )


def cover_arrivals(workspace: Workspace, claims: Sequence[Claim]) -> None:
    """Note for every hold which of these new or changed claims it covers, so that a later correction changes nothing."""
    for hold in workspace.catalog.holds.all(active_only=True):
        if hold.claim is None and (claims_covered := _covered_by(hold.scope, claims)):
            workspace.catalog.holds.cover(hold.number, claims_covered)


def _covered_by(scope: HoldScope, claims: Iterable[Claim]) -> list[ClaimId]:
    return [one.claim for one in claims if covers(scope, one)]


def _check(workspace: Workspace, scope: HoldScope, reason: str, until: date | None) -> None:
    if not reason.strip():
        raise BadInputError("A hold needs a reason.", "Add --reason, for instance --reason 'suit filed'.")
    if scope.claim and not workspace.catalog.debts.of_claim(
        scope.claim
    ):  # a station still has its part of those
        require_claim(workspace, scope.claim, quarantined=True)
    others = (scope.insured.strip(), scope.peril.strip(), scope.first_loss, scope.last_loss, *scope.area)
    if scope.claim and any(others):
        raise BadInputError(
            "A hold on one claim has no other conditions.", "Leave out the claim, or the others."
        )
    if not scope.claim and not any(others):
        raise BadInputError(
            "A hold needs something to cover.",
            "Name a claim, or give --insured, --peril, --loss-from, --loss-to or --area.",
        )
    if scope.first_loss and scope.last_loss and scope.last_loss < scope.first_loss:
        raise BadInputError(
            f"--loss-to {scope.last_loss} is before --loss-from {scope.first_loss}.", "Exchange the two."
        )
    if until is not None and until < workspace.today():
        raise BadInputError(f"--until {until} is in the past.", "Give the hold's last day, or leave it out.")


def _open_hold(workspace: Workspace, number: int) -> HoldRow:
    hold = workspace.catalog.holds.get(number)
    if hold is None or not hold.active:
        raise BadInputError(f"There is no hold {number} in force.", "`evidence hold list` shows them.")
    return hold


def _claims(workspace: Workspace) -> list[Claim]:
    return [row.claim for row in workspace.catalog.claims.all() if row.state is not ClaimState.PURGED]


def _mark(workspace: Workspace, claim: ClaimId | None) -> None:
    if claim:
        workspace.catalog.keeping.mark_dirty([claim])


def _build_outdated_bags(workspace: Workspace) -> None:
    """Build the bags that a hold made outdated, unless another command works on the archive: then they follow later.

    The hold is in force already, so nothing that goes wrong with a bag is reported as its failure.
    """
    try:
        with workspace.locked(wait=False):
            file_away_soon(workspace)
    except EvidenceError as trouble:
        log.warning("bags_built_later: %s", trouble)
