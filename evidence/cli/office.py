"""The office admin's command for backups."""

from __future__ import annotations

from typing import TYPE_CHECKING

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
from evidence.errors import ArchiveOlderError, BadInputError, counted

if TYPE_CHECKING:
    from evidence.filing.backup import BackupReport


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(rich_help_panel=OFFICE)(backup)


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
