"""What every command shares: opening the archive, printing results, showing progress.

Start-up rule for this package: at module level import only typer, the standard library, and our light
modules (model, errors). A command imports what it works with inside its own function, so that `--help`
and the commands that only read the catalog load no imaging, web or PDF library. A test holds this.
"""

from __future__ import annotations

import json
import os
import sys
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from evidence.errors import BadInputError, EvidenceError

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from evidence.workspace import Workspace

Archive = Annotated[
    Path | None,
    typer.Option("--archive", envvar="EVIDENCE_ARCHIVE", help="The archive's folder.", show_default=False),
]
Actor = Annotated[
    str | None,
    typer.Option("--actor", help="Your name; the system's user name by default.", show_default=False),
]
Force = Annotated[bool, typer.Option("--force", help="Replace an existing file of that name.")]
Json = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]

PasswordStdin = Annotated[
    bool,
    typer.Option("--password-stdin", help="Read your password from standard input, where people log in."),
]

ADJUSTER, REVIEWER, OFFICE = GROUPS = ("Adjuster", "Reviewer", "Office")
"""Who mostly uses a command: the headings of `evidence --help`."""
PIPED_WIDTH = 180
"""Columns of a table that goes to a file or a pipe, where no window sets the width."""
WIDE_GAP = 2
"""Blanks between the columns of a table that fits the window."""
FINDINGS = 1
"""Exit status of a command that ran to its end and found a problem."""


@cache
def stderr_console() -> Console:
    """The console for people: progress and remarks. Results go to standard output."""
    from rich.console import Console

    return Console(stderr=True, highlight=False)


def require_archive(archive: Path | None) -> Path:
    """Return the named archive; raises BadInputError when no archive is named."""
    if archive is None:
        raise BadInputError(
            "No archive is named.",
            "Add --archive DIR or set EVIDENCE_ARCHIVE; `evidence init DIR` creates an archive.",
        )
    return archive


@contextmanager
def opened(archive: Path | None, actor: str | None = None) -> Iterator[Workspace]:
    """Open the archive for one command."""
    from evidence.workspace import Workspace

    with Workspace(require_archive(archive), actor=actor) as workspace:
        yield workspace
        if workspace.catalog.records.due():
            from evidence.filing.record_files import keep_records

            keep_records(workspace)


def log_in_where_asked(here: Workspace, actor: str | None, *, password_stdin: bool) -> Workspace:
    """The archive with its actor logged in, where people are registered; else as it is.

    Asks for the password on a terminal. Raises BadInputError without a name or a place to ask, PurgeRefusedError for a
    wrong password.
    """
    from evidence.office.people import log_in, must_log_in

    if not must_log_in(here):
        return here
    if actor is None:
        raise BadInputError(
            "This archive has registered people, so this step needs one of them to log in.",
            "Give your name with --actor NAME.",
        )
    if password_stdin:
        password = sys.stdin.readline().rstrip("\r\n")
    elif sys.stdin.isatty():
        import getpass

        password = getpass.getpass(f"Password of {actor}: ")
    else:
        raise BadInputError(
            "This step needs a password, and there is no terminal to ask on.",
            "Run it on a terminal, or give the password on standard input with --password-stdin.",
        )
    return log_in(here, actor, password)


def emit(as_json: bool, data: Any, lines: Callable[[], Iterable[str | Table]]) -> None:
    """Print `data` as JSON, or the lines for people."""
    from rich.console import Console

    from evidence.codec import to_json

    if as_json:
        print(json.dumps(to_json(data), ensure_ascii=False, indent=2))
        return
    wide = None if sys.stdout.isatty() or "COLUMNS" in os.environ else PIPED_WIDTH
    out = Console(highlight=False, width=wide, soft_wrap=not sys.stdout.isatty())
    for line in lines():
        out.print(line, markup=False) if isinstance(line, str) else out.print(_fitted(line, out))


def emit_line(as_json: bool, data: Any) -> None:
    """Print `data` as one line of JSON if `as_json`; for results that come one by one."""
    from evidence.codec import to_json

    if as_json:
        print(json.dumps(to_json(data), ensure_ascii=False), flush=True)


def as_data(trouble: EvidenceError) -> dict[str, str]:
    """Return an error as `--json` prints it."""
    return {"code": type(trouble).__name__, "message": trouble.message, "fix": trouble.hint}


def table(headings: Sequence[str], rows: Iterable[Sequence[object]]) -> Table:
    """Make a plain table for the terminal; a cell is text, never markup."""
    from rich.table import Table

    out = Table(box=None, pad_edge=False, header_style="bold", show_edge=False)
    for heading in headings:
        out.add_column(heading, overflow="fold")
    for row in rows:
        out.add_row(*(_plain(cell) for cell in row))
    return out


def _fitted(shown: Table, out: Console) -> Table:
    """The table; one that is too wide gets narrow gaps, and only its longest words are broken."""
    texts = [[str(text) for text in (column.header, *column.cells)] for column in shown.columns]
    whole = [max(map(len, column)) for column in texts]
    if sum(whole) + WIDE_GAP * (len(whole) - 1) <= out.width:
        return shown
    room = max(len(whole), out.width - len(whole) + 1)
    words = [max(len(word) for text in column for word in (*text.split(), "-")) for column in texts]
    longest = max(cap for cap in range(1, room + 1) if sum(min(length, cap) for length in words) <= room)
    widths = [min(length, longest) for length in words]
    for place in sorted(range(len(widths)), key=lambda one: whole[one] - widths[one]):
        widths[place] += min(whole[place] - widths[place], room - sum(widths))
    shown.padding = (0, 1, 0, 0)
    for column, width in zip(shown.columns, widths, strict=True):
        column.width = width
    return shown


def _plain(cell: object) -> str:
    from rich.markup import escape

    return escape("" if cell is None else str(cell))


@contextmanager
def progress_shown() -> Iterator[Callable[[str, int, int], None]]:
    """Give a progress callback that writes to standard error: bars on a terminal, a few lines elsewhere."""
    if not sys.stderr.isatty():
        yield _progress_lines()
        return
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=stderr_console(), transient=True) as bars:
        tasks: dict[str, TaskID] = {}
        lock = threading.Lock()

        def show(what: str, done: int, total: int) -> None:
            with lock:
                if what not in tasks:
                    tasks[what] = bars.add_task(what, total=total)
                bars.update(tasks[what], completed=done, total=total)

        yield show


def _progress_lines() -> Callable[[str, int, int], None]:
    """Print one line when a step starts and one at every fifth of it: enough for a log."""
    printed: dict[str, int] = {}

    def show(what: str, done: int, total: int) -> None:
        fifth = 5 if total <= 0 else done * 5 // total
        if printed.get(what) != fifth:
            printed[what] = fifth
            print(f"{what}: {done} of {total}", file=sys.stderr, flush=True)

    return show
