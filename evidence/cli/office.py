"""The office admin's commands: back up, and finally purge."""

from __future__ import annotations

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
)
from evidence.cli.keeping import COUNSEL, date_or_none
from evidence.errors import ArchiveOlderError, BadInputError, counted
from evidence.model import ClaimId

if TYPE_CHECKING:
    from evidence.filing.backup import BackupReport
    from evidence.retention.purge import Refused

purge = typer.Typer(help="Purge claims: one person plans, another approves, then run.", no_args_is_help=True)
ConfirmDate = Annotated[
    str | None,
    typer.Option(
        "--confirm-date",
        metavar="DATE",
        help="Today's date, to confirm it when the computer's date looks wrong.",
    ),
]
Plan = Annotated[str, typer.Argument(metavar="PLAN", help="The plan's name, or its first letters.")]


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(rich_help_panel=OFFICE)(backup)
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
        cards = card_safety.judge_cards(here)
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


@purge.command("plan")
def purge_plan(
    claims: Annotated[list[str] | None, typer.Argument(metavar="CLAIM", show_default=False)] = None,
    confirm_date: ConfirmDate = None,
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
        planned = purging.plan_purge(
            here, named or None, confirmed=date_or_none(confirm_date, "--confirm-date")
        )
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
def purge_run(
    plan: Plan,
    confirm_date: ConfirmDate = None,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Purge the claims of an approved plan and write certificates.

    Every copy is removed; then the program searches for copies that remain.
    """
    from evidence.office import purging
    from evidence.retention.addresses import owed_line

    with opened(archive, actor) as here:
        report = purging.run_purge(here, plan, confirmed=date_or_none(confirm_date, "--confirm-date"))
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
