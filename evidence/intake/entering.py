"""Enters a card's files in the catalog and describes them while the rest of the card is still copied."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from concurrent.futures import Executor
from functools import partial
from typing import Self

from evidence.cards.files import CardListing, kind_of
from evidence.cards.volumes import CardSource
from evidence.catalog.intakes import IntakeRow
from evidence.errors import LockedError
from evidence.filing.originals import InBags, bags_to_repair, missing_originals
from evidence.intake.copy_card import copy_again
from evidence.intake.describe import Describing
from evidence.intake.running import is_running
from evidence.model import PICTURE_KINDS, ClaimId, Copied, Finding, Outcome, Sha256
from evidence.progress import Progress
from evidence.sight.cluster import Cluster
from evidence.workspace import Workspace

ENTER_BATCH = 24
"""Files entered in one transaction while photos wait for their analysis anyway."""


class Entering:
    """Follows the copying of a card: enters what was copied and lets it be described at once.

    After a kill, what was entered is described and filed by the next run. Use it as a context manager.
    """

    def __init__(
        self,
        workspace: Workspace,
        source: CardSource,
        run: IntakeRow,
        *,
        executor: Executor | None,
        cluster: Cluster | None,
        progress: Progress,
    ) -> None:
        self._workspace, self._source, self._run = workspace, source, run
        self._describing = Describing(workspace, executor=executor, cluster=cluster, progress=progress)
        self._copied: list[Copied] = []
        """Copied and not entered yet."""
        self._new = False
        """One of them came into the archive now: its analysis can begin when it is entered."""
        self._digests: dict[Sha256, None] = {}
        """Entered, each once, in the card's order."""

    def __enter__(self) -> Self:
        self._describing.__enter__()
        return self

    def __exit__(self, *error: object) -> None:
        self._describing.__exit__(*error)

    def listed(self, walk: CardListing, known_sizes: set[int]) -> None:
        """The card was listed; `known_sizes` are the sizes that kept files have."""
        pictures = [found for found in walk.found if kind_of(found.card_path) in PICTURE_KINDS]
        self._describing.to_come = len(pictures)
        if any(found.size not in known_sizes for found in pictures):
            self._describing.start()

    def passed(self, card_path: str) -> None:
        """A file of the card is done with; it may have been refused."""
        if kind_of(card_path) in PICTURE_KINDS:
            self._describing.to_come -= 1
        self._describing.save()

    def copied(self, one: Copied) -> None:
        """A file was copied, or is kept already."""
        self._copied.append(one)
        self._new = self._new or one.outcome is Outcome.KEPT
        if len(self._copied) >= ENTER_BATCH or (self._new and self._describing.hungry):
            try:
                self._enter(wait=False)
            except LockedError:  # another command makes a change now: after one of the next files
                return

    def finish(self) -> tuple[list[Sha256], list[Finding]]:
        """Enter and describe the rest, and what a killed run left.

        Returns the digests of all, each once, and a finding for each original that cannot be read.
        """
        self._enter(wait=True)
        left = [sha for sha in _left_behind(self._workspace, self._run) if sha not in self._digests]
        self._describing.add(left)
        return [*self._digests, *left], self._describing.finish()

    def _enter(self, *, wait: bool) -> None:
        """Enter the copied files in the catalog.

        Files that a purge removed since they were copied are copied again. A bag in which an original is bad or
        missing is marked, so that it gets the card's copy.
        """
        workspace, entered = self._workspace, list(self._copied)
        digests = list(dict.fromkeys(one.sha256 for one in entered))
        while True:
            with workspace.locked(wait=wait):
                bags = InBags(workspace, digests)
                gone = missing_originals(workspace, digests, bags)
                if not gone:
                    damaged = bags_to_repair(workspace, bags)
                    workspace.catalog.change(partial(self._store, entered, digests, damaged))
                    break
            copy_again(workspace, self._source, [one for one in entered if one.sha256 in gone])
        self._copied.clear()
        self._new = False
        new = [sha for sha in digests if sha not in self._digests]
        self._digests.update(dict.fromkeys(new))
        self._describing.add(new)

    def _store(
        self, entered: Sequence[Copied], digests: Sequence[Sha256], damaged: Collection[ClaimId]
    ) -> None:
        catalog = self._workspace.catalog
        catalog.photos.add_originals(self._run.intake, entered)
        catalog.stations.waits_here(digests)
        catalog.keeping.mark_dirty(damaged)


def _left_behind(workspace: Workspace, run: IntakeRow) -> Sequence[Sha256]:
    """Kept files that a killed run filed in no bag; those of another intake that still runs are left to it.

    On a server, those that wait at this station: another one describes its own.
    """
    unfiled = workspace.catalog.photos.unfiled()
    if workspace.shared:
        here = workspace.catalog.stations.waiting_here()
        unfiled = [sha for sha in unfiled if sha in here]
    seen = workspace.catalog.photos.sightings(unfiled)
    intakes = {one.intake for sightings in seen.values() for one in sightings} - {run.intake}
    busy = {intake for intake in intakes if is_running(workspace, intake)}
    return [sha for sha in unfiled if not any(one.intake in busy for one in seen.get(sha, ()))]
