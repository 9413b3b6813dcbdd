"""Signs the present head of the custody log, and keeps it in the archive and at the backup targets."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from pathlib import Path

from evidence.archive.custody_end import RESTORE
from evidence.archive.custody_key import archive_key, kept_id
from evidence.archive.heads import SignedHead, later_head, newest_head, sign_head, write_head
from evidence.archive.targets import FolderTarget
from evidence.errors import ArchiveOlderError, CustodyError, EvidenceError
from evidence.filing.target_log import bring_back
from evidence.model import Finding
from evidence.workspace import Workspace


def heads_folder(workspace: Workspace) -> Path:
    """The folder that holds the archive's own list of signed heads, as a target holds one."""
    return workspace.custody.path.parent


def signed_head(workspace: Workspace) -> SignedHead:
    """Sign the present end of the log; the archive keeps the head too.

    An archive of an earlier version gets its key now. Raises CustodyError when the log is missing or the key
    is not here, DestinationError when the head cannot be kept.
    """
    if not workspace.custody.path.exists():
        raise CustodyError("The custody log is missing.", RESTORE)
    at = workspace.now()
    key = archive_key(workspace.custody, workspace.root, actor=workspace.actor, at=at)
    signed = sign_head(key.archive, workspace.custody.head(), key.private, at)
    write_head(heads_folder(workspace), signed)
    return signed


def require_head_extended(workspace: Workspace, target: FolderTarget) -> None:
    """Raise ArchiveOlderError when the newest head of this archive at the target is not one that our log extends.

    Reads the end of one file, whatever the size of the archive.
    """
    archive = kept_id(workspace.root)
    later = later_head(workspace.custody, target.root, archive) if archive else None
    if later:
        raise ArchiveOlderError(
            f"This archive is older than the backup target {target.name}, or its custody log was cut: the target has "
            f"a head of {later.head.size} entries, signed {later.head.time}; the log here ends at entry "
            f"{workspace.custody.head().seq} or continues differently. Nothing was changed there.",
            "`evidence custody --verify` says where. " + bring_back(target, later.head.size),
        )


def make_key(workspace: Workspace) -> None:
    """Give an archive of an earlier version its key now; the custody log gets an entry that names it.

    Without a key, or a log, nothing happens: `note_head` reports it.
    """
    with contextlib.suppress(EvidenceError):
        archive_key(workspace.custody, workspace.root, actor=workspace.actor, at=workspace.now())


def head_at(workspace: Workspace, target: FolderTarget) -> int:
    """The entries of the newest head of this archive at a target; 0 without one. Raises DestinationError."""
    archive = kept_id(workspace.root)
    newest = newest_head(target.root, archive) if archive else None
    return newest.head.size if newest else 0


def head_text(workspace: Workspace) -> str:
    """The present head as one line for a certificate or a report; without a signature when the key is not here."""
    try:
        return signed_head(workspace).text()
    except CustodyError as trouble:
        end = workspace.custody.head()
        return f"{end.seq} entries, root {end.root}, not signed: {trouble.message}"


def note_head(workspace: Workspace, targets: Iterable[tuple[str, Path]]) -> list[Finding]:
    """Write the present head to each of these targets (name and folder); returns what failed, by target."""
    targets = list(targets)
    if not targets:
        return []
    try:
        signed = signed_head(workspace)
    except EvidenceError as trouble:
        return [
            Finding(
                code="head_not_signed",
                message=f"The custody log's head was not signed: {trouble}",
                subject=name,
            )
            for name, _ in targets
        ]
    troubles = []
    for name, root in targets:
        try:
            write_head(root, signed)
        except EvidenceError as trouble:
            troubles.append(Finding(code="head_not_written", message=str(trouble), subject=name))
    return troubles
