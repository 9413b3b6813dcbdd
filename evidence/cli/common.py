"""What every command shares: opening the archive, printing results, showing progress."""

from __future__ import annotations

import json
import os
import sys
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeRemainingColumn
from rich.table import Table

from evidence.codec import to_json
from evidence.errors import BadInputError, EvidenceError
from evidence.workspace import Workspace

Archive = Annotated[
    Path | None,
    typer.Option("--archive", envvar="EVIDENCE_ARCHIVE", help="The archive's folder.", show_default=False),
]
Actor = Annotated[
    str | None,
    typer.Option("--actor", help="Who is at work; the system's user when left out.", show_default=False),
]
Json = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]

PIPED_WIDTH = 180
"""Columns of a table that goes to a file or a pipe, where nobody's window sets the width."""
FINDINGS = 1
"""Exit status of a command that ran well and found something amiss."""

talk = Console(stderr=True, highlight=False)
"""For people: progress and remarks. Results go to standard output."""


def require_archive(archive: Path | None) -> Path:
    """The archive that was named; raises BadInputError when none was."""
    if archive is None:
        raise BadInputError(
            "No archive is named.",
            "Add --archive DIR or set EVIDENCE_ARCHIVE; `evidence init DIR` makes one.",
        )
    return archive


@contextmanager
def opened(archive: Path | None, actor: str | None = None) -> Iterator[Workspace]:
    """The archive, opened for one command."""
    with Workspace(require_archive(archive), actor=actor) as workspace:
        yield workspace


def emit(as_json: bool, data: Any, lines: Callable[[], Iterable[str | Table]]) -> None:
    """Print `data` as JSON, or the lines for people."""
    if as_json:
        print(json.dumps(to_json(data), ensure_ascii=False, indent=2))
        return
    wide = None if sys.stdout.isatty() or "COLUMNS" in os.environ else PIPED_WIDTH
    out = Console(highlight=False, width=wide, soft_wrap=not sys.stdout.isatty())
    for line in lines():
        out.print(line, markup=False) if isinstance(line, str) else out.print(line)


def emit_line(as_json: bool, data: Any) -> None:
    """Print `data` as one line of JSON, where JSON was asked for; for results that come one by one."""
    if as_json:
        print(json.dumps(to_json(data), ensure_ascii=False), flush=True)


def as_data(trouble: EvidenceError) -> dict[str, str]:
    """An error as `--json` shows it."""
    return {"code": type(trouble).__name__, "message": trouble.message, "fix": trouble.hint}


def table(headings: Sequence[str], rows: Iterable[Sequence[object]]) -> Table:
    """A plain table for the terminal; a cell is text, never markup."""
    out = Table(box=None, pad_edge=False, header_style="bold", show_edge=False)
    for heading in headings:
        out.add_column(heading, overflow="fold")
    for row in rows:
        out.add_row(*(_plain(cell) for cell in row))
    return out


def _plain(cell: object) -> str:
    from rich.markup import escape  # noqa: PLC0415 - only tables need it

    return escape("" if cell is None else str(cell))


@contextmanager
def progress_shown() -> Iterator[Callable[[str, int, int], None]]:
    """A progress callback: bars on a terminal, a line now and then elsewhere, on standard error."""
    if not talk.is_terminal:
        yield _spoken()
        return
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=talk, transient=True) as bars:
        tasks: dict[str, TaskID] = {}
        lock = threading.Lock()

        def show(what: str, done: int, total: int) -> None:
            with lock:
                if what not in tasks:
                    tasks[what] = bars.add_task(what, total=total)
                bars.update(tasks[what], completed=done, total=total)

        yield show


def _spoken() -> Callable[[str, int, int], None]:
    """One line as each kind of work begins, and one at every fifth of it: enough for a log."""
    told: dict[str, int] = {}

    def show(what: str, done: int, total: int) -> None:
        fifth = 5 if total <= 0 else done * 5 // total
        if told.get(what) != fifth:
            told[what] = fifth
            print(f"{what}: {done} of {total}", file=sys.stderr, flush=True)

    return show
