"""The `evidence` command: parses, does one job, prints. Only this module turns errors into text."""

from __future__ import annotations

import gc
import logging
import os
import sys
import traceback
from typing import Annotated, Any, NoReturn

import typer
from typer.core import TyperGroup

from evidence import __version__
from evidence.cli import (
    adjuster,
    board,
    care,
    custody,
    holds,
    json_logs,
    keeping,
    learning,
    likeness,
    office,
    overview,
    purging,
    recovery,
    reporting,
    reviewer,
    service,
    stations,
    targets,
    telling,
)
from evidence.cli.common import GROUPS, as_data
from evidence.cli.streams import given_up, prepare_streams, print_json
from evidence.disk.faults import disk_error
from evidence.errors import BadInputError, EvidenceError, one_line

log = logging.getLogger(__name__)

INTERRUPTED = 130
"""Exit status after Ctrl-C, as shells do it (128 + SIGINT)."""

GC_THRESHOLD = 50_000
"""New objects before the garbage collector runs. Imports make many objects that stay, and with Python's 700 the
collector searches them again and again (docs/measurements.md)."""


class GroupedCommands(TyperGroup):
    """Lists the commands in the help under who uses them, one line each."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write one section for each group, in the order of `GROUPS`."""
        shown = [(name, self.get_command(ctx, name)) for name in self.list_commands(ctx)]
        room = formatter.width - 6 - max(len(name) for name, _ in shown)
        for group in GROUPS:
            rows = [
                (name, command.get_short_help_str(room))
                for name, command in shown
                if command is not None and getattr(command, "rich_help_panel", None) == group
            ]
            with formatter.section(f"{group} commands"):
                formatter.write_dl(rows)


# Typer and the settings use pydantic. Its search for plug-ins reads the metadata of every installed package.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")

app = typer.Typer(
    name="evidence",
    cls=GroupedCommands,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def _print_version(wanted: bool) -> None:
    if wanted:
        print(f"evidence {__version__}")
        raise typer.Exit


@app.callback()
def evidence(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version and exit."),
    ] = False,
) -> None:
    """Files photos by house, shows missing proof, and keeps, verifies and purges them."""


for room in (
    adjuster,
    overview,
    reviewer,
    likeness,
    learning,
    board,
    reporting,
    keeping,
    holds,
    office,
    purging,
    custody,
    service,
    targets,
    stations,
    care,
    recovery,
    telling,
):
    room.register(app)


def run(arguments: list[str] | None = None) -> None:
    """Run the command line; ends the process with the exit status of the command."""
    given = sys.argv[1:] if arguments is None else arguments
    gc.set_threshold(GC_THRESHOLD)
    prepare_streams()
    try:
        status = app(given, standalone_mode=False, prog_name="evidence")
        sys.stdout.flush()
        if status == INTERRUPTED:  # what Typer makes of Ctrl-C
            _stopped()
    except EvidenceError as trouble:
        _fail(trouble, as_json="--json" in given)
    except BrokenPipeError:
        # The reader closed the pipe, as `head` does: nothing more can be written.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except KeyboardInterrupt:
        _stopped()
    except Exception as trouble:
        # Typer may carry its own click, so a usage error is recognised by its attributes, not by its class.
        if hasattr(trouble, "format_message") and hasattr(trouble, "exit_code"):
            text = str(trouble.format_message())
            if type(trouble).__name__ != "NoArgsIsHelpError":
                _fail(
                    BadInputError(" ".join(text.split()), "See `evidence --help`."), as_json="--json" in given
                )
            with given_up("stderr"):
                print(text, file=sys.stderr)  # the message is the whole help, line by line
            sys.exit(2)
        if type(trouble).__name__ == "Abort":  # an answer that was not given
            _stopped()
        if isinstance(trouble, OSError) and (known := disk_error(trouble)):
            _fail(known, as_json="--json" in given)
        if json_logs.is_on():
            log.exception("failed")
            sys.exit(EvidenceError.exit_code)
        with given_up("stderr"):
            traceback.print_exc()
        _fail(_unexpected(trouble), as_json="--json" in given)
    sys.exit(status if isinstance(status, int) else 0)


def _stopped() -> NoReturn:
    with given_up("stdout"), given_up("stderr"):
        print("evidence: stopped; run the same command again to finish.", file=sys.stderr)
    sys.exit(INTERRUPTED)


def _unexpected(trouble: Exception) -> EvidenceError:
    """The error for a fault of the program itself."""
    return EvidenceError(
        f"The program failed: {type(trouble).__name__}: {trouble}.",
        "Run the same command again. If it fails again, report the lines above.",
    )


def _fail(trouble: EvidenceError, *, as_json: bool) -> NoReturn:
    """Print what is wrong and what to do, and end the process with the status of the error."""
    if json_logs.is_on():
        log.error("stopped error=%s status=%d", type(trouble).__name__, trouble.exit_code)
        sys.exit(trouble.exit_code)
    if as_json:
        with given_up("stdout"):
            print_json({"error": as_data(trouble)})
    if trouble.details:
        lines = [f"evidence: {trouble.message}", *(f"  {one}" for one in trouble.details), trouble.hint]
    else:
        lines = [f"evidence: {trouble}"]
    with given_up("stdout"), given_up("stderr"):
        for line in lines:
            print(one_line(line), file=sys.stderr)
    sys.exit(trouble.exit_code)


if __name__ == "__main__":
    run()
