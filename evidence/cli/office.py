"""The office admin's commands: back up, verify, hold, and finally purge."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Annotated

import typer

from evidence.cli import card_lines
from evidence.cli.common import (
    FINDINGS,
    OFFICE,
    Actor,
    Archive,
    Json,
    emit,
    opened,
    progress_shown,
    table,
)
from evidence.errors import ArchiveOlderError, BadInputError, counted
from evidence.model import ClaimId

if TYPE_CHECKING:
    from evidence.filing.backup import BackupReport
    from evidence.retention.purge import Refused

COUNSEL = "The rules are the office's own settings; counsel decides whether they meet the law."

hold = typer.Typer(help="Place, lift and list holds. A held claim is never purged.", no_args_is_help=True)
purge = typer.Typer(help="Purge claims: one person plans, another approves, then run.", no_args_is_help=True)
Claim = Annotated[str, typer.Argument(metavar="CLAIM")]
Plan = Annotated[str, typer.Argument(metavar="PLAN", help="The plan's name, or its first letters.")]


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    for command in (backup, close, reopen, retention):
        app.command(rich_help_panel=OFFICE)(command)
    app.add_typer(hold, name="hold", rich_help_panel=OFFICE)
    app.add_typer(purge, name="purge", rich_help_panel=OFFICE)


def backup(archive: Archive = None, actor: Actor = None, as_json: Json = False) -> None:
    """Copy every bag to every backup target and verify each copy.

    The last lines say which earlier cards may be erased now.
    """
    from evidence.codec import to_json
    from evidence.filing import card_safety
    from evidence.filing.backup import ARCHIVE_OLDER, back_up

    with opened(archive, actor) as here, progress_shown() as progress:
        if not here.settings.target:
            raise BadInputError(
                "No backup target is named.",
                "Add one: `evidence target add NAME PATH`.",
            )
        report = back_up(here, progress=progress)
        cards = card_safety.tell_cards(here)
    emit(
        as_json,
        {**to_json(report), "cards": to_json(cards)},
        lambda: [
            _copied(report),
            *(f"Target {one.subject}: {one.message}" for one in report.troubles),
            *card_lines.card_summary(cards),
        ],
    )
    if any(one.code == ARCHIVE_OLDER for one in report.troubles):
        raise typer.Exit(ArchiveOlderError.exit_code)
    if report.troubles:
        raise typer.Exit(FINDINGS)


def _copied(report: BackupReport) -> str:
    if report.targets and not report.compared:
        return "Nothing was copied: no bag has changed since the last backup."
    were = "was" if report.unchanged == 1 else "were"
    return f"{counted(report.copied, 'file')} copied and verified, {report.unchanged} {were} there already."


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
    from evidence.office import retention as keeping

    with opened(archive, actor) as here:
        number = known_claim(here, claim)
        keeping.close_claim(here, number, on=as_date(on, "--on"))
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
    from evidence.office import retention as keeping

    with opened(archive, actor) as here:
        number = known_claim(here, claim)
        keeping.reopen_claim(here, number, on=as_date(on, "--on"))
    emit(as_json, {"claim": number, "reopened_on": on}, lambda: [f"Claim {number} reopened on {on}."])


def retention(
    as_of: Annotated[
        str | None,
        typer.Option("--as-of", metavar="DATE", help="Show the state on this day; default: today."),
    ] = None,
    archive: Archive = None,
    as_json: Json = False,
) -> None:
    """Show which claims are due, held or kept, and why."""
    from evidence.office import retention as keeping

    with opened(archive) as here:
        found = keeping.review_dispositions(here, as_of=as_date(as_of, "--as-of") if as_of else None)
    data = {
        "due": [{"claim": c, "since": v.since, "reason": v.reason} for c, v in found.due],
        "held": [{"claim": c, "reasons": v.reasons} for c, v in found.held],
        "kept": [{"claim": c, "until": v.until, "reason": v.reason} for c, v in found.kept],
        "note": COUNSEL,
    }
    rows = [
        *(("due", c, v.since, v.reason) for c, v in found.due),
        *(("held", c, "", v.reason) for c, v in found.held),
        *(("kept", c, v.until or "no end yet", v.reason) for c, v in found.kept),
    ]
    emit(as_json, data, lambda: [table(["", "claim", "since / until", "why"], rows), COUNSEL])


@hold.command("place")
def hold_place(
    claim: Claim,
    reason: Annotated[
        str, typer.Option("--reason", help="The reason; whoever lifts the hold later reads it.")
    ],
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Place a hold on a claim."""
    from evidence.lookup import known_claim
    from evidence.office import retention as keeping

    with opened(archive, actor) as here:
        number = known_claim(here, claim)
        placed = keeping.place_hold(here, number, reason=reason)
    emit(as_json, {"claim": number, "hold": placed}, lambda: [f"Hold {placed} on claim {number}."])


@hold.command("lift")
def hold_lift(
    number: Annotated[int, typer.Argument(metavar="HOLD")],
    reason: Annotated[str, typer.Option("--reason", help="Why the hold may end.")],
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Lift a hold."""
    from evidence.office import retention as keeping

    with opened(archive, actor) as here:
        keeping.lift_hold(here, number, why=reason)
    emit(as_json, {"hold": number, "lifted": True}, lambda: [f"Hold {number} is lifted."])


@hold.command("list")
def hold_list(
    all_holds: Annotated[bool, typer.Option("--all", help="Show lifted holds too.")] = False,
    archive: Archive = None,
    as_json: Json = False,
) -> None:
    """List holds."""
    with opened(archive) as here:
        holds = here.catalog.claims.holds(active_only=not all_holds)
    rows = (
        (one.number, one.claim, one.reason, one.placed_by, one.placed_at.date(), one.lifted_by or "")
        for one in holds
    )
    emit(as_json, holds, lambda: [table(["hold", "claim", "reason", "by", "since", "lifted by"], rows)])


@purge.command("plan")
def purge_plan(
    claims: Annotated[list[str] | None, typer.Argument(metavar="CLAIM", show_default=False)] = None,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Make a plan for these claims, or for all that are due today."""
    from evidence.lookup import known_claim
    from evidence.office import purging
    from evidence.retention.addresses import owed_line

    with opened(archive, actor) as here:
        named = [ClaimId(known_claim(here, one)) for one in claims or ()]
        planned = purging.plan_purge(here, named or None)
    emit(
        as_json,
        planned,
        lambda: [
            f"Plan {planned.plan}: {', '.join(planned.claims)}.",
            *(f"Not reachable, to be deleted later: {owed_line(one)}" for one in planned.owed),
            f"To approve it, as another person: evidence purge approve {planned.plan} --actor NAME",
            COUNSEL,
        ],
    )


@purge.command("approve")
def purge_approve(plan: Plan, archive: Archive = None, actor: Actor = None, as_json: Json = False) -> None:
    """Approve a plan that another person made."""
    from evidence.office import purging

    with opened(archive, actor) as here:
        digest = purging.approve_purge(here, plan)
        by = here.actor
    emit(
        as_json,
        {"plan": plan, "digest": digest, "approved_by": by},
        lambda: [f"Approved by {by}. To run it: evidence purge run {plan}"],
    )


@purge.command("run")
def purge_run(plan: Plan, archive: Archive = None, actor: Actor = None, as_json: Json = False) -> None:
    """Purge the claims of an approved plan and write certificates.

    Every copy is removed; then the program searches for copies that remain.
    """
    from evidence.office import purging
    from evidence.retention.addresses import owed_line

    with opened(archive, actor) as here:
        report = purging.run_purge(here, plan)
    data = {
        "purged": [
            {"claim": one.claim, "certificate": str(one.certificate), "owed": one.owed}
            for one in report.purged
        ],
        "refused": [_refused_json(one) for one in report.refused],
    }
    emit(
        as_json,
        data,
        lambda: [
            *(f"Claim {one.claim} purged; certificate {one.certificate}" for one in report.purged),
            *(
                f"Not reached, to be deleted later: {owed_line(each)}"
                for one in report.purged
                for each in one.owed
            ),
            *(f"Claim {one.claim} was not purged: {one.reason}" for one in report.refused),
        ],
    )
    if report.refused:
        raise typer.Exit(FINDINGS)


def _refused_json(refused: Refused) -> dict[str, object]:
    from evidence.retention.addresses import place_text, shared_photo

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


def as_date(text: str, option: str) -> date:
    """Parse a date that a person typed; raises BadInputError."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise BadInputError(f"{option}: '{text}' is not a date.", "Write it as 2026-05-14.") from None
