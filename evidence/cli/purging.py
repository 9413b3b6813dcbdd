"""The office admin's commands for purging: plan, show, approve, run, undo."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from shlex import quote
from typing import TYPE_CHECKING, Annotated

import typer

from evidence.cli.common import (
    FINDINGS,
    OFFICE,
    Actor,
    Archive,
    Json,
    PasswordStdin,
    emit,
    opened,
    opened_by_person,
    require_reason_or_confirm,
    table,
)
from evidence.errors import BadInputError
from evidence.model import ClaimId
from evidence.plain_words import typed_date_or_none

if TYPE_CHECKING:
    from rich.table import Table

    from evidence.filing.owed import Owed
    from evidence.office.purge_views import PlannedClaimView, PlanView
    from evidence.retention.purge.run import PurgeReport, Refused

COUNSEL = "A purge destroys evidence. The rules are the office's own settings: check with counsel that they meet the law."
ON_TRUST = (
    "No people are registered, so the second person is on trust: the program cannot tell who typed a name. "
    "Register people with `evidence people add`."
)

FINISH = (
    "A station removes its part at its next intake or backup; `evidence purge finish` there does it at once."
)

purge = typer.Typer(help="Purge claims: one person plans, another approves, then run.", no_args_is_help=True)
Plan = Annotated[str, typer.Argument(metavar="PLAN", help="The plan's name, or its first letters.")]
ConfirmDate = Annotated[
    str | None,
    typer.Option(
        "--confirm-date",
        metavar="DATE",
        help="Today's date, to confirm it when the computer's date looks wrong.",
    ),
]
Yes = Annotated[bool, typer.Option("--yes", help="Do not ask.")]


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.add_typer(purge, name="purge", rich_help_panel=OFFICE)


@purge.command("plan")
def purge_plan(
    claims: Annotated[list[str] | None, typer.Argument(metavar="CLAIM", show_default=False)] = None,
    yes: Yes = False,
    confirm_date: ConfirmDate = None,
    archive: Archive = None,
    actor: Actor = None,
    password_stdin: PasswordStdin = False,
    as_json: Json = False,
) -> None:
    """Make a plan for these claims, or for all that are due today.

    It shows each claim's files and what the purge cannot reach; on a terminal it asks whether to keep the plan.
    """
    from evidence.lookup import known_claim
    from evidence.office import purging
    from evidence.office.purge_views import view_plan
    from evidence.retention.purge.addresses import owed_line

    with opened_by_person(archive, actor, password_stdin=password_stdin) as here:
        named = [ClaimId(known_claim(here, one)) for one in claims or ()]
        planned = purging.plan_purge(
            here, named or None, confirmed=typed_date_or_none(confirm_date, "--confirm-date")
        )
        view = view_plan(here, planned.plan)
        if not as_json:
            emit(False, None, lambda: _plan_lines(view))
        if not (yes or as_json) and sys.stdin.isatty() and not typer.confirm("Keep this plan?"):
            purging.undo_purge(here, planned.plan)
            emit(False, None, lambda: ["The plan is withdrawn."])
            return
        on_trust = not here.logged_in
    emit(
        as_json,
        {**vars_of(planned), "details": view, "on_trust": on_trust, "note": COUNSEL},
        lambda: [
            *(f"Not reachable, to be deleted later: {owed_line(one)}" for one in planned.owed),
            *([ON_TRUST] if on_trust else []),
            f"To approve it, as another person: evidence purge approve {planned.plan} --actor NAME",
            COUNSEL,
        ],
    )


def vars_of(planned: object) -> dict[str, object]:
    """The fields of a frozen value, as data."""
    from evidence.codec import to_json

    return dict(to_json(planned))


@purge.command("show")
def purge_show(plan: Plan, archive: Archive = None, as_json: Json = False) -> None:
    """Show a plan: its claims, people and how far it has come."""
    from evidence.office.purge_views import view_plan

    with opened(archive) as here:
        view = view_plan(here, plan)
    emit(as_json, view, lambda: _plan_lines(view))


@purge.command("history")
def purge_history(archive: Archive = None, as_json: Json = False) -> None:
    """List every plan, and the disks and stations that may still hold copies of purged claims."""
    from evidence.filing.owed import list_owed
    from evidence.filing.station_debts import owed_parts, part_words
    from evidence.office.purge_views import view_plans

    with opened(archive) as here:
        views, owed, parts = view_plans(here), list_owed(here), owed_parts(here)
    rows = (
        (
            view.plan,
            view.state,
            ", ".join(one.claim for one in view.claims),
            view.planned_by,
            view.approved_by or "",
        )
        for view in views
    )
    emit(
        as_json,
        {"plans": views, "owed": owed, "stations": parts},
        lambda: [
            table(["plan", "state", "claims", "planned by", "approved by"], rows),
            *(_owed_line(one) for one in owed),
            *(f"Still owed: {part_words(one)}." for one in parts),
            *([FINISH] if parts else []),
        ],
    )


def _owed_line(one: Owed) -> str:
    destroyed = f"declare it destroyed: `evidence purge destroyed {quote(one.target)}`"
    if one.target.startswith("station "):
        return f"Still owed: claim {one.claim} in the archive of the {one.target}, which left, since {one.since}. If it is gone, {destroyed}."
    return (
        f"Still owed: claim {one.claim} on target {one.target}, since {one.since}. Connect it and run "
        f"`evidence backup`, or {destroyed}."
    )


@purge.command("finish")
def purge_finish(archive: Archive = None, actor: Actor = None, as_json: Json = False) -> None:
    """Remove at this station what is left here of claims that were purged at other stations.

    An intake, a backup and a purge here do the same when they begin. Nothing is removed of a claim that a hold covers.
    """
    from evidence.office.purging import finish_purges

    with opened(archive, actor) as here:
        done = finish_purges(here)
    emit(
        as_json,
        done,
        lambda: [
            f"Removed here: {', '.join(done.removed)}." if done.removed else "Nothing was removed.",
            *(f"  {one.subject}: {one.message}" for one in done.findings),
        ],
    )
    if done.findings:
        raise typer.Exit(FINDINGS)


@purge.command("approve")
def purge_approve(
    plan: Plan,
    archive: Archive = None,
    actor: Actor = None,
    password_stdin: PasswordStdin = False,
    as_json: Json = False,
) -> None:
    """Approve a plan that another person made."""
    from evidence.office import purging

    with opened_by_person(archive, actor, password_stdin=password_stdin) as here:
        digest = purging.approve_purge(here, plan)
        by, on_trust = here.actor, not here.logged_in
    emit(
        as_json,
        {"plan": plan, "digest": digest, "approved_by": by, "on_trust": on_trust},
        lambda: [
            *([ON_TRUST] if on_trust else []),
            f"Approved by {by}. To run it: evidence purge run {plan}",
            COUNSEL,
        ],
    )


@purge.command("run")
def purge_run(
    plan: Plan,
    yes: Yes = False,
    confirm_date: ConfirmDate = None,
    archive: Archive = None,
    actor: Actor = None,
    password_stdin: PasswordStdin = False,
    as_json: Json = False,
) -> None:
    """Run an approved plan: move every copy into quarantine, and after its days delete them.

    Run it again after that time. It then searches for copies that remain and writes certificates. It asks on a
    terminal; elsewhere it needs --yes.
    """
    from evidence.office import purging
    from evidence.office.purge_views import view_plan

    with opened_by_person(archive, actor, password_stdin=password_stdin) as here:
        if not yes:
            view = view_plan(here, plan)
            if not as_json:
                emit(False, None, lambda: [*_plan_lines(view), COUNSEL])
            if as_json or not sys.stdin.isatty():
                raise BadInputError(
                    "Nothing was purged: there is no terminal to ask on.", "Look at the plan, then add --yes."
                )
            if not typer.confirm("Purge these claims?"):
                emit(False, None, lambda: ["Nothing was purged."])
                return
        report = purging.run_purge(here, plan, confirmed=typed_date_or_none(confirm_date, "--confirm-date"))
    emit(as_json, _report_data(report), lambda: _report_lines(report, plan))
    if report.refused:
        raise typer.Exit(FINDINGS)


@purge.command("undo")
def purge_undo(
    plan: Plan,
    archive: Archive = None,
    actor: Actor = None,
    password_stdin: PasswordStdin = False,
    as_json: Json = False,
) -> None:
    """Bring back every claim of a plan that is in quarantine, or withdraw a plan."""
    from evidence.office import purging
    from evidence.retention.purge.taking_back import stays_text

    with opened_by_person(archive, actor, password_stdin=password_stdin) as here:
        back = purging.undo_purge(here, plan)
    emit(
        as_json,
        {"plan": plan, "undone": back.claims, "stays": back.stays},
        lambda: [
            f"Taken back: {', '.join(back.claims) or 'nothing, it was taken back before'}.",
            *filter(None, [stays_text(back.stays)]),
        ],
    )


@purge.command("destroyed")
def purge_destroyed(
    target: Annotated[str, typer.Argument(metavar="TARGET", help="The target that may still hold copies.")],
    reason: Annotated[
        str | None, typer.Option("--reason", help="How the disk was destroyed.", show_default=False)
    ] = None,
    confirm: Annotated[bool, typer.Option("--confirm", help="Confirm it as the second person.")] = False,
    archive: Archive = None,
    actor: Actor = None,
    password_stdin: PasswordStdin = False,
    as_json: Json = False,
) -> None:
    """Declare that a disk with copies of purged claims was destroyed; another person confirms.

    Of a station that left, TARGET is 'station NAME'.
    """
    from evidence.office import owed_copies

    require_reason_or_confirm(reason, confirm=confirm)
    with opened_by_person(archive, actor, password_stdin=password_stdin) as here:
        if confirm:
            owed_copies.confirm_destroyed(here, target)
        else:
            owed_copies.declare_destroyed(here, target, reason=reason or "")
    emit(
        as_json,
        {"target": target, "confirmed": confirm},
        lambda: [
            f"The disk of {target} is destroyed; it owes nothing any more."
            if confirm
            else f"Declared destroyed. To confirm it, as another person: evidence purge destroyed {target} --confirm",
            COUNSEL,
        ],
    )


# --- words -------------------------------------------------------------------------------


def _plan_lines(view: PlanView) -> Iterable[str | Table]:
    yield f"Plan {view.plan}: {view.state}. Planned by {view.planned_by} on {view.made:%Y-%m-%d %H:%M} UTC."
    if view.approved_by:
        until = f", good through {view.approval_ends}" if view.approval_ends else ""
        yield f"Approved by {view.approved_by}{until}."
    yield table(
        ["claim", "insured", "files", "bytes", "taken", "places", "state"], map(_claim_row, view.claims)
    )
    for one in view.claims:
        yield f"Claim {one.claim}: {one.reason}."
        for line in one.owed:
            yield f"Claim {one.claim}, not reachable: {line}"
        yield from (f"{line}." for line in one.stations)


def _claim_row(one: PlannedClaimView) -> tuple[object, ...]:
    state = f"{one.state} until {one.until:%Y-%m-%d}" if one.until else one.state
    return (
        one.claim,
        one.insured,
        one.files,
        one.octets,
        " to ".join(dict.fromkeys(one.taken)),
        "; ".join(one.places),
        state,
    )


def _report_data(report: PurgeReport) -> dict[str, object]:
    return {
        "purged": [
            {
                "claim": one.claim,
                "certificate": str(one.certificate),
                "owed": one.owed,
                "stations": one.stations,
            }
            for one in report.purged
        ],
        "quarantined": [{"claim": one.claim, "until": one.until} for one in report.quarantined],
        "refused": [_refused_json(one) for one in report.refused],
        "remaining": report.remaining,
        "note": COUNSEL,
    }


def _report_lines(report: PurgeReport, plan: str) -> Iterable[str]:
    for one in report.purged:
        yield f"Claim {one.claim} purged; certificate {one.certificate}"
        yield from (f"Not reached, to be deleted later: {line}" for line in one.owed)
        yield from (f"Left to that station's next intake or backup: {line}" for line in one.stations)
    for waiting in report.quarantined:
        yield (
            f"Claim {waiting.claim} is in quarantine. After {waiting.until:%Y-%m-%d %H:%M} UTC, delete it: "
            f"evidence purge run {plan}. Until then, bring it back: evidence purge undo {plan}"
        )
    yield from (f"Claim {one.claim} was not purged: {one.reason}" for one in report.refused)
    yield from (f"Remaining: {text}" for text in report.remaining)
    yield COUNSEL


def _refused_json(refused: Refused) -> dict[str, object]:
    from evidence.retention.purge.addresses import place_text, shared_photo

    left = [
        {
            "kind": copy.kind,
            "place": place_text(copy),
            "sha256": shared_photo(copy),
            "by_digest": shared_photo(copy) is not None,
        }
        for copy in refused.left
    ]
    return {"claim": refused.claim, "reason": refused.reason, "begun": refused.begun, "left": left}
