"""Copies of a claim set aside on their own disk, until a purge deletes them or is taken back.

`.quarantine/PLAN/CLAIM/` lies in the archive and in the folder of each backup target; PLAN and CLAIM are the first
letters of digests. Each move is one rename. `rows.json` there holds what the catalog knew of the files.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path

from evidence.archive.assembly import known_paths
from evidence.archive.digest_search import QUARANTINE
from evidence.archive.exchange import locked, recover_folder, remove_tree
from evidence.archive.targets import FolderTarget
from evidence.catalog.records import RowsByTable
from evidence.disk.durable import make_folder, replace_file, sync_folder
from evidence.disk.faults import writing
from evidence.errors import BadInputError, DestinationError, EvidenceError
from evidence.model import ClaimId
from evidence.retention.purge.addresses import ArchiveBag, CopyAddress, IntakeObject, TargetBag, Thumbnail
from evidence.workspace import DAMAGED, Workspace

ROWS = "rows.json"
_BAG, _DAMAGED_BAG, _INTAKE, _THUMBNAILS = "bag", "damaged", "intake", "thumbnails"


class QuarantineFolders:
    """The quarantine of one claim of one plan, in the archive and on its targets."""

    def __init__(
        self, workspace: Workspace, targets: dict[str, FolderTarget], claim: ClaimId, plan: str
    ) -> None:
        self._workspace = workspace
        self._targets = targets
        self._claim = claim
        self._name = Path(QUARANTINE) / plan[:16] / hashlib.sha256(claim.encode()).hexdigest()[:12]

    # --- rows of the catalog ---

    def rows(self) -> RowsByTable | None:
        """What the catalog knew of the files, from the archive or from a target; None when nothing is set aside."""
        for root in (self._workspace.root, *(one.root for one in self._present())):
            try:
                return dict(json.loads((root / self._name / ROWS).read_bytes()))
            except (OSError, ValueError):
                continue
        return None

    def keep_rows(self, rows: RowsByTable) -> None:
        """Write the rows beside the copies to come, in the archive and on each target that can be reached."""
        content = json.dumps(rows).encode()
        for root in (self._workspace.root, *(one.root for one in self._present())):
            path = root / self._name / ROWS
            with writing(path):
                make_folder(path.parent)
                replace_file(path, content)
                sync_folder(path.parent)

    # --- moving ---

    def set_aside(self, copy: CopyAddress) -> None:
        """Move one copy into quarantine; one that is not there is no failure. Raises DestinationError, LockedError."""
        match copy:
            case ArchiveBag(bag=bag):
                self._set_bag_aside(self._workspace.root, self._workspace.claims / bag)
            case TargetBag(target=target, bag=bag):
                root = self._targets[target].root
                self._set_bag_aside(root, root / bag)
            case IntakeObject(sha256=sha, name=name):
                place = self._place(self._workspace.root) / _INTAKE / sha[:2] / name
                _move(self._workspace.store / sha[:2] / name, place)
            case Thumbnail(sha256=sha, name=name):
                place = self._place(self._workspace.root) / _THUMBNAILS / sha[:2] / name
                _move(self._workspace.thumbs / sha[:2] / name, place)

    def _set_bag_aside(self, root: Path, bag: Path) -> None:
        place = self._place(root)
        with locked(bag):
            recover_folder(bag, known_paths)
            _move(bag, place / _BAG / bag.name)
        _move(root / DAMAGED / bag.name, place / _DAMAGED_BAG / bag.name)

    def bring_back(self) -> None:
        """Move every copy back to where it was.

        Raises BadInputError when a target with copies is not connected, DestinationError when a place is taken.
        """
        for target in self._targets.values():
            target.require_present()
        for root in (self._workspace.root, *(one.root for one in self._targets.values())):
            place = self._place(root)
            home = self._workspace.claims if root == self._workspace.root else root
            for bag in _entries(place / _BAG):
                with locked(home / bag.name):
                    _move(bag, home / bag.name)
            for bag in _entries(place / _DAMAGED_BAG):
                _move(bag, root / DAMAGED / bag.name)
        place = self._place(self._workspace.root)
        for folder, home in ((_INTAKE, self._workspace.store), (_THUMBNAILS, self._workspace.thumbs)):
            for shelf in _entries(place / folder):
                for path in _entries(shelf):
                    _move(path, home / shelf.name / path.name, by_digest=True)

    def fetch_bag(self, bag: str) -> None:
        """Copy the bag from a target when the archive lacks it, as after a restore from that target."""
        if (self._workspace.claims / bag).exists():
            return
        for target in self._present():
            if (target.root / bag).is_dir():
                target.fetch_bag(bag, self._workspace.claims / bag)
                return
        raise DestinationError(
            f"No copy of claim {self._claim} is in quarantine here or on a target that is connected.",
            "Connect the backup target that holds it, then run this again.",
        )

    # --- deleting ---

    def delete_copies(self, targets: list[str]) -> list[str]:
        """Delete the copies in the archive and on these targets, but not the rows; returns the targets that are away."""
        away = []
        self._delete(self._workspace.root)
        for name in targets:
            target = self._targets.get(name)
            if target is None or not is_present(target):
                away.append(name)
                continue
            self._delete(target.root)
            remove_quarantine(target.root / self._name, target.root)
        return away

    def _delete(self, root: Path) -> None:
        place = self._place(root)
        with writing(place):
            for folder in (_THUMBNAILS, _INTAKE, _DAMAGED_BAG, _BAG):
                remove_tree(place / folder)
            if place.is_dir():
                sync_folder(place)

    def close(self) -> None:
        """Remove what is left of the quarantine: its rows and its empty folders. Raises DestinationError.

        Its name tells whose it is, also where the marker of a target cannot be read just now.
        """
        for root in (self._workspace.root, *(one.root for one in self._targets.values())):
            if _stands(root / QUARANTINE):  # a close that was killed may have left the folders above
                remove_quarantine(root / self._name, root)

    def _place(self, root: Path) -> Path:
        return root / self._name

    def _present(self) -> Iterator[FolderTarget]:
        return (one for one in self._targets.values() if is_present(one))


def is_present(target: FolderTarget) -> bool:
    """True when the target's folder and its marker are there."""
    try:
        target.require_present()
    except EvidenceError:
        return False
    return True


def _stands(folder: Path) -> bool:
    """True for a folder that can be seen; a target that is away has none."""
    try:
        return folder.is_dir()
    except OSError:
        return False


def remove_quarantine(place: Path, root: Path) -> None:
    """Remove one claim's quarantine and the folders above it that are empty then. Raises DestinationError."""
    with writing(root):
        remove_tree(place)
        for folder in (place.parent, place.parent.parent):
            if folder.is_dir() and not any(folder.iterdir()):
                folder.rmdir()
        sync_folder(root)


def _entries(folder: Path) -> list[Path]:
    return sorted(folder.iterdir()) if folder.is_dir() else []


def _move(source: Path, dest: Path, *, by_digest: bool = False) -> None:
    """Rename a file or folder, on disk when this returns. A place that is taken is an error, unless both have the
    same bytes because their name is their digest. Raises DestinationError.
    """
    if not source.exists():
        return
    with writing(dest):
        if dest.exists():
            if not by_digest:
                raise DestinationError(f"{dest} is taken.", "Move what is there away, then run this again.")
            source.unlink()
        else:
            make_folder(dest.parent)
            source.rename(dest)
            sync_folder(dest.parent)
        sync_folder(source.parent)


def require_rows(rows: RowsByTable | None, claim: ClaimId) -> RowsByTable:
    """The rows. Raises BadInputError when there are none."""
    if rows is None:
        raise BadInputError(
            f"Nothing of claim {claim} is in quarantine in this archive or on a target that is connected.",
            "Connect the backup targets, then run this again.",
        )
    return rows
