"""Work that follows a page without holding it up: bags catching up with the catalog, and claims being counted."""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterable

from evidence.analysis.coverage import CoverageChecker, is_current, store_tally, tally_basis
from evidence.catalog.claims import ClaimRow
from evidence.errors import EvidenceError
from evidence.filing.bags import file_away
from evidence.model import ClaimState
from evidence.workspace import Workspace

log = logging.getLogger(__name__)

FILE_AFTER_S = 3.0
"""Quiet seconds after the last keystroke before bags are built: tagging goes on in bursts."""
COUNT_NOW_LIMIT = 6
"""Claims counted while a page waits; the rest follow in the background."""
COUNTED_STATES = frozenset({ClaimState.OPEN, ClaimState.RETURNED, ClaimState.SIGNED})


class BackgroundWorker:
    """One thread that files what lags behind and counts what was not counted yet."""

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace
        self._changed = threading.Event()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self.last_error = ""
        """Why bags could not follow at the last attempt; empty when they did."""

    def start(self) -> None:
        """Begin to follow."""
        self._thread = threading.Thread(target=self._run, name="board-background", daemon=True)
        self._thread.start()

    def wake(self) -> None:
        """Something changed."""
        self._changed.set()

    def stop(self) -> None:
        """File what is left and end."""
        self._stop.set()
        self._changed.set()
        if self._thread is not None:
            self._thread.join(timeout=60)
        self.update_bags()

    def update_bags(self) -> None:
        """Let every bag say what the catalog says, now."""
        try:
            if self._workspace.catalog.keeping.dirty():
                with self._workspace.locked():
                    file_away(self._workspace)
            self.last_error = ""
        except EvidenceError as trouble:
            self.last_error = str(trouble)
            log.warning("bags_lag_behind: %s", trouble)

    def _run(self) -> None:
        self._count()
        while not self._stop.is_set():
            self._changed.wait()
            while self._changed.is_set() and not self._stop.is_set():
                self._changed.clear()
                self._stop.wait(FILE_AFTER_S)
            if not self._stop.is_set():
                self.update_bags()
                self._count()

    def _count(self) -> None:
        try:
            count_claims(self._workspace, claims_to_count(self._workspace), stop=self._stop)
        except EvidenceError as trouble:
            log.warning("claims_not_counted: %s", trouble)


# --- counts ------------------------------------------------------------------------------


def claims_to_count(workspace: Workspace) -> list[ClaimRow]:
    """Claims with photos whose count is absent or old."""
    known, basis = workspace.catalog.tallies.all(), tally_basis(workspace)
    photos = workspace.catalog.photos.counts()
    return [
        row
        for row in workspace.catalog.claims.all()
        if row.state in COUNTED_STATES
        and row.claim.claim in photos
        and not is_current(known.get(row.claim.claim), row, basis)
    ]


def count_claims(
    workspace: Workspace, rows: Iterable[ClaimRow], *, stop: threading.Event | None = None
) -> None:
    """Count these claims and keep the numbers."""
    basis, shared = tally_basis(workspace), CoverageChecker(workspace)
    for row in rows:
        if stop is not None and stop.is_set():
            return
        store_tally(workspace, row, shared.report(row.claim.claim), basis)
