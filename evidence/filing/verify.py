"""Reads copies back, the longest unread first, and compares them with their manifests and the catalog."""

from __future__ import annotations

import hashlib
import heapq
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import groupby

from evidence.archive.bagcheck import OXUM_LITTER, BagCheck, PayloadReading, check_bag
from evidence.archive.bagread import TAG_MANIFEST, is_litter
from evidence.archive.targets import FolderTarget
from evidence.catalog.read_backs import KeptCopy
from evidence.errors import ArchiveOlderError, EvidenceError
from evidence.filing.backup import disk_of, open_targets, why_unreachable
from evidence.filing.bags import bag_folder
from evidence.filing.copies import not_copied_yet, place_name, record_check
from evidence.filing.record_files import keep_records
from evidence.filing.releases import require_current_bags
from evidence.filing.target_files import Limits, read_archive_files
from evidence.model import ClaimId, Finding, Sha256
from evidence.progress import Progress, quiet
from evidence.workspace import Workspace

BATCH_OCTETS = 1 << 29
"""Bytes after which the results are committed: a kill repeats at most so much reading, some seconds of it."""
BATCH_FILES = 2000
"""Files after which the results are committed, for bags of small files."""
OWN_FILES = 0.1
"""The part of a budget that goes to the archive's own files at the targets."""
_TRIES = 5
"""How often a bag is read again because its content was changed meanwhile."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """How much one run may read; without a limit it reads everything."""

    seconds: float | None = None
    """No file is begun after this time."""
    octets: int | None = None
    """Bytes; a single larger file is read all the same, alone."""

    @property
    def limited(self) -> bool:
        """True when there is a limit."""
        return self.seconds is not None or self.octets is not None


UNLIMITED = Budget()
"""Read everything."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VerifyReport:
    """What reading the archive and every target found."""

    checked: int
    octets: int
    """Bytes of the files that were read."""
    bad: tuple[Finding, ...]
    missing: tuple[Finding, ...]
    left_files: int
    """Copies that this run did not read: no time was left for them, or their place is not connected."""
    left_octets: int
    never: int
    """Copies that were never read back and matched."""
    oldest: datetime | None
    """When the copy that was read back longest ago was read back, aware, UTC."""
    litter: tuple[str, ...]
    """Files that operating systems left in bags, place and path; they make no bag bad."""


@dataclass(slots=True)
class _VerifyRun:
    """One run over all places."""

    workspace: Workspace
    budget: Budget
    progress: Progress
    started: datetime
    deadline: float | None
    total: int = 0
    """Bytes that the run will read at most."""
    checked: int = 0
    octets: int = 0
    read_files: int = 0
    """Copies of originals that were read, whatever was found."""
    read_octets: int = 0
    shown: int = 0
    bad: dict[tuple[str, str], Finding] = field(default_factory=dict)
    missing: dict[tuple[str, str], Finding] = field(default_factory=dict)
    litter: set[str] = field(default_factory=set)
    done: set[tuple[str, Sha256, ClaimId]] = field(default_factory=set)
    """Copies that were recorded with a time not after the start: the clock was set back."""

    def is_over(self) -> bool:
        return self.deadline is not None and time.monotonic() >= self.deadline

    def show(self, octets: int) -> None:
        self.shown += octets
        done = min(self.shown, self.total)
        self.progress("Reading back, MB", done // 10**6, -(-self.total // 10**6))


def verify(workspace: Workspace, *, budget: Budget = UNLIMITED, progress: Progress = quiet) -> VerifyReport:
    """Read copies back here and at every target that is connected, and record the result for each original.

    The copies that were read back longest ago come first. A bag's manifests and tag files are checked
    whenever one of its files is read. What was found is committed in batches, so that the next run
    continues after a kill. A place that is not connected is a finding and keeps its dates.
    """
    started = workspace.now()
    deadline = None if budget.seconds is None else time.monotonic() + budget.seconds
    run = _VerifyRun(workspace, budget, progress, started, deadline)
    places = {place_name(one): one for one in _reachable(run)}
    every = [place_name(None), *(one.name for one in open_targets(workspace))]
    wanted = workspace.catalog.read_backs.unread(every, before=started)
    run.total = wanted.octets if budget.octets is None else min(wanted.octets, budget.octets)
    run.show(0)
    _read_archive_files(run, [one for one in places.values() if one])
    touched: set[tuple[str, ClaimId]] = set()
    for batch in _batches(run, list(places)):
        for (place, claim), copies in groupby(sorted(batch, key=_bag), key=_bag):
            if place in places and not _read(run, places, place, claim, list(copies)):
                del places[place]
            touched.add((place, claim))
    if not budget.limited:
        _read_empty_bags(run, places, touched)
    left_files = max(0, wanted.files - run.read_files)
    ages = workspace.catalog.read_backs.ages(every)
    bad, missing = tuple(run.bad.values()), tuple(run.missing.values())
    keep_records(workspace)
    workspace.record(
        "verified",
        "every bag and target" if not left_files else "the copies unread for longest",
        checked=run.checked,
        octets=run.octets,
        left=left_files,
        bad=len(bad),
        missing=len(missing),
    )
    return VerifyReport(
        checked=run.checked,
        octets=run.octets,
        bad=bad,
        missing=missing,
        left_files=left_files,
        left_octets=max(0, wanted.octets - run.read_octets),
        never=ages.never,
        oldest=ages.oldest,
        litter=tuple(sorted(run.litter)),
    )


def _bag(copy: KeptCopy) -> tuple[str, ClaimId]:
    return (copy.place, copy.claim)


# --- places ------------------------------------------------------------------------------


def _reachable(run: _VerifyRun) -> list[FolderTarget | None]:
    """The archive and the targets that can be read now."""
    places: list[FolderTarget | None] = [None]
    return [*places, *(target for target in open_targets(run.workspace) if _is_reachable(run, target))]


def _is_reachable(run: _VerifyRun, target: FolderTarget | None) -> bool:
    if target is None:
        return True
    if trouble := why_unreachable(run.workspace, target):
        finding = Finding(code="unreachable", message=str(trouble), subject=target.name)
        run.missing[("unreachable", target.name)] = finding
        return False
    return True


# --- what is read ------------------------------------------------------------------------


def _batches(run: _VerifyRun, places: list[str]) -> Iterator[list[KeptCopy]]:
    """The copies to read, longest unread first over all places, cut where the budget ends."""
    read_backs = run.workspace.catalog.read_backs
    streams = [read_backs.longest_unread(place, before=run.started) for place in places]
    batch: list[KeptCopy] = []
    octets = total = 0
    for copy in heapq.merge(*streams, key=lambda one: one.verified_at.timestamp() if one.verified_at else 0):
        if run.is_over():
            return
        if (copy.place, copy.sha256, copy.claim) in run.done:
            continue
        total += copy.size
        if run.budget.octets is not None and total > run.budget.octets and total > copy.size:
            break
        batch.append(copy)
        octets += copy.size
        if octets >= BATCH_OCTETS or len(batch) >= BATCH_FILES:
            yield batch
            batch, octets = [], 0
    if batch and not run.is_over():
        yield batch


def _read(
    run: _VerifyRun,
    places: dict[str, FolderTarget | None],
    place: str,
    claim: ClaimId,
    copies: list[KeptCopy],
) -> bool:
    """Read these files of one bag and record the result; False when the place is gone."""
    target, where = places[place], f"{place}: {claim or 'unassigned'}"
    reading = PayloadReading(
        only=[one.path for one in copies],
        stop=run.is_over,
        on_read=run.show,
        at_once=run.workspace.settings.disk.at_once,
    )
    for _ in range(_TRIES):
        before = run.workspace.catalog.keeping.payload(claim)
        try:
            check = _check(run.workspace, target, claim, before, reading)
        except EvidenceError as trouble:
            if not _is_reachable(run, target):
                return False
            run.missing[("unreachable", where)] = Finding(
                code="unreachable", message=str(trouble), subject=where
            )
            digests = [one.sha256 for one in copies]
            run.workspace.catalog.keeping.mark_corrupt(place, digests, at=run.workspace.now())
            return True
        if target is not None and _is_not_copied_yet(run.workspace, target, claim, copies):
            run.bad[("not_recorded", where)] = Finding(
                code="not_recorded",
                message="The bag is not there yet: the next backup copies it.",
                subject=where,
            )
            return True
        if not check.valid and not _is_reachable(run, target):
            return False  # its disk was removed: nothing is known about these files
        if record_check(run.workspace, target, claim, check, before):
            if target and check.valid:
                _compare_records(run, target, claim, where)
            break
    else:
        return True  # the bag changes all the time; its files stay the longest unread
    run.checked += check.checked
    run.octets += check.octets
    read = [one for one in copies if f"data/{one.path}" not in check.unread]
    run.read_files += len(read)
    run.read_octets += sum(one.size for one in read)
    if run.workspace.now() <= run.started:
        run.done |= {(place, one.sha256, claim) for one in copies}
    _note(run, where, check)
    return True


def _is_not_copied_yet(
    workspace: Workspace, target: FolderTarget, claim: ClaimId, copies: Sequence[KeptCopy]
) -> bool:
    """True when the target has no such bag, and no backup has copied any of these files into one."""
    if not copies or (target.root / bag_folder(workspace, claim).name).exists():
        return False
    digests = [one.sha256 for one in copies]
    return set(not_copied_yet(workspace, target, claim, digests)) == set(digests)


def _compare_records(run: _VerifyRun, target: FolderTarget, claim: ClaimId, where: str) -> None:
    """Find a copy that is a valid bag and not the one that was copied: its records were replaced, or are older."""
    pushes, disk = run.workspace.catalog.pushes, disk_of(target)
    copied = pushes.pushed(disk, claim)
    there = target.tag_file(bag_folder(run.workspace, claim).name, TAG_MANIFEST) or b""
    same = copied is None or hashlib.sha256(there).hexdigest() == copied
    if same or pushes.pushed(disk, claim) != copied:  # it was copied meanwhile
        return
    try:
        require_current_bags(run.workspace, target, [bag_folder(run.workspace, claim).name])
    except ArchiveOlderError as trouble:
        run.bad[("archive_older", where)] = Finding(code="archive_older", message=str(trouble), subject=where)
        return
    pushes.mark_due(target.name, claim)
    run.bad[("not_as_copied", where)] = Finding(
        code="not_as_copied",
        message="The records of this copy are not those that were copied there; the next backup replaces them.",
        subject=where,
    )


def _check(
    workspace: Workspace,
    target: FolderTarget | None,
    claim: ClaimId,
    payload: dict[Sha256, str],
    reading: PayloadReading,
) -> BagCheck:
    """Check one bag, at a target or in the archive, against the catalog too. Raises EvidenceError."""
    expected = {path: sha for sha, path in payload.items()}
    bag = bag_folder(workspace, claim)
    if target:
        return target.check_bag(bag.name, expected=expected, reading=reading)
    return check_bag(bag, expected=expected, reading=reading)


def _note(run: _VerifyRun, where: str, check: BagCheck) -> None:
    """Keep each finding once: a bag that is read in several batches repeats those about its lists."""
    for one in check.bad:
        if one.code == OXUM_LITTER:
            continue
        subject = f"{where}: {one.subject}"
        run.bad[(one.code, subject)] = replace(one, subject=subject)
    for path in check.unlisted:
        subject = f"{where}: {path}"
        if is_litter(path):
            run.litter.add(subject)
        else:
            run.bad[("unlisted", subject)] = Finding(
                code="unlisted", message=f"{path} is in no manifest.", subject=subject
            )
    for path in check.missing:
        subject = f"{where}: {path}"
        run.missing[("missing", subject)] = Finding(
            code="missing", message=f"{path} is missing.", subject=subject
        )


def _read_archive_files(run: _VerifyRun, targets: list[FolderTarget]) -> None:
    """Read the archive's own files at the targets, within a tenth of the budget."""
    for target in targets:
        seconds, octets = run.budget.seconds, run.budget.octets
        limits = Limits(
            seconds=None if seconds is None else seconds * OWN_FILES / len(targets),
            octets=None if octets is None else int(octets * OWN_FILES / len(targets)),
        )
        try:
            found = read_archive_files(run.workspace, target, limits=limits)
        except EvidenceError:
            if _is_reachable(run, target):
                raise
            continue
        run.checked += found.checked
        run.octets += found.octets
        for kind, findings in ((run.bad, found.bad), (run.missing, found.missing)):
            for one in findings:
                subject = f"{target.name}: {one.subject}"
                kind[(one.code, subject)] = replace(one, subject=subject)


def _read_empty_bags(
    run: _VerifyRun, places: dict[str, FolderTarget | None], touched: set[tuple[str, ClaimId]]
) -> None:
    """Check the bags without photos too: their records can be damaged."""
    for claim in run.workspace.catalog.keeping.bags():
        for place in list(places):
            if (place, claim) not in touched and not run.workspace.catalog.keeping.payload(claim):
                _read(run, places, place, claim, [])
