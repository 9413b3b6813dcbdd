"""What a backup may remove at a target: only a file that this archive released by a move or a purge."""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Collection, Iterable, Mapping
from shlex import quote

from evidence.archive.bagread import read_manifest
from evidence.archive.custody import Anchor
from evidence.archive.custody_key import ID_FILE, kept_id
from evidence.archive.digest_search import QUARANTINE
from evidence.archive.exchange import remove_tree
from evidence.archive.heads import newest_head
from evidence.archive.names import SIDECAR, original_of_sidecar
from evidence.archive.targets import FolderTarget
from evidence.disk.durable import sync_folder
from evidence.disk.faults import writing
from evidence.disk.hashing import hash_file
from evidence.errors import ArchiveOlderError, BadInputError, EvidenceError
from evidence.filing.archive_files import list_archive_files
from evidence.filing.bags import bag_folder, is_tray_removed
from evidence.filing.copies import found_bad_since
from evidence.filing.custody_heads import require_head_extended
from evidence.filing.originals import filed_elsewhere
from evidence.filing.owed import PURGED, REMOVED, list_owed
from evidence.filing.records import CLAIM_RECORD, PHOTO_RECORD, parsed_record
from evidence.filing.target_log import AT_TARGET, bring_back
from evidence.model import ClaimId, ClaimState, Finding, Sha256
from evidence.retention.purge.plan_files import load_plan, plan_folders
from evidence.retention.purge.plans import manifest_digest
from evidence.retention.purge.released import ReleasedFiles
from evidence.workspace import Workspace


def require_own(workspace: Workspace, target: FolderTarget) -> None:
    """Raise BadInputError when the target holds the backup of another archive."""
    ours, theirs = kept_id(workspace.root), kept_id(target.root / AT_TARGET)
    if ours and theirs and ours != theirs and not _lists_our_id(workspace, target):
        raise BadInputError(
            f"{target.root} holds the backup of another archive. Nothing was changed there.",
            f"Give an empty folder, for instance beside it: `evidence target replace {quote(target.name)} PATH`.",
        )


def _lists_our_id(workspace: Workspace, target: FolderTarget) -> bool:
    """True when a manifest at the target lists this archive's id, so that the id there is only damaged."""
    listed = list_archive_files(target.root / AT_TARGET).digests.get(ID_FILE, frozenset())
    return hash_file(workspace.root / ID_FILE) in listed


def require_current(workspace: Workspace, target: FolderTarget) -> None:
    """Raise ArchiveOlderError when the target holds a later state of this archive than this archive itself.

    Raises BadInputError when it holds another archive's.

    The newest signed head at the target tells it, or what the bags there note of the custody log if there is no head
    yet. A log that does not reach or continue it was cut, or belongs to an older copy of the archive.
    """
    require_own(workspace, target)
    require_head_extended(workspace, target)
    archive = kept_id(workspace.root)
    if archive is None or newest_head(target.root, archive) is None:
        require_current_bags(workspace, target, target.names())


def require_current_bags(workspace: Workspace, target: FolderTarget, bags: Iterable[str]) -> None:
    """Raise ArchiveOlderError when one of these bags at the target notes a custody log that ours does not continue."""
    noted = [_noted_head(target.tag_file(name, CLAIM_RECORD)) for name in bags]
    beyond = [note.seq for note in noted if note and not workspace.custody.extends(note)]
    if beyond:
        raise ArchiveOlderError(
            f"This archive is older than the backup target {target.name}, or its custody log was cut: a bag there "
            f"has seen entry {max(beyond)}, the log here ends at {workspace.custody.head().seq} or continues "
            f"differently. Nothing was changed there.",
            bring_back(target, max(beyond)),
        )


def unreleased(workspace: Workspace, target: FolderTarget, claim: ClaimId) -> dict[str, Sha256]:
    """Originals of the claim's copy at the target that a push would remove and that nothing releases.

    A file is released when another bag at that target holds the same bytes, read back now, or when it was
    purged. The result is keyed by path below `data/` of the copy. Raises BagError.
    """
    bag = bag_folder(workspace, claim)
    staying = set() if is_tray_removed(workspace, claim) else set(read_manifest(bag).values())
    if staying.issuperset(target.listed(bag.name).values()):
        return {}
    leaving = {path: sha for path, sha in originals_at(target, bag.name).items() if sha not in staying}
    return _not_released(workspace, target, claim, leaving)


def remove_purged(workspace: Workspace, target: FolderTarget) -> list[Finding]:
    """Remove what is left of purged claims at a target that was away then, or whose disk was put back to an older image.

    A bag that holds an original which was neither purged nor stands in another bag there is left as it is and
    reported. Push the other bags first. Raises DestinationError, LockedError.
    """
    owed = {one.claim for one in list_owed(workspace) if one.target == target.name}
    left = _remove_purged_bags(workspace, target, owed)
    _remove_purged_quarantine(workspace, target, owed)
    # Last: a kill before leaves the copies owed, and the next backup searches again.
    for claim in sorted(owed - left.keys()):
        workspace.record(REMOVED, claim, target=target.name)
    return list(left.values())


def owes(workspace: Workspace, target: str) -> bool:
    """True when a target was away during a purge and may still hold copies."""
    return any(one.target == target for one in list_owed(workspace))


def _remove_purged_quarantine(workspace: Workspace, target: FolderTarget, owed: Collection[ClaimId]) -> None:
    quarantine = target.root / QUARANTINE
    if not quarantine.is_dir():
        return
    purged = workspace.catalog.claims.purged()
    names = {hashlib.sha256(claim.encode()).hexdigest()[:12]: claim for claim in purged}
    for place in sorted(quarantine.glob("*/*")):
        if place.name in names:
            if names[place.name] not in owed:
                workspace.record(REMOVED, names[place.name], target=target.name)
            with writing(target.root):
                remove_tree(place)
                for folder in (place.parent, quarantine):
                    if not any(folder.iterdir()):
                        folder.rmdir()
                sync_folder(target.root)


def _remove_purged_bags(
    workspace: Workspace, target: FolderTarget, owed: Collection[ClaimId]
) -> dict[ClaimId, Finding]:
    """Remove the bags of purged claims; returns a finding for each claim of which one was left."""
    present = set(workspace.catalog.claims.folders())
    findings = {}
    for name in target.names():
        claim = _claim_of(target.tag_file(name, CLAIM_RECORD))
        if name in present or not claim:
            continue
        row = workspace.catalog.claims.get(claim)
        if row is None or row.state is not ClaimState.PURGED:
            continue
        if left := _not_released(workspace, target, claim, _every_original_at(target, name)):
            findings[claim] = Finding(
                code="unreleased",
                message=f"The bag {name} of the purged claim {claim} was left as it is there: it holds "
                f"{len(left)} originals that were not purged, first {min(left)}. Check them, then remove the "
                "bag by hand.",
                subject=target.name,
            )
            continue
        if claim not in owed:
            workspace.record(REMOVED, claim, target=target.name)
        target.remove_bag(name)
    return findings


def _not_released(
    workspace: Workspace, target: FolderTarget, claim: ClaimId, files: Mapping[str, Sha256]
) -> dict[str, Sha256]:
    """Those files of a claim's copy that neither a purge nor another bag at the target releases."""
    if not files:
        return {}
    released = ReleasedFiles(workspace.plans)
    older = _purged_by_older_plans(workspace)
    known = workspace.catalog.photos.known(sorted(set(files.values())))  # a card brought these again
    left = {
        path: sha
        for path, sha in files.items()
        if (sha in known or not (sha in released or sha in older))
        and not is_in_another_bag(workspace, target, claim, sha)
    }
    whole = not known and manifest_digest(files.values()) in _purged_manifests(workspace, claim)
    return {} if whole else left


def _purged_manifests(workspace: Workspace, claim: ClaimId) -> set[str]:
    """The digests over the files of the claim that were purged, by the custody log."""
    return {
        str(entry.details.get("manifest"))
        for entry in workspace.custody.about(PURGED)
        if entry.action == PURGED and entry.subject == claim
    }


def _purged_by_older_plans(workspace: Workspace) -> set[Sha256]:
    """Digests that were purged by plans of older programs, which list them."""
    purged = {
        (str(entry.details.get("plan")), entry.subject)
        for entry in workspace.custody.about(PURGED)
        if entry.action == PURGED
    }
    photos: set[Sha256] = set()
    for folder in plan_folders(workspace.plans) if purged else []:
        with contextlib.suppress(EvidenceError):
            frozen = load_plan(folder)
            for planned in frozen.plan.claims:
                if (frozen.digest, planned.claim) in purged:
                    photos.update(planned.photos)
    return photos


def originals_at(target: FolderTarget, name: str) -> dict[str, Sha256]:
    """The originals that the manifest of a copy lists: its payload without the sidecars that the archive made."""
    listed = target.listed(name)
    recorded = _recorded_originals(target.tag_file(name, PHOTO_RECORD))

    def is_sidecar(path: str) -> bool:
        if not path.endswith(SIDECAR):
            return False
        return path not in recorded if recorded is not None else path.removesuffix(SIDECAR) in listed

    return {path: sha for path, sha in listed.items() if not is_sidecar(path)}


def _every_original_at(target: FolderTarget, name: str) -> dict[str, Sha256]:
    """`originals_at` with the files that the copy's manifest does not list, as after damage to it."""
    listed, more = originals_at(target, name), target.unlisted(name)
    every = {*target.listed(name), *more}
    return listed | {path: sha for path, sha in more.items() if original_of_sidecar(path) not in every}


def receivers(workspace: Workspace, claim: ClaimId, photos: Iterable[Sha256]) -> set[ClaimId]:
    """The other bags that hold these photos in the archive."""
    held = workspace.catalog.keeping.held_in(sorted(set(photos)))
    return {other for places in held.values() for other, _ in places if other != claim}


def is_in_another_bag(workspace: Workspace, target: FolderTarget, claim: ClaimId, sha: Sha256) -> bool:
    """True when another bag at the target holds the photo, read back now."""
    for other, path in workspace.catalog.keeping.held_in([sha]).get(sha, ()):
        if other != claim and target.holds(bag_folder(workspace, other).name, path, sha):
            return True
    return _is_kept_elsewhere(workspace, sha)


def _is_kept_elsewhere(workspace: Workspace, sha: Sha256) -> bool:
    """True when the bag of another station holds the photo, read back there and at one of that station's targets."""
    held = workspace.catalog.keeping.held_in([sha])
    if sha not in filed_elsewhere(workspace, held):
        return False
    theirs = workspace.catalog.stations.targets_elsewhere()
    rows = workspace.catalog.keeping.copies([sha]).get(sha, ())
    return any(row.place in theirs and row.verified_at and not found_bad_since(row) for row in rows)


def _noted_head(record: bytes | None) -> Anchor | None:
    """The end of the custody log that a claim's record notes; None without a readable note."""
    noted = parsed_record(record)
    custody = noted.get("custody") if isinstance(noted, Mapping) else None
    try:
        return Anchor(seq=int(custody["seq"]), sha256=Sha256(str(custody["sha256"]))) if custody else None
    except (KeyError, TypeError, ValueError):
        return None


def _claim_of(record: bytes | None) -> ClaimId | None:
    """The claim's number that a claim's record gives; None for the tray and without a readable record."""
    noted = parsed_record(record)
    try:
        return ClaimId(str(noted["claim"]["claim"])) if noted and noted["claim"] else None
    except (KeyError, TypeError):
        return None


def _recorded_originals(record: bytes | None) -> set[str] | None:
    """The payload paths that a record of photos lists; None when it cannot be read."""
    listed = parsed_record(record)
    try:
        return {str(one["payload_path"]) for one in listed} if isinstance(listed, list) else None
    except (KeyError, TypeError):
        return None
