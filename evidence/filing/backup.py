"""Copies every bag to every backup target, and reads back what was copied."""

from __future__ import annotations

from dataclasses import dataclass

from evidence.archive.places import place_id
from evidence.archive.targets import FolderTarget, PushResult, Target
from evidence.errors import BadInputError, EvidenceError
from evidence.filing.bags import bag_folder, file_away
from evidence.filing.copies import found_bad_since, record_check, verified_copies
from evidence.model import ClaimId, Finding
from evidence.progress import Progress, quiet
from evidence.workspace import SETTINGS, Workspace


@dataclass(frozen=True, slots=True, kw_only=True)
class BackupReport:
    """What a backup did."""

    copied: int
    unchanged: int
    targets: tuple[str, ...]
    troubles: tuple[Finding, ...]


def open_targets(workspace: Workspace) -> list[FolderTarget]:
    """The backup targets that the settings name."""
    return [
        FolderTarget(
            name=one.name, root=one.path.absolute(), off_computer=one.off_computer, archive=workspace.root
        )
        for one in workspace.settings.target
    ]


def make_ready(workspace: Workspace, target: FolderTarget) -> None:
    """Prepare a target at its first use; later, check that its marker is there and finish interrupted work.

    Raises BadInputError or DestinationError when it cannot be used now.
    """
    seen = workspace.root / "targets" / target.name
    if not seen.exists():
        target.prepare()
        seen.parent.mkdir(exist_ok=True)
        seen.touch()
        workspace.record(
            "target_prepared", target.name, place=target.place_id(), off_computer=target.off_computer
        )
    target.check_ready()
    target.recover()
    if target.off_computer and target.place_id() == place_id(workspace.root):
        raise BadInputError(
            f"The backup target {target.name} is on the same disk as the archive.",
            f"It cannot count as off this computer: correct off_computer in {SETTINGS}, or give it another disk.",
        )


def back_up(workspace: Workspace, *, progress: Progress = quiet) -> BackupReport:
    """Copy every bag to every target and read back what was copied. A target that fails stops only itself."""
    file_away(workspace)
    copied = unchanged = 0
    troubles: list[Finding] = []
    all_bags = workspace.catalog.keeping.bags()
    reached = []
    for target in open_targets(workspace):
        what = f"Backing up to {target.name}"
        try:
            make_ready(workspace, target)
            for number, claim in enumerate(all_bags):
                progress(what, number, len(all_bags))
                pushed = _push(workspace, target, claim)
                copied, unchanged = copied + pushed.copied, unchanged + pushed.unchanged
            reached.append(target.name)
        except EvidenceError as trouble:
            troubles.append(Finding(code="target_trouble", message=str(trouble), subject=target.name))
        progress(what, len(all_bags), len(all_bags))
    if copied:
        workspace.record("backed_up", ", ".join(reached), copied=copied)
    return BackupReport(copied=copied, unchanged=unchanged, targets=tuple(reached), troubles=tuple(troubles))


def _push(workspace: Workspace, target: Target, claim: ClaimId) -> PushResult:
    """Make the target's copy of one bag equal to the bag, and record what was verified."""
    bag = bag_folder(workspace, claim)
    keeping = workspace.catalog.keeping
    held = list(keeping.payload(claim))
    known = [row for rows in keeping.copies(held).values() for row in rows if row.place == target.name]
    pushed = target.put_bag(bag, bag.name, recopy=any(found_bad_since(row) for row in known))
    verified = [sha for sha in held if sha in set(pushed.verified)]
    with workspace.catalog.transaction():
        keeping.put_copies(verified_copies(workspace, target, claim, verified))
        keeping.drop_copies(target.name, claim, but=held)
    if set(held) - set(verified) - {row.sha256 for row in known}:
        # A killed run copied these and recorded nothing: read them back now.
        expected = {path: sha for sha, path in keeping.payload(claim).items()}
        record_check(workspace, target, claim, target.check_bag(bag.name, expected=expected))
    return pushed
