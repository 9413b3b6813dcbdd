"""The retention rules of an archive: its own over the shipped ones, changes noticed, exceptions from the floor."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import date, datetime

from evidence.catalog.decisions import AgreeFloor, AskFloor, EndFloor, RulesSeen
from evidence.errors import BadInputError, EvidenceError
from evidence.office.people import require_login
from evidence.office.second_person import require_other_person
from evidence.retention.rule_file import load_schedule
from evidence.retention.schedule import FLOOR, FloorException, RetentionSchedule, override, rule_digests
from evidence.settings import default_text
from evidence.toml_files import nearest
from evidence.workspace import Workspace

log = logging.getLogger(__name__)

FILE = "retention.toml"


@dataclass(frozen=True, slots=True, kw_only=True)
class FloorRequest:
    """A request that a rule may keep less than the floor, and what became of it."""

    number: int
    rule: str
    years: int
    why: str
    asked_by: str
    asked: datetime
    agreed_by: str | None = None
    agreed: date | None = None
    """The office's day."""
    ended_by: str | None = None

    @property
    def in_force(self) -> bool:
        """True from a second person's agreement until it is ended."""
        return self.agreed_by is not None and self.ended_by is None


def schedule_of(workspace: Workspace) -> RetentionSchedule:
    """The rules that count: the archive's own over the shipped ones, with the agreed exceptions from the floor.

    Raises BadInputError for a mistake in the archive's file.
    """
    schedule = load_schedule(default_text(FILE), f"config/{FILE}")
    own = workspace.root / "config" / FILE
    if own.is_file():
        schedule = override(schedule, load_schedule(workspace.text(FILE), str(own)))
    return schedule.with_exceptions(
        FloorException(
            rule=one.rule,
            years=one.years,
            why=one.why,
            asked_by=one.asked_by,
            approved_by=one.agreed_by or "",
            approved=one.agreed or one.asked.date(),
        )
        for one in floor_requests(workspace)
        if one.in_force
    )


def notice_rules(workspace: Workspace, schedule: RetentionSchedule) -> bool:
    """`note_rules` for a command that only shows: nothing is recorded while no rules are noted and none are the archive's.

    Nothing goes wrong when the change cannot be recorded now: the next command records it.
    """
    has_own = (workspace.root / "config" / FILE).is_file()
    if not has_own and workspace.catalog.claims.in_force(RulesSeen) is None:
        return False
    try:
        return note_rules(workspace, schedule)
    except EvidenceError as trouble:
        log.warning("rules_noted_later: %s", trouble)
        return False


def note_rules(workspace: Workspace, schedule: RetentionSchedule) -> bool:
    """Record in the custody log that the rules are others than when they were last noted; True when they are.

    Who changed the file is not known; the entry names who used it first.
    """
    seen = workspace.catalog.claims.in_force(RulesSeen)
    before = seen.decision if seen else None
    if before and before.digest == schedule.digest:
        return False
    rules = rule_digests(schedule)
    earlier = before.rules if before else {}
    with workspace.locked(), workspace.catalog.transaction():
        now = RulesSeen(replaced=before.digest if before else None, digest=schedule.digest, rules=rules)
        workspace.catalog.claims.record(now, claim=None, at=workspace.now(), actor=workspace.actor)
        workspace.record(
            "retention_rules_changed" if before else "retention_rules_noted",
            "retention",
            digest=schedule.digest,
            before=now.replaced,
            **(
                {
                    "added": sorted(rules.keys() - earlier.keys()),
                    "removed": sorted(earlier.keys() - rules.keys()),
                    "changed": sorted(r for r in rules.keys() & earlier.keys() if rules[r] != earlier[r]),
                }
                if before
                else {"rules": len(rules)}
            ),
        )
    return before is not None


# --- exceptions from the floor -----------------------------------------------------------


def floor_requests(workspace: Workspace) -> list[FloorRequest]:
    """Every request for an exception from the floor, oldest first."""
    claims = workspace.catalog.claims
    agreed = {one.decision.asked: one for one in claims.decisions(AgreeFloor)}
    ended = {one.decision.asked: one for one in claims.decisions(EndFloor)}
    return [
        FloorRequest(
            number=one.number,
            rule=one.decision.rule,
            years=one.decision.years,
            why=one.decision.why,
            asked_by=one.actor,
            asked=one.at,
            agreed_by=agreed[one.number].actor if one.number in agreed else None,
            agreed=agreed[one.number].at.astimezone().date() if one.number in agreed else None,
            ended_by=ended[one.number].actor if one.number in ended else None,
        )
        for one in claims.decisions(AskFloor)
    ]


def ask_exception(workspace: Workspace, rule: str, *, years: int, why: str) -> int:
    """Ask that a rule may keep less than the floor, down to `years` from closing; returns the request's number.

    It counts when another person confirms it. Raises BadInputError.
    """
    floor = FLOOR.period.years
    if not why.strip():
        raise BadInputError("An exception from the floor needs a reason.", "Add --reason TEXT.")
    if not 0 <= years < floor:
        raise BadInputError(
            f"The floor is {floor} years; {years} years need no exception.", f"Give 0 to {floor - 1} years."
        )
    require_login(workspace)
    with workspace.locked():
        known = [one.id for one in schedule_of(workspace).rules if not one.minimum_of]
        if rule not in known:
            raise BadInputError(f"There is no retention rule '{rule}'.", nearest(rule, known))
        with workspace.catalog.transaction():
            number = workspace.catalog.claims.record(
                AskFloor(rule=rule, years=years, why=why),
                claim=None,
                at=workspace.now(),
                actor=workspace.actor,
            )
            workspace.record("floor_exception_asked", rule, request=number, years=years, reason=why)
    return number


def confirm_exception(workspace: Workspace, rule: str) -> FloorRequest:
    """Confirm the exception that another person asked for; it counts from now on. Raises BadInputError."""
    with workspace.locked():
        request = _newest_request(workspace, rule)
        if request.agreed_by:
            raise BadInputError(
                f"{request.agreed_by} confirmed the exception of rule {rule} already.",
                "There is nothing to do.",
            )
        require_other_person(workspace, request.asked_by, what=f"the exception of rule {rule}")
        with workspace.catalog.transaction():
            workspace.catalog.claims.record(
                AgreeFloor(asked=request.number), claim=None, at=workspace.now(), actor=workspace.actor
            )
            workspace.record(
                "floor_exception_confirmed",
                rule,
                request=request.number,
                years=request.years,
                asked_by=request.asked_by,
            )
    return request


def end_exception(workspace: Workspace, rule: str, *, why: str) -> FloorRequest:
    """End an exception, or turn a request down; one person can do it, because claims are kept longer then."""
    if not why.strip():
        raise BadInputError("Ending an exception needs a reason.", "Add --reason TEXT.")
    with workspace.locked():
        request = _newest_request(workspace, rule)
        with workspace.catalog.transaction():
            workspace.catalog.claims.record(
                EndFloor(asked=request.number, why=why), claim=None, at=workspace.now(), actor=workspace.actor
            )
            workspace.record("floor_exception_ended", rule, request=request.number, reason=why)
    return request


def _newest_request(workspace: Workspace, rule: str) -> FloorRequest:
    found = [one for one in floor_requests(workspace) if one.rule == rule and not one.ended_by]
    if not found:
        raise BadInputError(
            f"Nobody asked for an exception of rule '{rule}'.", "`evidence rules list` shows the exceptions."
        )
    return found[-1]
