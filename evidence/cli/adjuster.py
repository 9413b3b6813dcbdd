"""The adjuster's commands: from an empty archive to a card that may be erased."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from evidence import workspace
from evidence.cli.common import (
    FINDINGS,
    Actor,
    Archive,
    Json,
    as_data,
    emit,
    emit_line,
    opened,
    progress_shown,
    table,
    talk,
)
from evidence.codec import to_json
from evidence.errors import EvidenceError
from evidence.intake import pipeline, watching
from evidence.intake.pipeline import IntakeReport
from evidence.lookup import UNASSIGNED, photos_of
from evidence.office import assignments, printing
from evidence.reports import views

EVIDENCE_NAMES = 5
"""Refused files named on the terminal; `--json` and the ledger name them all."""


def register(app: typer.Typer) -> None:
    """Add this room's commands."""
    for command in (init, load, sheets, labels, intake, watch, claims, photos):
        app.command(name={"load": "assignments"}.get(command.__name__, command.__name__))(command)


def init(
    directory: Annotated[Path, typer.Argument(metavar="DIR")], actor: Actor = None, as_json: Json = False
) -> None:
    """Make an archive with commented settings."""
    with workspace.make_archive(directory, actor=actor) as made:
        settings = made.root / workspace.SETTINGS
        emit(
            as_json,
            {"archive": str(made.root), "settings": str(settings)},
            lambda: [
                f"Archive made in {made.root}.",
                f"Name a backup target in {settings}, then load the claims: evidence assignments FILE.csv",
            ],
        )


def load(
    file: Annotated[Path, typer.Argument(metavar="FILE.csv")],
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Load claims from a CSV file.

    Columns: claim, insured, address, lat, lon, loss_date, peril, jurisdiction, stories. Only claim is required.
    """
    with opened(archive, actor) as here:
        loaded = assignments.load_assignments(here, file)
    emit(
        as_json,
        loaded,
        lambda: [
            f"{loaded.added} added, {loaded.updated} updated, {len(loaded.refused)} refused.",
            *(f"  line {row.line}: {row.claim}: {row.reason}" for row in loaded.refused),
        ],
    )


def sheets(
    out: Annotated[Path, typer.Argument(metavar="OUT.pdf")],
    claim: Annotated[
        list[str] | None, typer.Option("--claim", help="Only this claim; may be repeated.")
    ] = None,
    archive: Archive = None,
    as_json: Json = False,
) -> None:
    """Print a divider sheet for every open claim: photograph it first at each house."""
    with opened(archive) as here:
        pages = printing.print_sheets(here, out, claim or ())
    emit(
        as_json, {"pages": pages, "file": str(out)}, lambda: [f"{pages} pages in {out}. Print at full size."]
    )


def labels(
    out: Annotated[Path, typer.Argument(metavar="OUT.pdf")], archive: Archive = None, as_json: Json = False
) -> None:
    """Print reusable label cards to hold into a photo."""
    with opened(archive) as here:
        pages = printing.print_labels(here, out)
    emit(
        as_json, {"pages": pages, "file": str(out)}, lambda: [f"{pages} pages in {out}. Print at full size."]
    )


def intake(
    source: Annotated[
        Path, typer.Argument(metavar="SOURCE", help="The card's folder, or any folder of photos.")
    ],
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Take a card in: copy, prove, split by claim, tag, bag, back up, and say whether it may be erased."""
    with opened(archive, actor) as here, progress_shown() as progress:
        report = pipeline.take_in(here, source, progress=progress)
    emit(as_json, report, lambda: told(report))
    if amiss(report):
        raise typer.Exit(FINDINGS)


def told(report: IntakeReport) -> Iterable[str | Table]:
    """An intake in a few lines."""
    yield (
        f"{report.files} files on the card: {report.kept} kept, {report.already_kept} already kept, "
        f"{len(report.refused)} refused."
    )
    for refusal in report.refused[:EVIDENCE_NAMES]:
        yield f"  refused {refusal.path}: {refusal.reason}"
    if len(report.refused) > EVIDENCE_NAMES:
        yield f"  and {len(report.refused) - EVIDENCE_NAMES} more; --json names them all."
    rows: list[tuple[object, ...]] = [
        (one.claim, one.insured, one.photos, one.to_confirm or "") for one in report.claims
    ]
    if report.unassigned:
        rows.append((UNASSIGNED, "", report.unassigned, ""))
    yield table(["claim", "insured", "files", "to confirm"], rows)
    for finding in report.findings:
        yield f"Note: {finding.message}"
    for trouble in report.backup.troubles:
        yield f"Backup target {trouble.subject}: {trouble.message}"
    if report.card.safe_to_erase:
        yield "The card is SAFE TO ERASE: every file was read back and matched where it is kept."
    else:
        yield "Do NOT erase the card yet:"
        yield from (f"  {reason}" for reason in report.card.reasons)


def watch(
    folders: Annotated[list[Path] | None, typer.Argument(metavar="FOLDER...", show_default=False)] = None,
    once: Annotated[bool, typer.Option("--once", help="Take in what is there now, then stop.")] = False,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Take in every card that appears, by itself: mounted cards, and folders below those named.

    With --json, one line of JSON for each card.
    """
    worst = seen = 0
    with opened(archive, actor) as here, progress_shown() as progress:
        for card, outcome in watching.take_in_cards(here, tuple(folders or ()), once=once, progress=progress):
            seen += 1
            if isinstance(outcome, EvidenceError):
                worst = max(worst, outcome.exit_code)
                emit_line(as_json, {"source": str(card), "error": as_data(outcome)})
                talk.print(f"{card}: {outcome}", markup=False, soft_wrap=True)
                continue
            talk.print(f"{card}:", markup=False, soft_wrap=True)
            if as_json:
                emit_line(as_json, {"source": str(card), **to_json(outcome)})
            else:
                emit(as_json, outcome, lambda report=outcome: told(report))  # type: ignore[misc]
            worst = max(worst, FINDINGS if amiss(outcome) else 0)
    if not seen:
        talk.print("No card is there.")
    if worst:
        raise typer.Exit(worst)


def amiss(report: IntakeReport) -> bool:
    """True when a file that somebody shot was refused, or a backup target was in trouble."""
    return bool(any(one.blocks_erase for one in report.refused) or report.backup.troubles)


def claims(archive: Archive = None, as_json: Json = False) -> None:
    """List the claims: photos, first and last photo, state, coverage."""
    with opened(archive) as here:
        listed = views.claim_views(here)
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
    count = view.coverage
    numbers: list[object] = [count.met, count.guessed, count.missing] if count else ["", "", ""]
    times = [views.moment(view.first_photo), views.moment(view.last_photo)]
    return [view.claim, view.insured, view.state, view.photos, *times, *numbers]


def photos(
    claim: Annotated[str, typer.Argument(metavar="CLAIM", help="A claim's number, or 'unassigned'.")],
    archive: Archive = None,
    as_json: Json = False,
) -> None:
    """List a claim's photos in order. Guesses carry a question mark."""
    with opened(archive) as here:
        listed = [views.photo_view(record) for record in photos_of(here, claim)]
    emit(as_json, listed, lambda: [table(_PHOTO_HEADINGS, (_photo_line(view) for view in listed))])


_PHOTO_HEADINGS = ["photo", "taken", "role", "face", "component", "condition", "count", "flags"]


def _photo_line(view: views.PhotoView) -> list[object]:
    def shown(facet: str, value: str | None) -> str:
        if value is None:
            return ""
        return value if facet in view.stated else f"{value} ? {view.confidence[facet]:.0%}"

    taken = (view.corrected_at or view.taken_at or "")[:19].replace("T", " ")
    facets = ("role", "face", "component", "condition", "count")
    flags = [flag.code for flag in view.flags] + (["to_confirm"] if view.to_confirm else [])
    return [view.name, taken, *(shown(one, getattr(view, one)) for one in facets), ", ".join(flags)]
