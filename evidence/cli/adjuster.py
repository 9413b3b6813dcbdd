"""The adjuster's commands: from an empty archive to a card that may be erased."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from evidence.cli import card_lines, claim_lines, photo_lines, setup_lines
from evidence.cli.common import (
    ADJUSTER,
    FINDINGS,
    Actor,
    Archive,
    Force,
    Json,
    as_data,
    emit,
    emit_line,
    opened,
    progress_shown,
    say,
    table,
)
from evidence.cli.json_logs import LogJson, log_card, unsaid, write_json_lines
from evidence.cli.telling import tell_result
from evidence.errors import BadInputError, EvidenceError, counted
from evidence.progress import quiet

if TYPE_CHECKING:
    from rich.table import Table

    from evidence.intake.pipeline import IntakeReport
    from evidence.intake.watching import CardResult
    from evidence.model import Refusal
    from evidence.reports import views
    from evidence.workspace import Workspace

LITTER = "system_litter"
"""Code of a file that a system left on the card; the verdict counts such files in one line."""


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    for command in (init, load, sheets, labels, intake, watch, cards, claims, photos):
        name = {"load": "assignments"}.get(command.__name__, command.__name__)
        app.command(name=name, rich_help_panel=ADJUSTER)(command)


def init(
    directory: Annotated[Path, typer.Argument(metavar="DIR")],
    backup: Annotated[
        Path | None,
        typer.Option("--backup", metavar="PATH", help="A folder on a backup disk.", show_default=False),
    ] = None,
    off_computer: Annotated[
        bool | None,
        typer.Option("--off-computer/--here", help="Whether that disk is kept away from this computer."),
    ] = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Create an archive and its first backup target.

    Every setting is commented. On a terminal it asks for the backup disk. The target must be on another disk than the archive.
    """
    from evidence import workspace
    from evidence.office.first_setup import FIRST_TARGET, add_first_target, refuse_one_disk

    backup, off_computer = setup_lines.ask(backup, off_computer, ask=not as_json)
    if backup is not None:
        refuse_one_disk(directory, backup)
    with workspace.make_archive(directory, actor=actor) as made:
        settings = made.root / workspace.SETTINGS
        view = add_first_target(made, backup, off_computer=bool(off_computer)) if backup else None
        emit(
            as_json,
            {"archive": str(made.root), "settings": str(settings), "target": view},
            lambda: setup_lines.made(made.root, FIRST_TARGET, view, told=off_computer is not None),
        )


def load(
    file: Annotated[Path | None, typer.Argument(metavar="FILE", show_default=False)] = None,
    remove: Annotated[
        str | None,
        typer.Option(
            "--remove",
            metavar="CLAIM",
            help="Instead, remove a claim without photos that was loaded by mistake.",
            show_default=False,
        ),
    ] = None,
    dates: Annotated[
        str | None,
        typer.Option(
            "--dates",
            metavar="ORDER",
            help="month-first for 04/05/2026 as April 5, or day-first.",
            show_default=False,
        ),
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Show what would change; change nothing.")
    ] = False,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Load the office's list of claims: CSV or an xlsx workbook.

    Columns: claim, insured, address, lat, lon, loss_date, peril, jurisdiction, line, stories,
    policy_number, carrier, adjuster, inspector, inspection_start, inspection_end (local times, such as
    2026-05-14 09:30). Only claim is required. The photo report names the last six. Other columns are left out.
    """
    from evidence.office.assignments import PURGED

    if (file is None) == (remove is None):
        raise BadInputError("Give either a file or --remove.", "evidence assignments FILE loads claims.")
    with opened(archive, actor) as here:
        if file is None:
            _remove(here, remove or "", as_json)
            return
        loaded = claim_lines.load_asking(here, file, dates=dates, dry_run=dry_run, ask=not as_json)
    emit(as_json, loaded, lambda: claim_lines.loaded_lines(loaded))
    if any(one.reason != PURGED for one in loaded.refused):
        raise typer.Exit(FINDINGS)


def _remove(here: Workspace, claim: str, as_json: bool) -> None:
    from evidence.lookup import known_claim
    from evidence.office import assignments

    number = known_claim(here, claim)
    assignments.remove_assignment(here, number)
    emit(as_json, {"removed": number}, lambda: [f"Claim {number} is removed from the list of claims."])


def sheets(
    out: Annotated[Path, typer.Argument(metavar="OUT.pdf")],
    only: Annotated[
        list[str] | None,
        typer.Option("--only", metavar="CLAIM", help="Only this claim; may be repeated.", show_default=False),
    ] = None,
    claim: Annotated[
        list[str] | None, typer.Option("--claim", hidden=True, help="The earlier name of --only.")
    ] = None,
    force: Force = False,
    archive: Archive = None,
    as_json: Json = False,
) -> None:
    """Print a divider sheet for every open claim.

    Photograph the sheet first at each house.
    """
    from evidence.office import printing

    with opened(archive) as here:
        pages = printing.print_sheets(here, out, [*(only or ()), *(claim or ())], replace=force)
    emit(as_json, {"pages": pages, "file": str(out)}, lambda: [_printed(pages, out)])


def labels(
    out: Annotated[Path, typer.Argument(metavar="OUT.pdf")],
    only: Annotated[
        list[str] | None,
        typer.Option("--only", metavar="WORDS", help="Only this card; may be repeated.", show_default=False),
    ] = None,
    every: Annotated[bool, typer.Option("--all", help="Every card, two on a page.")] = False,
    force: Force = False,
    archive: Archive = None,
    as_json: Json = False,
) -> None:
    """Print reusable label cards to hold in front of the camera.

    Without an option, a pocket set of a dozen cards.
    """
    from evidence.office import printing

    with opened(archive) as here:
        pages = printing.print_labels(here, out, only=only or (), every=every, replace=force)
    emit(as_json, {"pages": pages, "file": str(out)}, lambda: [_printed(pages, out)])


def _printed(pages: int, out: Path) -> str:
    return f"{counted(pages, 'page')} in {out}. Print at full size."


def intake(
    source: Annotated[
        Path, typer.Argument(metavar="SOURCE", help="The card's folder, or any folder of photos.")
    ],
    cluster: Annotated[
        str | None,
        typer.Option(
            "--cluster",
            metavar="ADDRESS",
            help="Analyse the photos on the workers of the cluster with this scheduler, tcp://HOST:PORT or tls://HOST:PORT.",
            show_default=False,
        ),
    ] = None,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Take in a card: copy, verify, split, tag, file and back up.

    The last lines say whether the card may be erased.
    """
    from evidence.intake import pipeline
    from evidence.sight.cluster import cluster_at

    with (
        nullcontext() if cluster is None else cluster_at(cluster) as workers,
        opened(archive, actor) as here,
        progress_shown() as progress,
    ):
        report = pipeline.take_in(here, source, cluster=workers, progress=progress)
        tell_result(here, report.intake)
    emit(as_json, report, lambda: report_lines(report))
    if has_problem(report):
        raise typer.Exit(FINDINGS)


def report_lines(report: IntakeReport, *, grows: bool = False) -> Iterable[str | Table]:
    """Summarise an intake in a few lines; `grows` as for `card_lines.intake_verdict`."""
    from evidence.lookup import UNASSIGNED

    yield (
        f"{counted(report.files, 'file')} on the card: {report.kept} kept, {report.already_kept} already kept, "
        f"{len(report.refused)} refused."
    )
    refused = [one for one in report.refused if one.code != LITTER]
    kinds: dict[str, list[Refusal]] = {}
    for one in refused:
        kinds.setdefault(one.code, []).append(one)
    for alike in kinds.values():
        yield f"  refused {alike[0].path}: {alike[0].reason}"
        if len(alike) > 1:
            yield f"  and {counted(len(alike) - 1, 'more file')} like it; --json lists all of them."
    if (litter := len(report.refused) - len(refused)) and not report.card.safe_to_erase:
        yield f"  {counted(litter, 'system file was', 'system files were')} left on the card."
    rows: list[tuple[object, ...]] = [
        (one.claim, one.insured, one.photos, one.to_confirm or "") for one in report.claims
    ]
    if report.unassigned:
        rows.append((UNASSIGNED, "", report.unassigned, ""))
    yield table(["claim", "insured", "files", "house to confirm"], rows)
    yield from card_lines.used_before(report.used_before)
    for finding in report.findings:
        yield f"Note: {finding.message}"
    for trouble in report.backup.troubles:
        yield f"Backup target {trouble.subject}: {trouble.message}"
    yield from card_lines.intake_verdict(report.card, report.files, report.seen_at, grows=grows)


def cards(archive: Archive = None, actor: Actor = None, as_json: Json = False) -> None:
    """List every card taken in and whether it may be erased now."""
    from evidence.filing import card_safety

    with opened(archive, actor) as here:
        report = card_safety.all_cards(here)
    rows = [
        (card_lines.moment(one.seen_at), one.label, one.files, card_lines.headline(one))
        for one in report.cards
    ]
    unsafe = [one for one in report.cards if not (one.superseded_by or one.verdict.safe_to_erase)]
    emit(
        as_json,
        report,
        lambda: [
            table(["seen", "card", "files", "now"], rows),
            *(line for one in unsafe for line in card_lines.card_lines(one)),
        ],
    )


def watch(
    folders: Annotated[list[Path] | None, typer.Argument(metavar="FOLDER", show_default=False)] = None,
    once: Annotated[
        bool, typer.Option("--once", help="Take in the cards that are connected now, then stop.")
    ] = False,
    log_json: LogJson = False,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Wait for cards and take in each one.

    A card is a mounted camera card, or a new folder inside one of the named folders. What cannot be finished is
    tried again until it can be. With --json, prints one line of JSON for each card.
    """
    from evidence.codec import to_json
    from evidence.filing.card_safety import CardNow
    from evidence.intake import watching
    from evidence.telling.outbox import tell_again

    if log_json and as_json:
        raise BadInputError(
            "--json prints names of cards and claims, and --log-json is for a log without names.",
            "Give one of them.",
        )
    if log_json:
        write_json_lines()
    tell = unsaid if log_json else say
    worst = seen = 0
    with opened(archive, actor) as here, progress_shown() as progress:
        results = watching.take_in_cards(
            here,
            tuple(folders or ()),
            once=once,
            progress=quiet if log_json else progress,
            say=tell,
            on_look=lambda: tell_again(here, tell),
        )
        for card, result in results:
            progress.clear()
            seen += 1
            if log_json:
                worst = max(worst, _logged(here, result))
                continue
            if isinstance(result, EvidenceError):
                worst = max(worst, result.exit_code)
                emit_line(as_json, {"source": str(card), "error": as_data(result)})
                say(f"{card}: {result}")
                continue
            say(f"{card}:")
            tell_result(here, result.intake)
            grows = not card.is_mount()
            if as_json:
                emit_line(as_json, {"source": str(card), **to_json(result)})
            elif isinstance(result, CardNow):
                now = replace(result, connected=not grows and result.connected)
                emit(as_json, now, lambda now=now: card_lines.card_lines(now))  # type: ignore[misc]
            else:
                emit(as_json, result, lambda one=result, grows=grows: report_lines(one, grows=grows))  # type: ignore[misc]
            if not isinstance(result, CardNow):
                worst = max(worst, FINDINGS if has_problem(result) else 0)
    if not seen:
        tell("No card was found.")
    if worst:
        raise typer.Exit(worst)


def _logged(here: Workspace, result: CardResult) -> int:
    """Write a card's result to the log, and send it; returns the exit status that it asks for."""
    from evidence.filing.card_safety import CardNow

    log_card(result)
    if isinstance(result, EvidenceError):
        return result.exit_code
    tell_result(here, result.intake, show=unsaid)
    return FINDINGS if not isinstance(result, CardNow) and has_problem(result) else 0


def has_problem(report: IntakeReport) -> bool:
    """True when a photographed file was refused or a backup target failed."""
    return bool(any(one.blocks_erase for one in report.refused) or report.backup.troubles)


def claims(archive: Archive = None, as_json: Json = False) -> None:
    """List the claims with their photos, dates, state and coverage."""
    from evidence.reports import views

    with opened(archive) as here, progress_shown() as progress:
        listed = views.claim_views(here, progress=progress)
    emit(as_json, listed, lambda: [table(_CLAIM_HEADINGS, (_claim_line(view) for view in listed))])


_CLAIM_HEADINGS = [
    "claim",
    "insured",
    "state",
    "photos",
    "first photo",
    "last photo",
    "met",
    "guessed",
    "missing",
]


def _claim_line(view: views.ClaimView) -> list[object]:
    from evidence.reports import views

    count = view.coverage
    numbers: list[object] = [count.met, count.guessed, count.missing] if count else ["", "", ""]
    times = [views.moment(view.first_photo), views.moment(view.last_photo)]
    return [view.claim, view.insured, view.state, view.photos, *times, *numbers]


def photos(
    claim: Annotated[str, typer.Argument(metavar="CLAIM", help="A claim's number, or 'unassigned'.")],
    all_photos: Annotated[bool, typer.Option("--all", help="List every photo, in order.")] = False,
    archive: Archive = None,
    as_json: Json = False,
) -> None:
    """Count a claim's photos by what they show, or list them all.

    In the list a question mark shows a guess. --json always lists them all.
    """
    from evidence.lookup import photos_of
    from evidence.reports import views

    with opened(archive) as here:
        listed = views.photo_views(here, photos_of(here, claim))
    lines = photo_lines.every_photo(listed) if all_photos else photo_lines.summary(claim, listed)
    emit(as_json, listed, lambda: lines)
