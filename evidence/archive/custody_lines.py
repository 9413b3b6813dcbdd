"""The lines of the custody log: writing an entry as canonical JSON (RFC 8785), reading a line, finding one."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import rfc8785

from evidence.errors import BadInputError
from evidence.model import Sha256

GENESIS = Sha256("0" * 64)
"""The digest of the line before the first entry."""

_FIELDS = frozenset({"seq", "at", "actor", "action", "subject", "details", "prev"})
_AT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z")
_QUICK = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode
HOUR = len("2026-05-14T09")
"""Characters of a time up to its hour."""
STRING = re.compile(r'"([^"\\]*(?:\\.[^"\\]*)*)"')
"""A JSON string, names too, as it is written in a line, without its quotation marks."""

_START = re.compile(rb'\{"action":"([^"\\]*)","actor":"(?:[^"\\]|\\.)*","at":"([^"]+)"')
"""The beginning of a canonical line: names in the order of RFC 8785."""


def action_and_time(line: bytes) -> tuple[bytes, bytes] | None:
    """Action and time (as written: ISO 8601, UTC) of a line, without reading the rest; None when it is no entry's."""
    found = _START.match(line)
    return (found[1], found[2]) if found else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """An entry that is not yet written."""

    actor: str
    action: str
    subject: str
    at: datetime
    """Aware."""
    details: Mapping[str, Any] = field(default_factory=dict)
    """JSON values; whole numbers within 2^53."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """An entry of the log."""

    seq: int
    """From 1, without gaps."""
    at: datetime
    """Aware, UTC, to the microsecond."""
    actor: str
    action: str
    subject: str
    details: Mapping[str, Any]
    prev: Sha256
    """SHA-256 of the line before, without its line feed."""
    sha256: Sha256
    """SHA-256 of this line, without its line feed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Anchor:
    """The end of the log at some time, recorded outside the log."""

    seq: int
    """Number of the last entry then; 0 for an empty log."""
    sha256: Sha256
    """Its line's digest; `GENESIS` for an empty log; empty when only the root was recorded."""
    root: str = ""
    """Merkle root over the lines 1 to `seq`, 64 hexadecimal digits; empty when it was not recorded."""
    where: str = ""
    """Where it was recorded, for messages, for example `backup target office`."""


def utc_text(at: datetime) -> str:
    """An aware time in UTC by RFC 3339, to the microsecond."""
    return at.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def make_line(draft: Draft, seq: int, prev: Sha256) -> bytes:
    """The canonical line of an entry, without its line feed. Raises BadInputError."""
    if draft.at.tzinfo is None:
        raise BadInputError(
            "A custody entry needs a time with its offset from UTC.", "Give the time zone too."
        )
    if not draft.actor.strip() or not draft.action.strip():
        raise BadInputError("A custody entry needs an actor and an action.", "Say who does it with --actor.")
    at = utc_text(draft.at)
    value: dict[str, Any] = {
        "seq": seq,
        "at": at,
        "actor": draft.actor,
        "action": draft.action,
        "subject": draft.subject,
        "details": dict(draft.details),
        "prev": prev,
    }
    try:
        return rfc8785.dumps(value)
    except (rfc8785.CanonicalizationError, UnicodeEncodeError) as error:
        raise BadInputError(
            f"A custody entry ({draft.action}) has a value that JSON cannot hold: {error}.",
            "Write it as text or as a smaller number.",
        ) from error


def chain(drafts: Sequence[Draft], head: Anchor) -> tuple[list[bytes], tuple[Entry, ...]]:
    """The lines and entries that continue the chain after `head`. Raises BadInputError."""
    lines: list[bytes] = []
    entries: list[Entry] = []
    for draft in drafts:
        line = make_line(draft, head.seq + 1, head.sha256)
        entry, why = parse_line(line)
        assert entry is not None, why
        head = Anchor(seq=entry.seq, sha256=entry.sha256)
        lines.append(line)
        entries.append(entry)
    return lines, tuple(entries)


def parse_line(line: bytes) -> tuple[Entry | None, str]:
    """The entry in a line, or None and what is wrong with the line."""
    try:
        value = json.loads(line)
    except ValueError:
        return None, "it is not JSON"
    if not isinstance(value, dict) or value.keys() != _FIELDS:
        return None, "it does not have the fields of an entry"
    texts = [value[name] for name in ("at", "actor", "action", "subject", "prev")]
    if type(value["seq"]) is not int or not isinstance(value["details"], dict):
        return None, "its number or its details have the wrong type"
    if not all(isinstance(text, str) for text in texts) or not _AT.fullmatch(value["at"]):
        return None, "its time or another text has the wrong form"
    if not is_canonical(line, value):
        return None, "it is not in canonical form (RFC 8785)"
    try:
        at = datetime.fromisoformat(value["at"])
    except ValueError:
        return None, "its time is not a valid time"
    entry = Entry(
        seq=value["seq"],
        at=at,
        actor=value["actor"],
        action=value["action"],
        subject=value["subject"],
        details=value["details"],
        prev=Sha256(value["prev"]),
        sha256=line_digest(line),
    )
    return entry, ""


def is_canonical(line: bytes, value: Mapping[str, Any]) -> bool:
    """True for RFC 8785 form. The C encoder gives the same on most lines and is ten times as fast."""
    try:
        return _QUICK(value).encode() == line or rfc8785.dumps(dict(value)) == line
    except (rfc8785.CanonicalizationError, UnicodeEncodeError):
        return False


def line_digest(line: bytes) -> Sha256:
    """SHA-256 of a line, given without its line feed."""
    return Sha256(hashlib.sha256(line).hexdigest())
