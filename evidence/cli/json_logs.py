"""The program's log as one JSON object a line, without names: for a service whose log others collect.

A line gives the event and those of its values that cannot name a person, a claim or a place: numbers, truth values, and
words that the program itself chooses. Texts of errors are left out, their kind is given.
"""

from __future__ import annotations

import json
import logging
import re
import sys
import traceback
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated, TextIO

import typer

from evidence.errors import EvidenceError

if TYPE_CHECKING:
    from evidence.intake.watching import CardResult

LogJson = Annotated[
    bool,
    typer.Option(
        "--log-json",
        help="Write one line of JSON for each event to standard error, without names, in place of messages.",
    ),
]

OWN_WORDS = frozenset({"action", "channel", "error", "method", "part", "result", "route"})
"""Values that the program chooses itself."""
OUR_LOGGERS = "evidence"
_EVENT = re.compile(r"[a-z][a-z_]*")
_VALUE = re.compile(r"([a-z_]+)=%[-+ #0-9.]*[a-z]|(%[-+ #0-9.]*[a-z])")


class JsonLines(logging.Formatter):
    """Writes a record as JSON."""

    def format(self, record: logging.LogRecord) -> str:
        """One line without its line feed."""
        line: dict[str, object] = {
            "at": datetime.fromtimestamp(record.created, tz=UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
        }
        if record.name.partition(".")[0] == OUR_LOGGERS:
            line["event"] = _event(record)
            line |= _values(record)
        else:
            line["event"] = "library_message"  # its text may hold anything
        if record.exc_info and record.exc_info[1] is not None:
            trouble = record.exc_info[1]
            line["error"] = type(trouble).__name__
            line["where"] = _where(trouble)
        return json.dumps(line)


def _event(record: logging.LogRecord) -> str:
    """The first word of a message of ours, which is a constant."""
    found = _EVENT.match(str(record.msg))
    return found[0] if found else "message"


def _values(record: logging.LogRecord) -> dict[str, object]:
    """The named values of a message that hold no text but the program's own words."""
    names = [found[1] for found in _VALUE.finditer(str(record.msg))]
    given = record.args if isinstance(record.args, tuple) else ()
    return {
        name: value
        for name, value in zip(names, given, strict=False)
        if name and (isinstance(value, bool | int | float) or (name in OWN_WORDS and isinstance(value, str)))
    }


def _where(trouble: BaseException) -> str:
    """The line of the program where it happened: a module and a number."""
    frames = traceback.extract_tb(trouble.__traceback__)
    if not frames:
        return ""
    last = frames[-1]
    return f"{last.filename.replace(chr(92), '/').rpartition('/')[2]}:{last.lineno}"


def write_json_lines(stream: TextIO | None = None) -> None:
    """Write every message of the program, and warnings of libraries, as JSON to standard error or to `stream`."""
    handler = logging.StreamHandler(stream or sys.stderr)
    handler.setFormatter(JsonLines())
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING)
    logging.getLogger(OUR_LOGGERS).setLevel(logging.INFO)


def is_on() -> bool:
    """True when the log of this process is written as JSON."""
    return any(isinstance(one.formatter, JsonLines) for one in logging.getLogger().handlers)


def unsaid(_text: str) -> None:
    """Say nothing: a message for people may hold names."""


def log_card(result: CardResult) -> None:
    """Write what a card came to, by numbers alone."""
    from evidence.filing.card_safety import CardNow

    log = logging.getLogger("evidence.watch")
    if isinstance(result, EvidenceError):
        log.error("card_failed error=%s status=%d", type(result).__name__, result.exit_code)
    elif isinstance(result, CardNow):
        log.info("card_judged files=%d safe=%s", result.files, result.verdict.safe_to_erase)
    else:
        log.info(
            "card_taken_in files=%d kept=%d already_kept=%d refused=%d claims=%d unassigned=%d used_before=%d "
            "findings=%d copied=%d targets_failed=%d safe=%s",
            result.files,
            result.kept,
            result.already_kept,
            len(result.refused),
            len(result.claims),
            result.unassigned,
            len(result.used_before),
            len(result.findings),
            result.backup.copied,
            len(result.backup.troubles),
            result.card.safe_to_erase,
        )
