"""What a backup may remove at a target: only a file that this archive released by a move, never a last copy."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any

from evidence.archive.bagread import read_manifest
from evidence.archive.custody import Anchor
from evidence.archive.custody_key import kept_id
from evidence.archive.heads import newest_head
from evidence.archive.names import SIDECAR
from evidence.archive.targets import FolderTarget, Target
from evidence.errors import ArchiveOlderError
from evidence.filing.bags import CLAIM_RECORD, PHOTO_RECORD, bag_folder
from evidence.filing.custody_heads import require_head_extended
from evidence.model import ClaimId, Sha256
from evidence.workspace import Workspace


def require_current(workspace: Workspace, target: FolderTarget) -> None:
    """Raise ArchiveOlderError when the target holds a later state of this archive than this archive itself.

    The newest signed head at the target tells it, or what the bags there note of the custody log if there is no head
    yet. A log that does not reach or continue it was cut, or belongs to an older copy of the archive.
    """
    require_head_extended(workspace, target)
    archive = kept_id(workspace.root)
    if archive is None or newest_head(target.root, archive) is None:
        require_current_bags(workspace, target, target.names())


def require_current_bags(workspace: Workspace, target: Target, bags: Iterable[str]) -> None:
    """Raise ArchiveOlderError when one of these bags at the target notes a custody log that ours does not continue."""
    noted = [_noted_head(target.tag_file(name, CLAIM_RECORD)) for name in bags]
    beyond = [note.seq for note in noted if note and not workspace.custody.extends(note)]
    if beyond:
        raise ArchiveOlderError(
            f"This archive is older than the backup target {target.name}, or its custody log was cut: a bag there "
            f"has seen entry {max(beyond)}, the log here ends at {workspace.custody.head().seq} or continues "
            f"differently. Nothing was changed there.",
            "Bring the later state back into a new folder with `evidence restore TARGET DIR`, and go on with it.",
        )


def unreleased(workspace: Workspace, target: Target, claim: ClaimId) -> dict[str, Sha256]:
    """Originals of the claim's copy at the target that a push would remove and that nothing releases.

    A file is released when another bag at that target holds the same bytes, read back now. The result is keyed
    by path below `data/` of the copy. Raises BagError.
    """
    bag = bag_folder(workspace, claim)
    staying = set(read_manifest(bag).values())
    if staying.issuperset(target.listed(bag.name).values()):
        return {}
    leaving = {path: sha for path, sha in originals_at(target, bag.name).items() if sha not in staying}
    return {path: sha for path, sha in leaving.items() if not stands_elsewhere(workspace, target, claim, sha)}


def originals_at(target: Target, name: str) -> dict[str, Sha256]:
    """The originals that the manifest of a copy lists: its payload without the sidecars that the archive made."""
    listed = target.listed(name)
    recorded = _recorded_originals(target.tag_file(name, PHOTO_RECORD))

    def is_sidecar(path: str) -> bool:
        if not path.endswith(SIDECAR):
            return False
        return path not in recorded if recorded is not None else path.removesuffix(SIDECAR) in listed

    return {path: sha for path, sha in listed.items() if not is_sidecar(path)}


def receivers(workspace: Workspace, claim: ClaimId, photos: Iterable[Sha256]) -> set[ClaimId]:
    """The other bags that hold these photos in the archive."""
    held = workspace.catalog.keeping.held_in(sorted(set(photos)))
    return {other for places in held.values() for other, _ in places if other != claim}


def stands_elsewhere(workspace: Workspace, target: Target, claim: ClaimId, sha: Sha256) -> bool:
    """True when another bag at the target holds the photo, read back now."""
    for other, path in workspace.catalog.keeping.held_in([sha]).get(sha, ()):
        if other != claim and target.holds(bag_folder(workspace, other).name, path, sha):
            return True
    return False


def _noted_head(record: bytes | None) -> Anchor | None:
    """The end of the custody log that a claim's record notes; None without a readable note."""
    noted = _parsed(record)
    custody = noted.get("custody") if isinstance(noted, Mapping) else None
    try:
        return Anchor(seq=int(custody["seq"]), sha256=Sha256(str(custody["sha256"]))) if custody else None
    except (KeyError, TypeError, ValueError):
        return None


def _recorded_originals(record: bytes | None) -> set[str] | None:
    """The payload paths that a record of photos lists; None when it cannot be read."""
    listed = _parsed(record)
    try:
        return {str(one["payload_path"]) for one in listed} if isinstance(listed, list) else None
    except (KeyError, TypeError):
        return None


def _parsed(record: bytes | None) -> Any:
    try:
        return json.loads(record) if record is not None else None
    except ValueError:
        return None
