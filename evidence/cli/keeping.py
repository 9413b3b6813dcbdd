"""Commands on how long claims are kept: close, events, rules, and what is due."""

from __future__ import annotations

from shlex import quote
from typing import TYPE_CHECKING, Annotated, Any

import typer

from evidence.cli.common import (
    OFFICE,
    Actor,
    Archive,
    Json,
    PasswordStdin,
    emit,
    opened,
    opened_by_person,
    say,
    table,
)
from evidence.errors import BadInputError, counted
from evidence.plain_words import typed_date, typed_date_or_none

if TYPE_CHECKING:
    from evidence.retention.disposition import Disposition
    from evidence.retention.forecast import Load

COUNSEL = (
    "The rules are the office's own settings; counsel decides whether they meet the law. Check with counsel."
)

rules = typer.Typer(
    help="List the retention rules, and make exceptions from the floor.", no_args_is_help=True
)
Claim = Annotated[str, typer.Argument(metavar="CLAIM")]
Rule = Annotated[str, typer.Argument(metavar="RULE", help="The rule's id.")]


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    for command in (close, reopen, event, retention):
        app.command(rich_help_panel=OFFICE)(command)
    app.add_typer(rules, name="rules", rich_help_panel=OFFICE)


def close(
    claim: Claim,
    on: Annotated[
        str, typer.Option("--on", metavar="DATE", help="The day it was closed, for example 2026-05-14.")
    ],
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Close a claim: its retention period starts."""
    from evidence.lookup import known_claim
    from evidence.office.retention import close_claim, note_on_closing

    with opened(archive, actor) as here:
        number, day = known_claim(here, claim), typed_date(on, "--on")
        close_claim(here, number, on=day)
        note = note_on_closing(here, number, on=day)
    if note:
        say(note)
    emit(as_json, {"claim": number, "closed_on": on}, lambda: [f"Claim {number} closed on {on}."])


def reopen(
    claim: Claim,
    on: Annotated[str, typer.Option("--on", metavar="DATE", help="The day it was reopened.")],
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Reopen a claim: closing it again restarts its period."""
    from evidence.lookup import known_claim
    from evidence.office.retention import reopen_claim

    with opened(archive, actor) as here:
        number = known_claim(here, claim)
        reopen_claim(here, number, on=typed_date(on, "--on"))
    emit(as_json, {"claim": number, "reopened_on": on}, lambda: [f"Claim {number} reopened on {on}."])


def event(
    claim: Claim,
    name: Annotated[
        str,
        typer.Argument(
            metavar="EVENT",
            help="settled, last_activity, adjustment_completed, transaction_ended, exam_report_filed, "
            "inspection, or another one that a rule counts from.",
        ),
    ],
    on: Annotated[str | None, typer.Option("--on", metavar="DATE", help="The day it happened.")] = None,
    unknown: Annotated[
        bool,
        typer.Option(
            "--unknown", help="Undo an earlier statement: it did not happen, or its day is unknown."
        ),
    ] = False,
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="Where the day comes from.")] = "",
    why: Annotated[str, typer.Option("--why", hidden=True, help="The earlier name of --reason.")] = "",
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """State when a claim was settled, completed or examined.

    Rules may count from that day. The latest statement counts; all of them stay in the custody log.
    """
    from evidence.lookup import known_claim
    from evidence.office.events import state_event

    if (on is None) != unknown:
        raise BadInputError("Give either --on DATE or --unknown.", "For instance: --on 2026-05-14.")
    with opened(archive, actor) as here:
        number = known_claim(here, claim)
        before = state_event(here, number, name, typed_date_or_none(on, "--on"), why=reason or why)
    said = f"{name} on {on}" if on else f"{name} is not known"
    emit(
        as_json,
        {"claim": number, "event": name, "on": on, "before": before},
        lambda: [f"Claim {number}: {said}." + (f" Before: {before}." if before else "")],
    )


def retention(
    as_of: Annotated[
        str | None,
        typer.Option("--as-of", metavar="DATE", help="Show the state on this day; default: today."),
    ] = None,
    by_year: Annotated[
        bool, typer.Option("--forecast", help="Count what becomes due in each of the next ten years.")
    ] = False,
    archive: Archive = None,
    as_json: Json = False,
) -> None:
    """Show which claims are due, held or kept, and why."""
    from evidence.office import retention as keeping
    from evidence.office.rules import notice_rules, schedule_of

    if by_year:
        _forecast(archive, as_json)
        return
    with opened(archive) as here:
        found = keeping.review_dispositions(here, as_of=typed_date_or_none(as_of, "--as-of"))
        notice_rules(here, schedule_of(here))
    data = {
        "due": [{"claim": c, "since": v.since, "reason": v.reason, **_basis(v)} for c, v in found.due],
        "held": [{"claim": c, "reasons": v.reasons, **_basis(v)} for c, v in found.held],
        "kept": [{"claim": c, "until": v.until, "reason": v.reason, **_basis(v)} for c, v in found.kept],
        "rules": found.rules,
        "note": COUNSEL,
    }
    rows = [
        *(("due", c, v.since, v.reason) for c, v in found.due),
        *(("held", c, "", v.reason) for c, v in found.held),
        *(("kept", c, v.until or "no end yet", v.reason) for c, v in found.kept),
    ]
    emit(as_json, data, lambda: [table(["", "claim", "since / until", "why"], rows), COUNSEL])


def _basis(verdict: Disposition) -> dict[str, Any]:
    basis = verdict.basis
    return {
        "rule": basis.rule if basis else None,
        "authority": basis.authority if basis else None,
        "arithmetic": basis.arithmetic if basis else None,
        "first_day": basis.first_day if basis else None,
    }


def _forecast(archive: Archive, as_json: bool) -> None:
    from evidence.codec import to_json
    from evidence.office.retention import forecast_purges

    with opened(archive) as here:
        found = forecast_purges(here)
    data = {
        "years": [{"year": year, **to_json(load)} for year, load in found.years],
        "later": to_json(found.later),
        "held": to_json(found.held),
        "without_end": to_json(found.without_end),
        "note": COUNSEL,
    }
    rows = [
        *((str(year), *_load(load)) for year, load in found.years),
        ("later", *_load(found.later)),
        ("held", *_load(found.held)),
        ("no end yet", *_load(found.without_end)),
    ]
    emit(as_json, data, lambda: [table(["due in", "claims", "photos", "gigabytes"], rows), COUNSEL])


def _load(load: Load) -> tuple[int, int, str]:
    return load.claims, load.photos, f"{load.size / 1e9:.1f}"


# --- rules -------------------------------------------------------------------------------


@rules.command("list")
def rules_list(archive: Archive = None, as_json: Json = False) -> None:
    """List the retention rules, who asks for each, and the exceptions from the floor."""
    from evidence.codec import to_json
    from evidence.office.rules import floor_requests, schedule_of
    from evidence.retention.schedule import rule_words

    with opened(archive) as here:
        schedule, requests = schedule_of(here), floor_requests(here)
    data = {
        "digest": schedule.digest,
        "rules": to_json(schedule.rules),
        "exceptions": [{**to_json(one), "in_force": one.in_force} for one in requests],
        "note": COUNSEL,
    }
    rows = [
        (
            one.id,
            ", ".join(one.applies.jurisdictions[:1]) or "all",
            rule_words(one),
            one.authority.words,
            one.note,
        )
        for one in schedule.rules
    ]
    asked = [
        f"Exception: rule {one.rule} may end {counted(one.years, 'year')} after closing; asked by {one.asked_by}"
        + (f", confirmed by {one.agreed_by}" if one.agreed_by else ", not confirmed yet")
        + (f", ended by {one.ended_by}" if one.ended_by else "")
        for one in requests
    ]
    emit(
        as_json,
        data,
        lambda: [
            table(["rule", "for", "keeps", "authority", "note"], rows),
            *asked,
            f"Digest of the rules: {schedule.digest}",
            COUNSEL,
        ],
    )


@rules.command("except")
def rules_except(
    rule: Rule,
    years: Annotated[
        int | None, typer.Option("--years", help="The floor for this rule, in years from closing.")
    ] = None,
    reason: Annotated[
        str | None, typer.Option("--reason", help="Why it may keep less than the floor.")
    ] = None,
    confirm: Annotated[bool, typer.Option("--confirm", help="Confirm it, as another person.")] = False,
    password_stdin: PasswordStdin = False,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Let a rule keep less than the floor of five years. Another person confirms it with --confirm.

    Until then the floor counts.
    """
    from evidence.office.rules import ask_exception, confirm_exception

    if confirm and years is None and reason is None:
        with opened_by_person(archive, actor, password_stdin=password_stdin) as here:
            confirmed = confirm_exception(here, rule)
        data: dict[str, object] = {"rule": rule, "years": confirmed.years, "confirmed": True}
        said = f"Rule {rule} may end {counted(confirmed.years, 'year')} after closing now."
    elif not confirm and years is not None and reason is not None:
        with opened_by_person(archive, actor, password_stdin=password_stdin) as here:
            ask_exception(here, rule, years=years, why=reason)
        data = {"rule": rule, "years": years, "confirmed": False}
        said = f"To confirm it, as another person: evidence rules except {quote(rule)} --confirm --actor NAME"
    else:
        raise BadInputError(
            "Give --years and --reason, or --confirm alone.", "One person asks, another confirms."
        )
    emit(as_json, data, lambda: [said, COUNSEL])


@rules.command("end")
def rules_end(
    rule: Rule,
    reason: Annotated[str, typer.Option("--reason", help="Why it ends.")],
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """End a rule's exception from the floor, or refuse one that was asked for."""
    from evidence.office.rules import end_exception

    with opened(archive, actor) as here:
        end_exception(here, rule, why=reason)
    emit(as_json, {"rule": rule, "ended": True}, lambda: [f"The floor counts for rule {rule}."])
