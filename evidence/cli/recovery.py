"""Commands for when something was lost: repair bad files, restore from a target, make the catalog anew."""

from __future__ import annotations

from pathlib import Path
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
    require_archive,
)
from evidence.errors import counted

if TYPE_CHECKING:
    from collections.abc import Iterable

    from evidence.filing.rebuild import RebuildReport
    from evidence.model import Finding


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    for command in (repair, restore, rebuild):
        app.command(rich_help_panel=OFFICE)(command)


def repair(
    card: Annotated[
        Path | None,
        typer.Option("--card", metavar="DIR", help="Look for copies on this card too.", show_default=False),
    ] = None,
    everything: Annotated[
        bool, typer.Option("--all", help="Read every file first, not only those found bad before.")
    ] = False,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Replace bad and missing files from copies that still match.

    Works here and at the backup targets. The bad bytes are kept in a folder named damaged. The last lines say which
    earlier cards may be erased now.
    """
    from evidence.codec import to_json
    from evidence.filing import card_safety
    from evidence.filing.repair import repair as repair_files

    with opened(archive, actor) as here, progress_shown() as progress:
        report = repair_files(here, card=card, everything=everything, progress=progress)
        cards = card_safety.judge_cards(here)
    emit(
        as_json,
        {**to_json(report), "cards": to_json(cards)},
        lambda: [
            f"{counted(report.read, 'file')} read, {len(report.repaired)} repaired, {len(report.findings)} not repaired.",
            *(f"  {one.place}: {one.path} repaired from {one.source}" for one in report.repaired),
            *([] if everything or report.read or report.findings else [_NOTHING_NOTED]),
            *_lines(report.findings),
            *card_lines.card_summary(cards),
        ],
    )
    if report.findings:
        raise typer.Exit(FINDINGS)


_NOTHING_NOTED = (
    "No original is noted as bad. To read every file and repair what is bad: evidence repair --all"
)


def restore(
    target: Annotated[
        str,
        typer.Argument(metavar="TARGET", help="The target's folder, or its name if --archive is given."),
    ],
    into: Annotated[Path, typer.Argument(metavar="DIR", help="A new or empty folder.")],
    claim: Annotated[
        str | None, typer.Option("--claim", help="Only this claim's bag.", show_default=False)
    ] = None,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Bring back an archive or one claim's bag from a target.

    DIR must be new or empty. Every file is compared with its digest on the way.
    """
    from evidence.filing import restore as restoring

    place = restoring.find_target(target, archive)
    with progress_shown() as progress:
        if claim is None:
            report = restoring.restore(place, into, actor=actor, progress=progress)
        else:
            report = restoring.restore_claim(place, into, claim, progress=progress)
    emit(
        as_json,
        report,
        lambda: [
            f"{counted(len(report.bags), 'bag')} with {counted(report.files, 'file')} restored to {into} and verified.",
            *([_rebuilt(report.rebuilt)] if report.rebuilt else []),
            *_lines(report.findings),
        ],
    )
    if report.findings:
        raise typer.Exit(FINDINGS)


def rebuild(
    station: Annotated[
        list[Path] | None,
        typer.Option(
            "--station",
            metavar="DIR",
            help="The folder of another station that shares the catalog, if it is not where the catalog says; may be repeated.",
            show_default=False,
        ),
    ] = None,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Make the catalog anew from the bags and the custody log.

    It also reads the record files. The old catalog is kept in a folder named damaged. People must be given new passwords.
    With several stations it reads the folders of all of them, and none of their programs may run.
    """
    from evidence.filing.rebuild import rebuild as make_anew

    with progress_shown() as progress:
        report = make_anew(
            require_archive(archive), actor=actor, progress=progress, stations=tuple(station or ())
        )
    emit(as_json, report, lambda: [_rebuilt(report), *_lines(report.findings)])
    if report.findings:
        raise typer.Exit(FINDINGS)


def _rebuilt(report: RebuildReport) -> str:
    text = f"The catalog was made anew: {counted(report.claims, 'claim')}, {counted(report.photos, 'file')} in {counted(report.bags, 'bag')}."
    if report.stations:
        text += f" The folders of the stations {', '.join(report.stations)} were read too."
    if report.old_catalog:
        text += f" The old one is in {report.old_catalog}."
    if report.people:
        text += f" {counted(report.people, 'person needs', 'people need')} a new password: run `evidence people add NAME --role ROLE` for each."
    return text


def _lines(findings: Iterable[Finding]) -> Iterable[str]:
    return (f"  {one.subject}: {one.message}" for one in findings)
