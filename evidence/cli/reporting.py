"""Commands that export a claim: the photo report and the table of photos."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from evidence.cli.common import REVIEWER, Actor, Archive, Force, Json, emit, opened, progress_shown
from evidence.errors import BadInputError, counted

Claim = Annotated[str, typer.Argument(metavar="CLAIM")]


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    for command in (report, table):
        app.command(rich_help_panel=REVIEWER)(command)


def report(
    claim: Claim,
    out: Annotated[Path, typer.Argument(metavar="OUT.pdf", help="The file to write.")],
    per_page: Annotated[int, typer.Option("--per-page", help="Photos a page: 2, 4 or 6.")] = 2,
    sheets: Annotated[
        bool, typer.Option("--sheets", help="Print the photos of divider sheets and label cards too.")
    ] = False,
    max_mb: Annotated[
        float | None,
        typer.Option(
            "--max-mb",
            help="Reduce the pictures until the file has at most this many megabytes.",
            show_default=False,
        ),
    ] = None,
    force: Force = False,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Write a claim's photo report as a PDF.

    It holds a cover, the house at a glance, a damage summary, the photos in walking order, an index, and the SHA-256
    of each original.
    """
    from evidence.paper.report_document import ReportOptions
    from evidence.reports.photo_report import photo_report

    with opened(archive, actor) as here, progress_shown() as progress:
        written = photo_report(
            here,
            claim,
            out,
            options=ReportOptions(per_page=per_page, sheets=sheets, max_mb=max_mb),
            replace=force,
            progress=progress,
        )
    lacking = len(written.without_picture)
    emit(
        as_json,
        written,
        lambda: [
            f"{out}: {counted(written.pages, 'page')}, {counted(written.photos, 'photo')}, "
            f"{written.bytes / 1e6:.1f} MB."
            + (" The pictures are reduced so that it fits." if written.reduced else "")
            + (f" {counted(lacking, 'of them has', 'of them have')} no readable picture." if lacking else "")
            + (" The office's logo could not be decoded." if written.without_logo else "")
        ],
    )


def table(
    claim: Annotated[str, typer.Argument(metavar="CLAIM", help="Or 'unassigned' for the tray.")],
    out: Annotated[
        Path | None, typer.Option("--out", help="Write to this file instead.", show_default=False)
    ] = None,
    as_csv: Annotated[bool, typer.Option("--csv", help="CSV (RFC 4180), UTF-8; the default.")] = False,
    bom: Annotated[
        bool, typer.Option("--bom", help="Start the CSV with a byte order mark, for spreadsheets.")
    ] = False,
    force: Force = False,
    archive: Archive = None,
    as_json: Json = False,
) -> None:
    """Write a claim's photos with all their data as CSV or JSON."""
    if as_json and (as_csv or bom):
        raise BadInputError("A table is either CSV or JSON.", "Leave out --json, or --csv and --bom.")
    from evidence.reports.table import as_csv as csv_of
    from evidence.reports.table import as_json as json_of
    from evidence.reports.table import photo_table

    if out is not None and not force:
        from evidence.paper.output import require_free

        require_free(out)
    with opened(archive) as here:
        photos = photo_table(here, claim)
    text = json_of(photos) if as_json else csv_of(photos, byte_order_mark=bom)
    if out is not None:
        from evidence.paper.output import write_whole

        write_whole(text.encode("utf-8"), out, replace=force)
        return
    stream = getattr(sys.stdout, "buffer", None)
    if stream is None:  # a caller has replaced stdout
        sys.stdout.write(text)
    else:
        sys.stdout.flush()
        stream.write(text.encode("utf-8"))
