"""The `evidence` command: parses, does one job, prints. Here alone errors become text."""

from __future__ import annotations

import json
import os
import sys

import typer

from evidence.cli import adjuster, board, learning, office, reporting, reviewer
from evidence.cli.common import as_data
from evidence.errors import EvidenceError

INTERRUPTED = 130
"""Exit status after Ctrl-C, by the shells' custom (128 + SIGINT)."""

app = typer.Typer(
    name="evidence",
    help="Files an adjuster's photos under the right house, shows what proof is missing, keeps, proves and purges.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
for room in (adjuster, reviewer, learning, board, reporting, office):
    room.register(app)


def run(arguments: list[str] | None = None) -> None:
    """The command line's entry; ends the process with the command's status."""
    given = sys.argv[1:] if arguments is None else arguments
    try:
        status = app(given, standalone_mode=False)
        sys.stdout.flush()
    except EvidenceError as trouble:
        if "--json" in given:
            print(json.dumps({"error": as_data(trouble)}, ensure_ascii=False))
        print(f"evidence: {trouble}", file=sys.stderr)
        sys.exit(trouble.exit_code)
    except BrokenPipeError:
        # Whoever read our results had enough, as `head` does. Nothing more can be said to them.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except KeyboardInterrupt:
        print("evidence: stopped; run the same command again to finish.", file=sys.stderr)
        sys.exit(INTERRUPTED)
    except Exception as trouble:
        # Typer may carry its own click: a usage error is known by what it can do, not by its class.
        if hasattr(trouble, "format_message") and hasattr(trouble, "exit_code"):
            message = " ".join(str(trouble.format_message()).split())
            print(f"evidence: {message} See `evidence --help`.", file=sys.stderr)
            sys.exit(2)
        if type(trouble).__name__ == "Abort":
            sys.exit(INTERRUPTED)
        raise
    sys.exit(status if isinstance(status, int) else 0)
