"""Work after a page was answered: update bags that are behind the catalog, and count the shots of claims."""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterable

from evidence.analysis.coverage import CoverageChecker
from evidence.analysis.tallies import store_tally, tally_basis
from evidence.catalog.claims import ClaimRow
from evidence.catalog.summaries import ClaimSummary
from evidence.errors import EvidenceError
from evidence.filing.bags import file_away
from evidence.model import ClaimId, ClaimState
from evidence.workspace import Workspace

log = logging.getLogger(__name__)

FILE_AFTER_S = 3.0
"""Seconds without a change before bags are built: people tag in bursts."""
COUNT_NOW_LIMIT = 6
"""At most this many claims are counted while a page waits; more are counted in the background."""
COUNTED_STATES = frozenset({ClaimState.OPEN, ClaimState.RETURNED, ClaimState.SIGNED})


class BackgroundWorker:
    """One thread that updates bags and counts claims."""

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace
        self._changed = threading.Event()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self.last_error = ""
        """Why the last update of the bags failed; empty when it worked."""

    def start(self) -> None:
        """Start the thread."""
        self._thread = threading.Thread(target=self._run, name="board-background", daemon=True)
        self._thread.start()

    def wake(self) -> None:
        """Tell the thread that something changed."""
        self._changed.set()

    def stop(self) -> None:
        """End the thread, then update what is left."""
        self._stop.set()
        self._changed.set()
        if self._thread is not None:
            self._thread.join(timeout=60)
        self.update_bags()

    def update_bags(self) -> None:
        """Update every bag that is behind the catalog, now."""
        try:
            self.last_error = ""
            if self._workspace.catalog.keeping.dirty():
                filed = file_away(self._workspace, wait=False)
                if filed.findings:
                    self.last_error = " ".join(one.message for one in filed.findings)
                elif filed.waiting:
                    self.last_error = "Another command is working on the bags; they follow when it ends."
        except EvidenceError as error:
            self.last_error = str(error)
            log.warning("bags_not_updated: %s", error)

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
        except EvidenceError as error:
            log.warning("claims_not_counted: %s", error)


# --- counts ------------------------------------------------------------------------------


def claims_to_count(workspace: Workspace) -> list[ClaimRow]:
    """Claims with photos whose count is missing or out of date."""
    basis = tally_basis(workspace)
    stale = [ClaimId(one.claim) for one in workspace.catalog.summaries.all() if is_stale(one, basis)]
    return list(workspace.catalog.claims.of(stale).values())


def is_stale(one: ClaimSummary, basis: str) -> bool:
    """Whether a claim has photos and its count is missing or out of date."""
    return bool(one.photos) and one.state in COUNTED_STATES and not one.is_counted(basis)


def count_claims(
    workspace: Workspace, rows: Iterable[ClaimRow], *, stop: threading.Event | None = None
) -> None:
    """Count the required shots of these claims and store the counts."""
    basis, shared = tally_basis(workspace), CoverageChecker(workspace)
    for row in rows:
        if stop is not None and stop.is_set():
            return
        store_tally(workspace, row, shared.report(row.claim.claim), basis)
