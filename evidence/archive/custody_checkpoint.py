"""Where the last verification of a custody log ended: a signed head, and the frontier of the tree up to it.

It is a file beside the log that may be deleted. It is used only while the frontier leads to the root that was signed.
"""

from __future__ import annotations

import contextlib
import json
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from evidence.archive.custody_head import StoredHead, head_bytes, parse_stored
from evidence.archive.custody_lines import utc_text
from evidence.archive.heads import SignedHead, parse_head
from evidence.archive.merkle import Frontier
from evidence.disk.durable import replace_file

LEAST = 1024
"""Entries of a log that is worth a file: fewer are read in some hundredths of a second."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Checkpoint:
    """A signed head up to which the log was verified."""

    signed: SignedHead
    end: StoredHead
    """The same end of the log, with its frontier and its place in the file."""
    whole_at: datetime
    """When every entry was read last, aware: by the computer's clock then. Nothing proves it."""

    def agrees(self) -> bool:
        """True when the frontier leads to the root that was signed, and the signature fits."""
        head, end = self.signed.head, self.end
        if end.frontier is None or (head.size, head.last) != (end.seq, end.sha256):
            return False
        return Frontier(end.seq, end.frontier).root().hex() == head.root and self.signed.is_genuine()


def checkpoint_path(log: Path) -> Path:
    """The file beside the log."""
    return log.with_name(f"{log.name}.proved")


def read_checkpoint(log: Path) -> Checkpoint | None:
    """The last checkpoint; None when there is none or it cannot be used."""
    try:
        value = json.loads(checkpoint_path(log).read_bytes())
        signed, end = parse_head(value["signed"]), parse_stored(value["end"])
        found = Checkpoint(signed=signed, end=end, whole_at=datetime.fromisoformat(value["whole_at"]))  # type: ignore[arg-type]
        usable = signed is not None and found.whole_at.tzinfo is not None and found.agrees()
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return found if usable else None


def write_checkpoint(log: Path, checkpoint: Checkpoint) -> None:
    """Keep a checkpoint of a log of `LEAST` entries; nothing on a disk that cannot be written: then the next run reads more."""
    if checkpoint.end.seq < LEAST:
        return
    value = {
        "signed": json.loads(checkpoint.signed.line()),
        "end": json.loads(head_bytes(checkpoint.end)),
        "whole_at": utc_text(checkpoint.whole_at),
    }
    with contextlib.suppress(OSError):
        replace_file(checkpoint_path(log), json.dumps(value).encode() + b"\n")
