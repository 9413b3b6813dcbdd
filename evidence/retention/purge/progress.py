"""How far the run of a plan has come; each line is on disk before the step that depends on it."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from contextlib import suppress
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Any

import rfc8785

from evidence.disk.durable import sync_folder
from evidence.model import ClaimId
from evidence.retention.purge.stored import read_time, stamp

PROGRESS = "progress.jsonl"


class PurgeStep(StrEnum):
    """How far the purge of one claim has come."""

    STARTED = "started"
    """The last check passed; from here on copies may be missing."""
    ASIDE = "aside"
    """Every copy is in quarantine; until the line's day the purge can be taken back."""
    REMOVING = "removing"
    """Copies in quarantine are being deleted; the purge can no longer be taken back."""
    UNDOING = "undoing"
    """The purge is being taken back."""
    UNDONE = "undone"
    """Everything is where it was; the claim needs a new plan."""
    CLEARED = "cleared"
    """Every copy was removed, and a new search found none."""
    DONE = "done"
    """Certificate, tombstone and custody entry are written."""


class Progress:
    """How far the run of a plan has come, line by line; a line that a crash cut short does not count."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / PROGRESS
        self._lines = self._read()

    def at(self, claim: ClaimId, step: PurgeStep) -> Mapping[str, Any] | None:
        """The line written when the claim reached the step, or None."""
        return next((line for line in self._lines if line["claim"] == claim and line["step"] == step), None)

    def is_quarantine(self, claim: ClaimId) -> bool:
        """True when the claim's copies were first moved into quarantine."""
        started = self.at(claim, PurgeStep.STARTED)
        return started is not None and started.get("quarantine") == "yes"

    def note(
        self, claim: ClaimId, step: PurgeStep, at: datetime, **details: str | list[str]
    ) -> Mapping[str, Any]:
        """Write the step's line, on disk when this returns; a step that has its line already keeps that one."""
        known = self.at(claim, step)
        if known is not None:
            return known
        line = {**details, "claim": claim, "step": str(step), "at": stamp(at)}
        with self._path.open("ab") as file:
            if self._is_cut_short():
                file.write(b"\n")
            file.write(rfc8785.dumps(line) + b"\n")
            file.flush()
            os.fsync(file.fileno())
        sync_folder(self._path.parent)
        self._lines.append(line)
        return line

    def _read(self) -> list[dict[str, Any]]:
        lines: list[dict[str, Any]] = []
        with suppress(FileNotFoundError):
            for raw in self._path.read_bytes().split(b"\n"):
                with suppress(ValueError):
                    line = json.loads(raw)
                    if isinstance(line, dict) and {"claim", "step", "at"} <= line.keys():
                        lines.append(line)
        return lines

    def _is_cut_short(self) -> bool:
        data = self._path.read_bytes()
        return bool(data) and not data.endswith(b"\n")


def time_of(line: Mapping[str, Any]) -> datetime:
    """When a line of the progress file was written, aware, UTC."""
    return read_time(line["at"])
