"""Watches for cards and takes in each one; what cannot be finished is tried again until its cause is gone."""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import filelock

from evidence.cards.files import list_card
from evidence.cards.volumes import CardSource, mounted_cards, open_source
from evidence.cards.watch import (
    CardFailed,
    CardGone,
    CardReady,
    CardSeen,
    Mounted,
    Watcher,
    WatchEvent,
    check_folders,
    file_changes,
    ready_now,
)
from evidence.catalog.intakes import IntakeRow
from evidence.disk.faults import disk_error
from evidence.disk.modes import FILE
from evidence.errors import BadInputError, CardReadError, EvidenceError, LockedError, counted, one_line
from evidence.filing.backup import back_up, open_targets, why_unreachable
from evidence.filing.card_safety import CardNow, Judging, judge_and_store
from evidence.intake.copy_speed import (
    SLEPT_S,
    Clock,
    CopySpeed,
    Say,
    clock_that_counts_sleep,
    megabytes,
    silent,
    stalls_noticed,
)
from evidence.intake.pipeline import IntakeReport, take_in
from evidence.intake.waiting import (
    FIRST_PAUSE_S,
    LONGEST_COPIES_PAUSE_S,
    MAY_PASS,
    MOST_REREADS,
    Waiting,
    why_stopped,
    why_uncopied,
    why_unread,
)
from evidence.model import IntakeId
from evidence.plain_words import duration
from evidence.progress import Progress, quiet
from evidence.workspace import Workspace

log = logging.getLogger(__name__)

CardResult = IntakeReport | CardNow | EvidenceError
"""The report of a card that was taken in; the new verdict on a card that was not read again; or the error that stopped it."""
LOCK = "watch.lock"
"""The file in the archive that a running watch locks. The system frees the lock of a process that dies."""


def take_in_cards(
    workspace: Workspace,
    folders: tuple[Path, ...],
    *,
    once: bool,
    progress: Progress = quiet,
    say: Say = silent,
    on_look: Callable[[], None] = lambda: None,
    feed: Iterable[object] | None = None,
    mounted: Mounted = mounted_cards,
    clock: Clock = clock_that_counts_sleep,
) -> Iterator[tuple[Path, CardResult]]:
    """Take in each card; yields its path with its report or its error. One bad card does not stop the next.

    With `once`, takes in the cards that are connected now; otherwise each card as it appears, without end
    (or until `feed` ends). A card that was taken in before and has not changed is not read again. A card that
    cannot be finished is tried again with growing pauses. `say` gets one line for people at each step;
    `on_look` is called after each look at the cards.

    Raises BadInputError when a watched folder holds the archive or a target, LockedError when another watch runs.
    """
    _refuse_overlap(workspace, folders)
    if once:
        for card in ready_now(folders, mounted=mounted):
            yield card, _attempt(workspace, card, progress, say)
        return
    check_folders(folders)
    with only_watch(workspace):
        say(_what_is_watched(workspace, folders))
        watching = _Watching(workspace, folders, progress, say, mounted, clock)
        for _ in watching.looks(file_changes(folders) if feed is None else feed):
            yield from watching.look()
            on_look()


@contextmanager
def only_watch(workspace: Workspace) -> Iterator[None]:
    """Hold the lock of the archive's watch. Raises LockedError when another process holds it."""
    try:
        with filelock.FileLock(workspace.root / LOCK, timeout=0, mode=FILE):
            yield
    except filelock.Timeout:
        raise LockedError(
            f"Another `evidence watch` already watches for {workspace.root}.",
            "Use that one, or stop it first; `evidence service status` shows one in the background.",
        ) from None


def is_watched(workspace: Workspace) -> bool:
    """True while a process watches for this archive."""
    if not (workspace.root / LOCK).exists():
        return False
    try:
        with only_watch(workspace):
            return False
    except LockedError:
        return True


def _what_is_watched(workspace: Workspace, folders: tuple[Path, ...]) -> str:
    where = ", ".join(one_line(one.absolute()) for one in folders)
    beside = f" and folders of photos in {where}" if folders else ""
    return (
        f"Watching for camera cards connected to this computer{beside}. "
        f"They are taken in to {one_line(workspace.root)}. Stop with Ctrl-C."
    )


class _Watching:
    """One watch: the cards that are there, and what waits to be tried again."""

    def __init__(
        self,
        workspace: Workspace,
        folders: tuple[Path, ...],
        progress: Progress,
        say: Say,
        mounted: Mounted,
        clock: Clock,
    ) -> None:
        self._workspace, self._progress, self._say, self._clock = workspace, progress, say, clock
        settle = timedelta(seconds=workspace.settings.watch.settle_s)
        self._watcher = Watcher(folders, settle=settle, mounted=mounted, report_seen=True)
        self._waiting: dict[Path, Waiting] = {}
        self._was_gone: set[Path] = set()
        """Cards that were taken out while this watch ran: one that comes back gets a line even if it is known."""

    def looks(self, feed: Iterable[object]) -> Iterator[None]:
        """One item for each item of the feed; says when the computer slept while it waited for one."""
        items = iter(feed)
        while True:
            before = self._clock()
            try:
                next(items)
            except StopIteration:
                return
            now = self._clock()
            if now - before > SLEPT_S:
                self._say(f"This computer slept for {duration(now - before)}. Looking at the cards again.")
                self._watcher.settle_again(now)
                for one in self._waiting.values():
                    one.soon(now)
            yield

    def look(self) -> Iterator[tuple[Path, CardResult]]:
        """The result of one check of the cards, and of what was due again."""
        for event in self._watcher.look(self._clock()):
            yield from self._on(event)
        yield from self._try_again()

    def _on(self, event: WatchEvent) -> Iterator[tuple[Path, CardResult]]:
        name = card_name(event.path)
        if isinstance(event, CardReady):
            yield from self._on_ready(event)
        elif isinstance(event, CardFailed):
            yield (
                event.path,
                CardReadError(f"{event.path}: {event.reason}.", "Take the card out and put it in again."),
            )
        elif isinstance(event, CardSeen):
            seen = f"{counted(event.files, 'file')}, {megabytes(event.size)}"
            words = "still being filled" if event.again else "noticed"
            self._say(f"{name}: {words}, {seen} so far. It is taken in when nothing on it changes any more.")
        else:
            self._on_gone(event)

    def _on_ready(self, event: CardReady) -> Iterator[tuple[Path, CardResult]]:
        path = event.path
        known = _known(self._workspace, path)
        if known is None:
            yield from self._take_in(path)
            return
        if known.changed or path in self._was_gone:
            self._was_gone.discard(path)
            yield path, known.now
        if not known.now.verdict.safe_to_erase:
            why = known.now.verdict.reasons[0]
            self._say(f"{card_name(path)}: taken in before; not safe yet. {why}")
            self._wait_for_copies(path, known.now.intake, why)

    def _on_gone(self, event: CardGone) -> None:
        self._was_gone.add(event.path)
        if event.path in self._waiting and self._waiting[event.path].intake is None:
            del self._waiting[event.path]
        if not event.was_ready:
            self._say(f"{card_name(event.path)}: taken out before it was read. Put it in again.")
        log.info("card_gone path=%s was_ready=%s", event.path, event.was_ready)

    # --- taking in, and again ------------------------------------------------------------

    def _take_in(self, path: Path) -> Iterator[tuple[Path, CardResult]]:
        """Take in a card; what it came to is reported, unless it is the same failure as at the last try."""
        before = self._waiting.pop(path, None)
        result = _attempt(self._workspace, path, self._progress, self._say)
        waiting = self._to_wait_for(path, result)
        if waiting is None:
            yield path, result
            return
        if before is not None and before.intake == waiting.intake:
            waiting.pause, waiting.tries = before.pause, before.tries
            waiting.put_off(self._clock())
        self._waiting[path] = waiting
        if waiting.intake is None and isinstance(result, IntakeReport) and waiting.tries >= MOST_REREADS:
            del self._waiting[path]
            self._say(
                f"{card_name(path)}: {waiting.why} {waiting.tries + 1} tries came to the same. "
                f"Try another reader, or copy by hand what matters."
            )
            return
        reported = before is None or before.why != waiting.why
        if reported:
            yield path, result
        if reported and waiting.intake is not None:  # the report says what is missing
            self._say(f"{card_name(path)}: the backup is tried again by itself. {waiting.next_try}")
        else:
            self._say(f"{card_name(path)}: {waiting.why} {waiting.next_try}")

    def _to_wait_for(self, path: Path, result: CardResult) -> Waiting | None:
        """What is to be tried again after this result; None when nothing is."""
        due = self._clock() + FIRST_PAUSE_S
        if isinstance(result, MAY_PASS):
            return Waiting(path=path, why=why_stopped(result), due=due)
        if not isinstance(result, IntakeReport):
            return None
        unread = why_unread(result, connected=path.is_dir())
        if unread:
            return Waiting(path=path, why=unread, due=due)
        if result.card.safe_as_seen or not self._workspace.settings.target:
            return None
        if not result.backup.troubles and any(one.blocks_erase for one in result.refused):
            return None
        return Waiting(
            path=path, why=why_uncopied(result), due=due, intake=result.intake, longest=LONGEST_COPIES_PAUSE_S
        )

    def _wait_for_copies(self, path: Path, intake: IntakeId, why: str) -> None:
        if self._workspace.settings.target:
            self._waiting[path] = Waiting(
                path=path,
                why=why,
                due=self._clock() + FIRST_PAUSE_S,
                intake=intake,
                longest=LONGEST_COPIES_PAUSE_S,
            )

    def _try_again(self) -> Iterator[tuple[Path, CardResult]]:
        now = self._clock()
        due = [one for one in self._waiting.values() if one.due <= now]
        for one in due:
            if one.intake is None:
                if one.path.is_dir():
                    yield from self._take_in(one.path)
                else:  # the watcher reports it when it comes back
                    self._waiting.pop(one.path)
        copies = [one for one in due if one.intake is not None]
        if copies:
            yield from self._complete_copies(copies)

    def _complete_copies(self, due: list[Waiting]) -> Iterator[tuple[Path, CardResult]]:
        """Back up to the targets that are there now, and judge the cards that waited for it."""
        for one in due:
            one.put_off(self._clock())
        if all(why_unreachable(self._workspace, target) for target in open_targets(self._workspace)):
            return
        try:
            backup = back_up(self._workspace, progress=self._progress)
        except EvidenceError as trouble:
            self._say(f"The backup stopped: {trouble.message} It is tried again.")
            return
        judging = Judging(self._workspace)
        for one in [
            one for one in self._waiting.values() if one.intake is not None
        ]:  # also those not due yet
            run = self._workspace.catalog.photos.intake(one.intake) if one.intake else None
            if run is None or run.superseded_by:
                del self._waiting[one.path]
                continue
            now = judge_and_store(self._workspace, run, judging)
            if now.verdict.safe_as_seen:
                del self._waiting[one.path]
                yield one.path, now
            elif backup.troubles or now.verdict.reasons[0] != one.why:
                why = " ".join(f"Backup target {t.subject}: {t.message}" for t in backup.troubles)
                why = why or now.verdict.reasons[0]
                if why != one.why:
                    one.why = why
                    self._say(f"{card_name(one.path)}: {why} {one.next_try}")


# --- cards that were taken in before -----------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """A connected card that holds nothing new."""

    now: CardNow
    changed: bool
    """True when the verdict is not the one that was reported last."""


def _known(workspace: Workspace, path: Path) -> _Known | None:
    """The verdict on a card that an earlier intake took in completely and that has not changed; None for any other."""
    try:
        source = open_source(path)
    except BadInputError:
        return None
    run = _run_of(workspace, source)
    if run is None or run.finished_at is None or any(one.code == "unreadable" for one in run.refused):
        return None
    judging = Judging(workspace)
    now = judging.judge(run, source=source)
    if now.verdict.came_since or not now.files:
        return None
    changed = now.verdict.safe_to_erase != run.told_safe
    return _Known(now=judge_and_store(workspace, run, judging, source=source), changed=changed)


def _run_of(workspace: Workspace, source: CardSource) -> IntakeRow | None:
    """The latest intake of this card."""
    runs = [
        run
        for run in workspace.catalog.photos.own_intakes()
        if not run.superseded_by
        and (
            run.card_id == source.card_id
            if run.card_id and source.card_id
            else run.source == str(source.root)
        )
    ]
    return max(runs, key=lambda run: run.started_at, default=None)


# --- one card -----------------------------------------------------------------------------


def card_name(path: Path) -> str:
    """How lines about a card name it."""
    return one_line(path.name or path)


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


def _attempt(workspace: Workspace, card: Path, progress: Progress, say: Say) -> IntakeReport | EvidenceError:
    try:
        sizes = _sizes(workspace, card)
        speed = CopySpeed(card_name(card), sizes, progress, say)
        with stalls_noticed(speed):
            return take_in(workspace, card, progress=speed)
    except EvidenceError as trouble:
        return trouble
    except OSError as trouble:
        known = disk_error(trouble)
        if known is None:
            raise
        known.__cause__ = trouble
        return known


def _sizes(workspace: Workspace, card: Path) -> list[int]:
    """Bytes of each file of the card, in the order in which they are copied."""
    root = Path(os.path.realpath(card))
    if not root.is_dir():
        return []
    return [one.size for one in list_card(root, litter=workspace.settings.intake.litter).found]
