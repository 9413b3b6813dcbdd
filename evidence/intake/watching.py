"""Watches for cards and takes in each one, one after the other."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Iterator
from datetime import timedelta
from pathlib import Path

from evidence.cards.volumes import mounted_cards
from evidence.cards.watch import CardFailed, CardReady, Mounted, ready_now, watch
from evidence.errors import BadInputError, CardReadError, EvidenceError
from evidence.intake.pipeline import IntakeReport, take_in
from evidence.progress import Progress, quiet
from evidence.workspace import Workspace

log = logging.getLogger(__name__)

CardResult = IntakeReport | EvidenceError
"""The report of a card that was taken in, or the error that stopped it."""


def take_in_cards(
    workspace: Workspace,
    folders: tuple[Path, ...],
    *,
    once: bool,
    progress: Progress = quiet,
    feed: Iterable[object] | None = None,
    mounted: Mounted = mounted_cards,
) -> Iterator[tuple[Path, CardResult]]:
    """Take in each card; yields its path with its report or its error. One bad card does not stop the next.

    With `once`, takes in the cards that are connected now; otherwise each card as it appears, without end
    (or until `feed` ends). Raises BadInputError when a watched folder holds the archive or a target.
    """
    _refuse_overlap(workspace, folders)
    if once:
        for card in ready_now(folders, mounted=mounted):
            yield card, _attempt(workspace, card, progress)
        return
    settle = timedelta(seconds=workspace.settings.watch.settle_s)
    for event in watch(folders, feed=feed, settle=settle, mounted=mounted):
        if isinstance(event, CardReady):
            yield event.path, _attempt(workspace, event.path, progress)
        elif isinstance(event, CardFailed):
            yield (
                event.path,
                CardReadError(f"{event.path}: {event.reason}.", "Take the card out and put it in again."),
            )
        else:
            log.info("card_gone path=%s was_ready=%s", event.path, event.was_ready)


def _refuse_overlap(workspace: Workspace, folders: tuple[Path, ...]) -> None:
    """Raise BadInputError when a watched folder holds the archive or a target: they would be taken in as cards."""
    ours = [("the archive", workspace.root)]
    ours += [(f"backup target '{one.name}'", one.path.absolute()) for one in workspace.settings.target]
    for folder in folders:
        watched = folder.resolve()
        for name, place in ours:
            real = place.resolve()
            if real == watched or watched in real.parents or real in watched.parents:
                raise BadInputError(
                    f"The watched folder {folder} and {name} lie inside one another.",
                    "Watch a folder of its own, where nothing but cards appears.",
                )


def _attempt(workspace: Workspace, card: Path, progress: Progress) -> CardResult:
    try:
        return take_in(workspace, card, progress=progress)
    except EvidenceError as trouble:
        return trouble
