"""What every command shares: opening the archive, printing results, showing progress.

Start-up rule for this package: at module level import only typer, the standard library, and our light
modules (model, errors). A command imports what it works with inside its own function, so that `--help`
and the commands that only read the catalog load no imaging, web or PDF library. A test holds this.
"""

from __future__ import annotations

import os
import sys
import textwrap
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Protocol

import typer

from evidence.cli.streams import print_json
from evidence.errors import BadInputError, EvidenceError, one_line

if TYPE_CHECKING:
    from rich.console import Console
    from rich.progress import Progress, TaskID
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
LEAST_WIDTH = 20
"""Columns below which nothing is fitted: some terminals report a width of 0."""
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
    """Open the archive for one command. Raises CatalogError when its catalog lacks what the bags hold."""
    from evidence.filing.catalog_check import note_empty_tables, refuse_emptied_tables
    from evidence.filing.record_files import keep_records
    from evidence.workspace import Workspace

    with Workspace(require_archive(archive), actor=actor) as workspace:
        refuse_emptied_tables(workspace)
        yield workspace
        with progress_shown() as progress:
            keep_records(workspace, progress=progress)
        note_empty_tables(workspace)


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


@contextmanager
def opened_by_person(archive: Path | None, actor: str | None, *, password_stdin: bool) -> Iterator[Workspace]:
    """Open the archive for a step that asks who it is; see `opened` and `log_in_where_asked`."""
    with opened(archive, actor) as here:
        yield log_in_where_asked(here, actor, password_stdin=password_stdin)


def require_reason_or_confirm(reason: str | None, *, confirm: bool) -> None:
    """Raise BadInputError unless a step that two people take has either the first's reason or the second's --confirm."""
    if confirm == (reason is not None):
        raise BadInputError(
            "Give either --reason or --confirm.", "One person gives the reason, another confirms."
        )


def emit(as_json: bool, data: Any, lines: Callable[[], Iterable[str | Table]]) -> None:
    """Print `data` as JSON, or the lines for people; no name in them can move the cursor or change the order."""
    if as_json:
        from evidence.codec import to_json

        print_json(to_json(data), indent=2)
        return

    from rich.console import Console

    wide = None if sys.stdout.isatty() or "COLUMNS" in os.environ else PIPED_WIDTH
    out = Console(highlight=False, width=wide, soft_wrap=not sys.stdout.isatty())
    out.width = max(out.width, LEAST_WIDTH)
    for line in lines():
        if isinstance(line, str):
            out.print(one_line(line), markup=False)
        elif (stacked := _stacked(line, out.width)) is None:
            out.print(_fitted(line, out))
        else:
            out.print("\n".join(stacked), markup=False, soft_wrap=True)


def emit_line(as_json: bool, data: Any) -> None:
    """Print `data` as one line of JSON if `as_json`; for results that come one by one."""
    from evidence.codec import to_json

    if as_json:
        print_json(to_json(data))


def as_data(trouble: EvidenceError) -> dict[str, str]:
    """Return an error as `--json` prints it."""
    message = "\n".join([trouble.message, *trouble.details])
    return {"code": type(trouble).__name__, "message": message, "fix": trouble.hint}


def say(text: str) -> None:
    """Print a remark for people on standard error; on a terminal no word of it is broken, else it is one line."""
    console, line = stderr_console(), one_line(text)
    if console.is_terminal:
        line = "\n".join(wrapped(line, max(console.width, LEAST_WIDTH)))
    console.print(line, markup=False, soft_wrap=True)


def wrapped(text: str, width: int, *, indent: str = "") -> list[str]:
    """The lines of a text, each at most `width` columns unless one word is longer; later lines have two blanks more."""
    return textwrap.wrap(
        text,
        width,
        initial_indent=indent,
        subsequent_indent=f"{indent}  ",
        break_long_words=False,
        break_on_hyphens=False,
    )


def table(headings: Sequence[str], rows: Iterable[Sequence[object]]) -> Table:
    """Make a plain table for the terminal; a cell is text, never markup."""
    from rich.table import Table

    out = Table(box=None, pad_edge=False, header_style="bold", show_edge=False)
    for heading in headings:
        out.add_column(heading, overflow="fold")
    for row in rows:
        out.add_row(*(_plain(cell) for cell in row))
    return out


def _texts(shown: Table) -> list[list[str]]:
    """The heading and the cells of each column, as they are printed."""
    from rich.text import Text

    return [
        [str(column.header), *(Text.from_markup(str(cell)).plain for cell in column.cells)]
        for column in shown.columns
    ]


def _fitted(shown: Table, out: Console) -> Table:
    """The table; one that is too wide gets narrow gaps, and cells of several lines, but no word is broken."""
    from rich.cells import cell_len

    texts = _texts(shown)
    whole = [max(map(cell_len, column)) for column in texts]
    if sum(whole) + WIDE_GAP * (len(whole) - 1) <= out.width:
        return shown
    room = out.width - len(whole) + 1
    widths = [max(cell_len(word) for text in column for word in (*text.split(), "-")) for column in texts]
    for place in sorted(range(len(widths)), key=lambda one: whole[one] - widths[one]):
        widths[place] += min(whole[place] - widths[place], room - sum(widths))
    shown.padding = (0, 1, 0, 0)
    for column, width in zip(shown.columns, widths, strict=True):
        column.width = width
    return shown


def _stacked(shown: Table, width: int) -> list[str] | None:
    """The lines of a table whose longest words do not fit side by side: a row is its first cell, then the others
    with their headings. None when they fit.
    """
    from rich.cells import cell_len

    texts = _texts(shown)
    words = [max(cell_len(word) for text in column for word in (*text.split(), "-")) for column in texts]
    if sum(words) + len(words) - 1 <= width:
        return None
    headings, lines = [column[0] for column in texts], []
    for cells in zip(*(column[1:] for column in texts), strict=True):
        lines.append(cells[0] or "-")
        parts = [
            f"{heading}: {cell}" if heading else cell
            for heading, cell in zip(headings[1:], cells[1:], strict=True)
            if cell
        ]
        lines += textwrap.wrap(
            "; ".join(parts),
            width,
            initial_indent="  ",
            subsequent_indent="  ",
            break_long_words=False,
            break_on_hyphens=False,
        )
    return lines


def _plain(cell: object) -> str:
    from rich.markup import escape

    return escape("" if cell is None else one_line(str(cell)))


class ShowProgress(Protocol):
    """Shows how far long work is."""

    def __call__(self, what: str, done: int, total: int) -> None:
        """See `evidence.progress.Progress`."""
        ...

    def clear(self) -> None:
        """Take what is shown off the terminal: a result is printed next."""
        ...


@contextmanager
def progress_shown() -> Iterator[ShowProgress]:
    """Give a progress callback that writes to standard error: bars on a terminal, a few lines elsewhere."""
    shown: ShowProgress = _Bars() if sys.stderr.isatty() else _ProgressLines()
    try:
        yield shown
    finally:
        shown.clear()


class _Bars:
    """A bar for each step, drawn below the lines that are printed meanwhile. It moves even while nothing is counted."""

    def __init__(self) -> None:
        self._bars: Progress | None = None
        self._tasks: dict[str, TaskID] = {}
        self._lock = threading.Lock()

    def __call__(self, what: str, done: int, total: int) -> None:
        from rich.markup import escape

        if total <= 0:
            return
        what = escape(one_line(what))
        with self._lock:
            if self._bars is None:
                self._bars = _new_bars()
                self._bars.start()
            one_step = total == 1  # its bar moves without a length, since there is nothing to count
            if what not in self._tasks:
                self._tasks[what] = self._bars.add_task(what, total=None if one_step else total, count="")
            if not one_step:
                self._bars.update(self._tasks[what], completed=done, total=total, count=f"{done}/{total}")
            elif done:
                self._bars.update(self._tasks[what], completed=done, total=total)

    def clear(self) -> None:
        """See `ShowProgress`."""
        with self._lock:
            if self._bars is not None:
                self._bars.stop()
            self._bars, self._tasks = None, {}


def _new_bars() -> Progress:
    from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeRemainingColumn

    return Progress(
        SpinnerColumn(),
        TextColumn("{task.description}"),
        BarColumn(bar_width=24),
        TextColumn("{task.fields[count]}"),
        TimeRemainingColumn(),
        console=stderr_console(),
        transient=True,
    )


class _ProgressLines:
    """Prints one line when a step starts and one at every fifth of it: enough for a log."""

    def __init__(self) -> None:
        self._printed: dict[str, int] = {}

    def __call__(self, what: str, done: int, total: int) -> None:
        if total <= 0:
            return
        fifth = done * 5 // total
        if self._printed.get(what) != fifth:
            self._printed[what] = fifth
            print(f"{one_line(what)}: {done} of {total}", file=sys.stderr, flush=True)

    def clear(self) -> None:
        """Begin anew."""
        self._printed = {}
