"""Watches for cards and reports which are ready, which are gone and which cannot be read.

Of a card only folder entries are read.
"""

from __future__ import annotations

import contextlib
import hashlib
import logging
import os
import queue
import time
import warnings
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from watchdog.events import FileSystemEvent, FileSystemEventHandler
from watchdog.observers import Observer

from evidence.cards.files import LitterFilter
from evidence.cards.reading import encode_name, list_folder
from evidence.cards.volumes import CardSource, is_removable, mounted_cards, partition_of
from evidence.errors import BadInputError, one_line

log = logging.getLogger(__name__)

SETTLE = timedelta(seconds=10)
"""How long a card must not change before it counts as ready: longer than a slow copy pauses between files."""
TICK_S = 2.0
"""Seconds between looks without a notification: mounts and network folders send none."""
SEEN_AGAIN_S = 30.0
"""Seconds between two reports of a card that keeps changing."""

_NETWORK = ("nfs", "cifs", "smb", "afp", "9p", "sshfs", "davfs", "webdav", "ncpfs", "fuse")
"""Parts of the names of file systems that send no notification of changes made elsewhere."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CardReady:
    """A card, or folder of photos, that has not changed for a while."""

    path: Path
    files: int
    """Files on it, litter left out."""
    size: int
    """Bytes in them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CardGone:
    """A card that was removed."""

    path: Path
    was_ready: bool
    """False when it was removed before it was reported as ready."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CardFailed:
    """A card that cannot be listed; reported once, and again when the reason changes."""

    path: Path
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CardSeen:
    """A card that appeared, or changed, and is not ready yet; at most one each `SEEN_AGAIN_S` for each card."""

    path: Path
    files: int
    """Files on it now, litter left out."""
    size: int
    """Bytes in them."""
    again: bool
    """True when it was reported before and has changed since."""


WatchEvent = CardReady | CardGone | CardFailed | CardSeen
Mounted = Callable[[], tuple[CardSource, ...]]


def ready_now(folders: Sequence[Path], *, mounted: Mounted = mounted_cards) -> tuple[Path, ...]:
    """The cards that are in the folders or mounted now, sorted.

    Raises BadInputError for a folder that does not exist or is a file.
    """
    check_folders(folders)
    litter_filter = LitterFilter()
    return tuple(
        card for card in _cards(folders, mounted, litter_filter) if _state_of(card, litter_filter).files
    )


def watch(
    folders: Sequence[Path],
    *,
    feed: Iterable[object] | None = None,
    settle: timedelta = SETTLE,
    clock: Callable[[], float] = time.monotonic,
    mounted: Mounted = mounted_cards,
) -> Iterator[WatchEvent]:
    """Report cards when they become ready, are removed, or cannot be read.

    A card is a mounted removable volume with a DCIM folder; a watched folder that holds DCIM or
    files; else each folder directly in it with a file somewhere below. It is ready when the names,
    sizes and times of its files have not changed for `settle`, and again after a later change.

    The cards are looked at once for each item of `feed`, until it ends; None means on every change
    of the file system, without end. `clock` gives monotonic seconds. Raises BadInputError, at the
    first step, for a folder that does not exist or is a file.
    """
    check_folders(folders)
    watcher = Watcher(folders, settle=settle, mounted=mounted)
    for _ in file_changes(folders) if feed is None else feed:
        yield from watcher.look(clock())


def check_folders(folders: Sequence[Path]) -> None:
    """Raise BadInputError for a folder that does not exist or is a file."""
    for folder in folders:
        if not folder.exists():
            raise BadInputError(
                f"There is no folder {one_line(folder)}.",
                "Give the folder where cards or photos will appear.",
            )
        if not folder.is_dir():
            raise BadInputError(
                f"{one_line(folder)} is a file, not a folder.",
                "Give the folder where cards or photos will appear.",
            )


# --- what changed ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _State:
    """A card at one look."""

    files: int = 0
    size: int = 0
    fingerprint: str = ""
    """Digest of every file's name, size and time."""
    error: str = ""


@dataclass(slots=True)
class _KnownCard:
    """The state of a card at the last look."""

    state: _State
    since: float
    """When it was first seen in this state, by the watch's clock."""
    reported: bool = False
    was_ready: bool = False
    told_at: float | None = None
    """When it was reported as seen."""


class Watcher:
    """Compares each listing of the cards with the one before. Reads no clock and never waits."""

    def __init__(
        self,
        folders: Sequence[Path],
        *,
        settle: timedelta,
        mounted: Mounted = mounted_cards,
        report_seen: bool = False,
    ) -> None:
        """With `report_seen`, `look` also gives a `CardSeen` for each card that is not ready yet."""
        self._report_seen = report_seen
        self._folders = tuple(folders)
        self._settle = settle.total_seconds()
        self._mounted = mounted
        self._litter = LitterFilter()
        self._known: dict[Path, _KnownCard] = {}

    def look(self, now: float) -> list[WatchEvent]:
        """The events at `now`, in the order of the cards' paths."""
        states = {
            card: _state_of(card, self._litter) for card in _cards(self._folders, self._mounted, self._litter)
        }
        states = {card: state for card, state in states.items() if state.files or state.error}
        events: list[WatchEvent] = [
            CardGone(path=card, was_ready=self._known.pop(card).was_ready)
            for card in sorted(self._known.keys() - states.keys())
        ]
        for card, state in states.items():
            event = self._event_for(card, state, now)
            if event is not None:
                events.append(event)
        return events

    def settle_again(self, now: float) -> None:
        """Start each card's settle time anew: the computer slept, and what happened to the cards meanwhile was not observed."""
        for known in self._known.values():
            if not known.reported:
                known.since = now

    def _event_for(self, card: Path, state: _State, now: float) -> WatchEvent | None:
        known = self._known.get(card)
        if known is None or known.state != state:
            before = known
            self._known[card] = known = _KnownCard(state, now)
            if before is not None:
                known.was_ready, known.told_at = before.was_ready, before.told_at
        if known.reported:
            return None
        if state.error:
            known.reported = True
            return CardFailed(path=card, reason=state.error)
        if now - known.since < self._settle:
            return self._seen(card, known, now) if self._report_seen else None
        known.reported = known.was_ready = True
        return CardReady(path=card, files=state.files, size=state.size)

    @staticmethod
    def _seen(card: Path, known: _KnownCard, now: float) -> CardSeen | None:
        """The report of a card that is not ready, if it changed since the last report and that is long ago."""
        again = known.told_at is not None
        if known.told_at is not None and (known.since <= known.told_at or now - known.told_at < SEEN_AGAIN_S):
            return None
        known.told_at = now
        return CardSeen(path=card, files=known.state.files, size=known.state.size, again=again)


def _cards(folders: Sequence[Path], mounted: Mounted, litter_filter: LitterFilter) -> list[Path]:
    """The folders of the cards, each once, sorted."""
    cards = {source.root for source in mounted()}
    for folder in folders:
        cards.update(_cards_in(Path(os.path.realpath(folder)), litter_filter))
    return sorted(cards)


def _cards_in(folder: Path, litter_filter: LitterFilter) -> list[Path]:
    listing = list_folder(folder)
    if listing.error:
        return [folder] if folder.is_dir() else []
    inside = [e for e in listing.entries if e.is_folder and not litter_filter.names_folder(e.name)]
    loose = any(e.is_file and not litter_filter.names_file(e.name) for e in listing.entries)
    if loose or any(e.name.upper() == "DCIM" for e in inside):
        return [folder]
    return [folder / e.name for e in inside]


def _state_of(card: Path, litter_filter: LitterFilter) -> _State:
    digest = hashlib.sha256()
    files = size = 0
    error = ""
    waiting = [card]
    while waiting:
        folder = waiting.pop()
        listing = list_folder(folder)
        if listing.error and folder == card:
            error = f"{one_line(card.name or card)} cannot be listed: {listing.error.lower()}"
        for entry in listing.entries:
            if entry.is_folder and not litter_filter.names_folder(entry.name):
                waiting.append(folder / entry.name)
            elif entry.is_file and entry.stat is not None and not litter_filter.names_file(entry.name):
                files += 1
                size += entry.size
                digest.update(
                    f"{encode_name(str(folder))}\0{encode_name(entry.name)}\0{entry.size}\0{entry.stat.st_mtime_ns}\n".encode()
                )
    return _State(files=files, size=size, fingerprint=digest.hexdigest(), error=error)


# --- notifications------------------------------------------------------------------------


class _ChangeHandler(FileSystemEventHandler):
    """Puts every change into a queue that holds at most one."""

    def __init__(self) -> None:
        self.changes: queue.Queue[None] = queue.Queue(maxsize=1)

    def on_any_event(self, event: FileSystemEvent) -> None:
        if event.event_type in {"opened", "closed_no_write"}:  # our own reads are not changes
            return
        try:
            self.changes.put_nowait(None)
        except queue.Full:
            return


def file_changes(folders: Sequence[Path], *, tick: float = TICK_S) -> Iterator[None]:
    """Yield when something changes in the folders, and at least every `tick` seconds.

    Notifications are used for folders on fixed disks only: network file systems send none, and on
    removable disks they would prevent ejecting the card.
    """
    # A folder that is moved away and back makes the library warn of a name it had before; the change itself arrives.
    warnings.filterwarnings("ignore", category=RuntimeWarning, module="watchdog")
    handler = _ChangeHandler()
    observer = Observer()
    for folder in folders:
        if _sends_notifications(folder):
            observer.schedule(handler, str(folder), recursive=True)
    try:
        observer.start()
    except OSError as error:  # no notifications available: the ticks go on
        log.warning("notifications_failed why=%s", error)
        observer.unschedule_all()
    try:
        while True:
            yield None
            with contextlib.suppress(queue.Empty):
                handler.changes.get(timeout=tick)
    finally:
        if observer.is_alive():
            observer.stop()
            observer.join()


def _sends_notifications(folder: Path) -> bool:
    partition = partition_of(Path(os.path.realpath(folder)), all_kinds=True)
    if partition is None:
        return True
    return not is_removable(partition) and not any(word in partition.fstype.lower() for word in _NETWORK)
