"""Work that follows a page without holding it up: bags catching up with the catalog, and claims being counted."""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterable

from evidence.analysis.coverage import CoverageChecker, is_current, store_tally, tally_basis
from evidence.catalog.claims import ClaimRow
from evidence.errors import EvidenceError
from evidence.filing import bags as filing
from evidence.model import ClaimState
from evidence.workspace import Workspace

log = logging.getLogger(__name__)

FILE_AFTER_S = 3.0
"""Quiet seconds after the last keystroke before bags are built: tagging goes on in bursts."""
AT_ONCE = 6
"""Claims counted while a page waits; the rest follow in the background."""
COUNTED = frozenset({ClaimState.OPEN, ClaimState.RETURNED, ClaimState.SIGNED})


class Follower:
    """One thread that files what lags behind and counts what was not counted yet."""

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace
        self._wake = threading.Event()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self.trouble = ""
        """Why bags could not follow at the last attempt; empty when they did."""

    def start(self) -> None:
        """Begin to follow."""
        self._thread = threading.Thread(target=self._run, name="board-follower", daemon=True)
        self._thread.start()

    def nudge(self) -> None:
        """Something changed."""
        self._wake.set()

    def stop(self) -> None:
        """File what is left and end."""
        self._stop.set()
        self._wake.set()
        if self._thread is not None:
            self._thread.join(timeout=60)
        self.file()

    def file(self) -> None:
        """Let every bag say what the catalog says, now."""
        try:
            if self._workspace.catalog.keeping.dirty():
                with self._workspace.locked():
                    filing.file_away(self._workspace)
            self.trouble = ""
        except EvidenceError as trouble:
            self.trouble = str(trouble)
            log.warning("bags_lag_behind: %s", trouble)

    def _run(self) -> None:
        self._count()
        while not self._stop.is_set():
            self._wake.wait()
            while self._wake.is_set() and not self._stop.is_set():
                self._wake.clear()
                self._stop.wait(FILE_AFTER_S)
            if not self._stop.is_set():
                self.file()
                self._count()

    def _count(self) -> None:
        try:
            count(self._workspace, uncounted(self._workspace), stop=self._stop)
        except EvidenceError as trouble:
            log.warning("claims_not_counted: %s", trouble)


# --- counts ------------------------------------------------------------------------------


def uncounted(workspace: Workspace) -> list[ClaimRow]:
    """Claims with photos whose count is absent or old."""
    known, basis = workspace.catalog.tallies.all(), tally_basis(workspace)
    photos = workspace.catalog.photos.counts()
    return [
        row
        for row in workspace.catalog.claims.all()
        if row.state in COUNTED
        and row.claim.claim in photos
        and not is_current(known.get(row.claim.claim), row, basis)
    ]


def count(workspace: Workspace, rows: Iterable[ClaimRow], *, stop: threading.Event | None = None) -> None:
    """Count these claims and keep the numbers."""
    basis, shared = tally_basis(workspace), CoverageChecker(workspace)
    for row in rows:
        if stop is not None and stop.is_set():
            return
        store_tally(workspace, row, shared.report(row.claim.claim), basis)
