"""Copies the bags that changed to every backup target, and reads back what was copied."""

from __future__ import annotations

import contextlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from shlex import quote

from evidence.archive.places import place_id
from evidence.archive.targets import FolderTarget, PushResult
from evidence.catalog.pushes import PUT_BACK
from evidence.catalog.totals import TRAY
from evidence.errors import ArchiveOlderError, BadInputError, BagError, EvidenceError
from evidence.filing.archive_files import log_went_back, push_archive_files, require_newer_log
from evidence.filing.bags import bag_folder, file_away, is_tray_removed, recover_bags
from evidence.filing.copies import bad_copies, found_bad_since, known_bad, record_check, verified_copies
from evidence.filing.custody_heads import head_at, make_key, note_head
from evidence.filing.record_files import keep_records
from evidence.filing.releases import (
    owes,
    remove_purged,
    require_current,
    require_current_bags,
    unreleased,
)
from evidence.filing.station_debts import HELD, settle_debts
from evidence.filing.station_heads import exchange_heads
from evidence.filing.target_records import TargetRecord, read_record, retired_targets, write_record
from evidence.model import ClaimId, Finding, Sha256
from evidence.progress import Progress, quiet
from evidence.settings import TargetSettings
from evidence.workspace import SETTINGS, Workspace

ARCHIVE_OLDER = "archive_older"
"""The code of the finding for a target that holds a later state of this archive."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BackupReport:
    """What a backup did."""

    copied: int
    unchanged: int
    """Files of the compared bags that were there already."""
    targets: tuple[str, ...]
    troubles: tuple[Finding, ...]
    compared: int = 0
    """Bags that were compared with their copies: those that changed since the target's last backup."""


def open_targets(workspace: Workspace) -> list[FolderTarget]:
    """The backup targets that the settings name."""
    return [open_target(workspace, one) for one in workspace.settings.target]


def open_target(workspace: Workspace, named: TargetSettings) -> FolderTarget:
    """One backup target, as the settings describe it."""
    return FolderTarget(
        name=named.name,
        root=named.path.absolute(),
        off_computer=named.off_computer,
        archive=workspace.root,
        at_once=workspace.settings.disk.at_once,
    )


def make_ready(workspace: Workspace, target: FolderTarget) -> None:
    """Prepare a target at its first use; later, check that it is the same disk and finish interrupted work.

    Raises BadInputError or DestinationError when it cannot be used now.
    """
    known = read_record(workspace, target.name)
    if known is None:
        _refuse_name_of_others(workspace, target)
        target.prepare()
        refuse_retired(workspace, target)
        workspace.record(
            "target_prepared", target.name, place=target.place_id(), off_computer=target.off_computer
        )
    target.check_ready()
    require_same_disk(workspace, target)
    if not (known and known.permissions):
        target.restrict_permissions()
    found = TargetRecord(
        id=target.marker_id(), medium=target.medium(), place_id=target.place_id(), permissions=True
    )
    if found != known:
        write_record(workspace, target.name, found)
    target.recover()
    refuse_same_disk(workspace, target)


def why_unreachable(workspace: Workspace, target: FolderTarget) -> EvidenceError | None:
    """Why a target cannot be read now, or None: its disk is there, and is the one used before. Nothing is written."""
    try:
        target.require_present()
        require_same_disk(workspace, target)
    except EvidenceError as trouble:
        return trouble
    return None


def require_same_disk(workspace: Workspace, target: FolderTarget) -> None:
    """Raise BadInputError when another disk than before is connected under the target's name."""
    known = read_record(workspace, target.name)
    if known and known.id and known.id != target.marker_id():
        raise BadInputError(
            f"{target.root} is another disk than the one used as the backup target {target.name} before.",
            f"Mount the right disk, or use the new one: `evidence target replace {quote(target.name)} PATH`.",
        )


def refuse_same_disk(workspace: Workspace, target: FolderTarget, place: Path | None = None) -> None:
    """Raise BadInputError for a target that counts as off this computer and is on the archive's disk.

    `place` is an existing folder on the target's disk; by default the target's own.
    """
    where = place_id(place) if place else target.place_id()
    if target.off_computer and where == place_id(workspace.root):
        named = target.name in {one.name for one in workspace.settings.target}
        raise BadInputError(
            f"The backup target {target.name} is on the same disk as the archive.",
            f"It cannot count as off this computer: use another disk with "
            f"`evidence target replace {quote(target.name)} PATH`, or correct off_computer in {SETTINGS}."
            if named
            else "It cannot count as off this computer: name a folder on another disk, or leave out --off-computer.",
        )


def _refuse_name_of_others(workspace: Workspace, target: FolderTarget) -> None:
    """Raise BadInputError when another station of the catalog has a backup target of that name."""
    station = workspace.catalog.stations.of_target(target.name)
    if station is not None:
        raise BadInputError(
            f"The station {workspace.catalog.stations.name(station)} has a backup target named '{target.name}' too.",
            f"The catalog tells them apart by name: give this one another in {SETTINGS}.",
        )


def refuse_retired(workspace: Workspace, target: FolderTarget) -> None:
    """Raise BadInputError for a disk that was lost or replaced: it may hold what was purged since."""
    disk = target.marker_id()
    if any(one.id == disk for one in retired_targets(workspace)):
        raise BadInputError(
            f"{target.root} was a backup target of this archive that was declared lost or replaced.",
            "It may hold claims that were purged since. Take from it what you need, then name an empty folder.",
        )


def back_up(workspace: Workspace, *, progress: Progress = quiet) -> BackupReport:
    """Copy what changed since a target's last backup to it, and read back what was copied.

    `verify` reads the rest. A target that fails stops only itself.

    Nothing is removed at a target that holds a later state of this archive, and no file that is not released
    (`releases`).
    """
    troubles = [
        one for one in settle_debts(workspace) if one.code != HELD
    ]  # `evidence status` tells of those
    recover_bags(workspace)
    file_away(workspace)
    copied = unchanged = compared = 0
    reached: list[FolderTarget] = []
    unfinished: set[str] = set()
    for target in open_targets(workspace):
        try:
            with workspace.filing():
                make_ready(workspace, target)
                require_current(workspace, target)
                require_newer_log(workspace, target)
                anew = _is_put_back(workspace, target)
            due = workspace.catalog.pushes.due(disk_of(target))
            compared += sum(not is_tray_removed(workspace, claim) for claim in due)
            pushed, held_back = _push_all(workspace, target, due, progress)
            copied += sum(one.copied for one in pushed)
            unchanged += sum(one.unchanged for one in pushed)
            troubles += held_back
            left = remove_purged(workspace, target) if anew or owes(workspace, target.name) else []
            unfinished |= {one.subject for one in left}
            troubles += left
            reached.append(target)
        except EvidenceError as trouble:
            older = isinstance(trouble, ArchiveOlderError)
            code = ARCHIVE_OLDER if older else "target_trouble"
            troubles.append(Finding(code=code, message=str(trouble), subject=target.name))
    names = tuple(one.name for one in reached)
    if copied:
        workspace.record("backed_up", ", ".join(names), copied=copied)
    troubles += exchange_heads(workspace)
    troubles += push_log(workspace, reached, completed=True, unfinished=unfinished)
    return BackupReport(
        copied=copied, unchanged=unchanged, targets=names, troubles=tuple(troubles), compared=compared
    )


def push_log(
    workspace: Workspace,
    reached: Sequence[FolderTarget],
    *,
    completed: bool = False,
    unfinished: Collection[str] = (),
) -> list[Finding]:
    """Bring the archive's own files to these targets, then the log's head; returns what failed.

    The log is copied before its head is noted: a restored log must reach the head that its target holds. So a
    target that did not get the log does not get its head either. `completed` after a backup, which brought every due
    bag there: a target that was put back to an earlier time counts as up to date then, and not before. One of those
    that are `unfinished`, by name, still holds what must go: the next backup looks again.
    """
    troubles = []
    pushed: list[FolderTarget] = []
    current: list[FolderTarget] = []
    keep_records(workspace)
    if reached:
        make_key(workspace)
    for target in reached:
        try:
            put_back = target.name in unfinished or (not completed and _is_put_back(workspace, target))
            push_archive_files(workspace, target)
        except EvidenceError as trouble:
            troubles.append(Finding(code="target_trouble", message=str(trouble), subject=target.name))
            continue
        pushed.append(target)
        if not put_back:
            current.append(target)
    troubles += note_head(workspace, [(one.name, one.root) for one in pushed])
    for target in current:
        # When its disk was removed, every bag is compared at its next backup.
        with contextlib.suppress(EvidenceError):
            workspace.catalog.pushes.put_head(disk_of(target), head=head_at(workspace, target))
    return troubles


def _is_put_back(workspace: Workspace, target: FolderTarget) -> bool:
    """True for a disk without a completed backup, or put back to an earlier time; its bags are all due then."""
    head = PUT_BACK if log_went_back(workspace, target) else head_at(workspace, target)
    return workspace.catalog.pushes.begin(disk_of(target), target.name, head=head)


def disk_of(target: FolderTarget) -> str:
    """What the catalog calls the disk of a target. Raises as `FolderTarget.marker_id`."""
    return target.marker_id() or target.name


def push_released(workspace: Workspace, target: FolderTarget, claims: Sequence[ClaimId]) -> list[PushResult]:
    """Push some bags to one target, those that receive a photo before those that give it away.

    A bag of which nothing releases a file is left as it is. Raises EvidenceError.
    """
    return _push_all(workspace, target, claims, quiet)[0]


def _push_all(
    workspace: Workspace, target: FolderTarget, claims: Sequence[ClaimId], progress: Progress
) -> tuple[list[PushResult], list[Finding]]:
    """Push these bags to one target; returns what each push did, and the bags that were left as they are."""
    what = f"Bags brought up to date at {target.name}"
    waiting = list(claims)
    total = len(waiting)
    done: list[PushResult] = []
    findings: list[Finding] = []
    while waiting:
        held_back: dict[ClaimId, dict[str, Sha256]] = {}
        for claim in waiting:
            progress(what, len(done), total)
            try:
                with workspace.filing():  # for one bag, so that others have their turn in between
                    require_current_bags(workspace, target, [bag_folder(workspace, claim).name])
                    if blocking := unreleased(workspace, target, claim):
                        held_back[claim] = blocking
                        continue
                    if is_tray_removed(workspace, claim):
                        _remove_tray(workspace, target)
                        continue
                    done.append(_push(workspace, target, claim))
                    findings += _damaged(workspace, target, claim, done[-1])
            except BagError as trouble:
                findings.append(_not_backed_up(target, trouble))
        with workspace.filing():
            stuck = len(held_back) == len(waiting) and not _push_cycle(workspace, target, held_back)
        if stuck:
            break
        waiting = list(held_back)
    progress(what, len(done), total)
    findings += [_left_alone(workspace, target, claim, held_back[claim]) for claim in waiting]
    return done, findings


def _push_cycle(
    workspace: Workspace, target: FolderTarget, held_back: Mapping[ClaimId, Mapping[str, Sha256]]
) -> bool:
    """Push bags that exchange photos, and keep those photos in both; False when there are none.

    Afterwards each photo stands in the bag that receives it, so that a second push may take it from the other.
    """
    pushed = False
    for claim, files in held_back.items():
        digests = set(files.values())
        held = workspace.catalog.keeping.held_in(sorted(digests))
        moved = {
            sha
            for sha in digests
            if any(other in held_back and other != claim for other, _ in held.get(sha, ()))
        }
        if moved == digests:
            _push(workspace, target, claim, keep=files)
            pushed = True
    return pushed


def _remove_tray(workspace: Workspace, target: FolderTarget) -> None:
    """Remove the copy of the tray's bag: no photo waits there any more."""
    target.remove_released_bag(workspace.tray.name)
    with workspace.catalog.transaction():
        workspace.catalog.keeping.drop_copies(target.name, TRAY)
        workspace.catalog.pushes.put_removed(disk_of(target), TRAY)


def _push(
    workspace: Workspace, target: FolderTarget, claim: ClaimId, *, keep: Mapping[str, Sha256] | None = None
) -> PushResult:
    """Make the target's copy of one bag equal to the bag, and record what was verified."""
    bag = bag_folder(workspace, claim)
    keeping = workspace.catalog.keeping
    held = list(keeping.payload(claim))
    known = [row for rows in keeping.copies(held).values() for row in rows if row.place == target.name]
    lost = known_bad(workspace, held)  # copying the bag again would not help these
    recopy = any(found_bad_since(row) for row in known if row.sha256 not in lost)
    pushed = target.put_bag(bag, bag.name, recopy=recopy, keep=keep)
    verified = [sha for sha in held if sha in set(pushed.verified)]
    with workspace.catalog.transaction():
        keeping.put_copies(verified_copies(workspace, target, claim, verified))
        keeping.drop_copies(target.name, claim, but=held)
        if not keep:
            workspace.catalog.pushes.put_pushed(disk_of(target), claim, pushed.tag_manifest)
    if set(held) - set(verified) - {row.sha256 for row in known}:
        # A killed run copied these and recorded nothing: read them back now.
        payload = keeping.payload(claim)
        expected = {path: sha for sha, path in payload.items()}
        check = target.check_bag(bag.name, expected=expected)
        record_check(workspace, target, claim, check, payload)
    return pushed


def _damaged(workspace: Workspace, target: FolderTarget, claim: ClaimId, pushed: PushResult) -> list[Finding]:
    """Record the originals that the target does not have because the archive's file is bad; a finding for each."""
    at = {path: sha for sha, path in workspace.catalog.keeping.payload(claim).items()}
    bad = {path: at[path] for path in pushed.damaged if path in at}
    with workspace.catalog.transaction():
        workspace.catalog.keeping.put_copies(bad_copies(workspace, target, claim, list(bad.values())))
        if pushed.damaged:  # the next backup tries again
            workspace.catalog.pushes.mark_due(target.name, claim)
    return [
        Finding(
            code="original_damaged",
            message=f"data/{path} of {claim or 'unassigned'} is bad or missing in the archive, so it was not copied.",
            subject=target.name,
        )
        for path in bad
    ]


def _not_backed_up(target: FolderTarget, trouble: EvidenceError) -> Finding:
    return Finding(code="bag_not_backed_up", message=str(trouble), subject=target.name)


def _left_alone(
    workspace: Workspace, target: FolderTarget, claim: ClaimId, files: Mapping[str, Sha256]
) -> Finding:
    """The finding for a copy that holds originals which this archive neither has nor purged."""
    return Finding(
        code="unreleased",
        message=f"The bag {bag_folder(workspace, claim).name} was left as it is there: it holds {len(files)} "
        f"originals that this archive does not have, first {min(files)}. This archive is older than the target. "
        "Bring them back from that target.",
        subject=target.name,
    )
