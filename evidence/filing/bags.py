"""Builds the bags that are out of date: the originals, their sidecars, and the records of a claim."""

from __future__ import annotations

import hashlib
import logging
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from evidence.archive import bags
from evidence.archive.assembly import Damaged, PayloadFile
from evidence.archive.bagread import SHA256_MANIFEST, read_manifest
from evidence.archive.heads import HEADS
from evidence.archive.names import SIDECAR, fold, folder_name
from evidence.archive.payload_paths import PayloadPaths
from evidence.archive.target_marker import MARKER
from evidence.disk.hashing import hash_file
from evidence.errors import BadInputError, BagError, EvidenceError, LockedError, counted
from evidence.filing.copies import bad_copies, known_bad, verified_copies
from evidence.filing.originals import (
    discard_filed_originals,
    fetch_from_stations,
    payload_files,
    stage_leaving,
    stations_with,
)
from evidence.filing.record_files import keep_records
from evidence.filing.records import ForBag, bag_info, original_paths, read_for_bag, records_of
from evidence.filing.sidecars import clear_sidecars, sidecars
from evidence.model import ClaimId, Finding, Sha256
from evidence.progress import Progress, quiet
from evidence.settings import ARCHIVE_PLACE
from evidence.workspace import DAMAGED, Workspace

log = logging.getLogger(__name__)

NOT_A_BAG = frozenset({"archive", "unassigned", DAMAGED, HEADS, MARKER})
"""Names, folded, that mean something else at a backup target: no claim's folder may have one of them."""
UNASSIGNED_BAG = "unassigned"
"""What findings and the custody log call the tray's bag."""
ELSEWHERE = "original_elsewhere"
"""The code of the finding for photos that another station has, whose folder cannot be reached."""
NOT_FILED = "bag_not_filed"
"""The code of the finding for a bag that cannot be built."""
_NOT_AGAIN = frozenset({ELSEWHERE, NOT_FILED})
"""What another try in the same run would find again."""
MOST_TRIES = 3
"""How often one run builds a bag that a person changes meanwhile; then the next run builds it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Filed:
    """What a run of `file_away` did."""

    bags: int
    """Bags built."""
    waiting: int = 0
    """Bags left for the next run: another command works on the bags, or they were changed meanwhile."""
    findings: tuple[Finding, ...] = ()
    """`original_damaged` for each original that is altered, missing or unreadable; `bag_not_filed`."""


def file_away(workspace: Workspace, *, wait: bool = True, progress: Progress = quiet) -> Filed:
    """Build every bag that is out of date. A bad original, or a bag that cannot be built, does not stop the others.

    With `wait=False` nothing is built while another command works on the bags: that command, or the
    next one, builds them. Otherwise the caller must not hold `workspace.locked`. Raises
    DestinationError, LockedError.
    """
    keeping = workspace.catalog.keeping
    tried: Counter[ClaimId] = Counter()
    built, findings = 0, list[Finding]()
    waiting = keeping.dirty()
    total = len(waiting)
    try:
        while claims := [claim for claim in waiting if tried[claim] < MOST_TRIES]:
            claim = min(claims, key=lambda one: tried[one])
            progress("Filing", built, max(total, built + 1))
            with workspace.filing(wait=wait), workspace.filing_claim(claim):
                tried[claim] += 1
                # A purge may have taken it out of the catalog while this waited for its turn.
                if keeping.is_dirty(claim):
                    found, done = _build_or_tell(workspace, claim)
                    findings += found
                    built += done
                    if any(one.code in _NOT_AGAIN for one in found):
                        tried[claim] = MOST_TRIES
            waiting = keeping.dirty()
        with workspace.filing(wait=wait):
            discard_filed_originals(workspace)
            clear_sidecars(workspace)
            keep_records(workspace)
    except LockedError:
        if wait:
            raise
        waiting = keeping.dirty()
    progress("Filing", built, max(total, built))
    return Filed(bags=built, waiting=len(waiting), findings=tuple(dict.fromkeys(findings)))


def _build_or_tell(workspace: Workspace, claim: ClaimId) -> tuple[list[Finding], bool]:
    """What is bad in a bag that was built, or why it cannot be built, and whether it was built."""
    try:
        found = _build(workspace, claim)
    except (BagError, BadInputError) as trouble:
        return [_not_filed(claim, trouble)], False
    return found or [], found is not None


def file_away_soon(workspace: Workspace) -> None:
    """Build the bags that a change made out of date; on the board its background thread does, so that no page waits.

    While another command works on the bags, that command or the next one builds them.
    """
    if not workspace.bags_follow:
        file_away(workspace, wait=False)


def _not_filed(claim: ClaimId, trouble: EvidenceError) -> Finding:
    where = claim or UNASSIGNED_BAG
    log.warning("bag_not_filed claim=%s why=%s", where, trouble)
    return Finding(code=NOT_FILED, message=str(trouble), subject=where)


def recover_bags(workspace: Workspace) -> None:
    """Finish or undo what a killed program left among the bags. Raises DestinationError."""
    bags.recover(workspace.claims)
    bags.recover(workspace.root)


def bag_folder(workspace: Workspace, claim: ClaimId, *, make: bool = False) -> Path:
    """The folder of the claim's bag; with `make`, a claim without one gets its name now. Raises BagError."""
    if not claim:
        return workspace.tray
    row = workspace.catalog.claims.get(claim)
    if row is None:
        raise BagError(f"Claim {claim} is not in the catalog.", "Load it with `evidence assignments`.")
    folder = row.folder
    if folder is None:
        if not make:
            raise BagError(f"Claim {claim} has no photos yet.", "Take its card in first.")
        surname = row.claim.insured.strip()
        folder = folder_name(f"{claim} {surname}".strip())
        if fold(folder) in {*map(fold, workspace.catalog.claims.folders()), *NOT_A_BAG}:
            folder = folder_name(f"{claim} {surname} {hashlib.sha256(claim.encode()).hexdigest()[:6]}")
        workspace.catalog.claims.set_folder(claim, folder)
    return workspace.bag_of(claim, folder)


def is_tray_removed(workspace: Workspace, claim: ClaimId) -> bool:
    """True for the tray while it holds no photo and has no bag here: its copies at the targets go too."""
    if claim or (workspace.tray / "bagit.txt").exists():
        return False
    return claim in workspace.catalog.stations.of_bags([claim]) or not workspace.catalog.keeping.payload(
        claim
    )


def require_known_bags(workspace: Workspace) -> None:
    """Raise BagError when there is a bag on the disk that the catalog does not know.

    Otherwise photos of the next card could be filed over it.
    """
    names = {path.name for path in workspace.claims.iterdir()} if workspace.claims.is_dir() else set()
    owed = {one.part.bag for one in workspace.catalog.debts.here()}  # of claims purged at another station
    for name in sorted(names - set(workspace.catalog.claims.folders()) - owed):
        if not name.startswith(".") and (workspace.claims / name / "bagit.txt").is_file():
            raise BagError(
                f"The catalog does not know the bag {name}.",
                "The catalog is older than the bags: run `evidence rebuild`.",
            )


# --- building one bag --------------------------------------------------------------------


def _wanted(workspace: Workspace, about: ForBag, present: Mapping[Sha256, str]) -> dict[Sha256, str]:
    """The originals that the bag is to hold, each with its path below data/; `present` is what it holds.

    A file keeps the path that it has, as long as a card had it there and only a number may tell the two apart.
    """
    photos = workspace.catalog.photos
    digests = [record.sha256 for record in about.photos]
    if (
        not about.claim
    ):  # a photo that was not described yet belongs to an intake that runs, or to one that is to be finished
        known = photos.originals(digests)
        digests = [sha for sha in digests if known[sha].described or sha in present]
        if workspace.shared:  # nor was one placed that an intake of another station has described just now
            placed = workspace.catalog.photos.placed(digests)
            digests = [sha for sha in digests if sha in placed or sha in present]
    names = {sha: original_paths(sha, about.seen.get(sha, ())) for sha in digests}
    free = PayloadPaths()
    out = {
        sha: present[sha]
        for sha in digests
        if sha in present and any(free.keep(present[sha], one) for one in names[sha])
    }
    return {sha: out[sha] if sha in out else free.take(names[sha][0]) for sha in digests}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Content:
    """What a bag is to hold, read from the catalog at one moment."""

    bag: Path
    changes: int
    paths: Mapping[Sha256, str]
    payload: Mapping[str, PayloadFile]
    records: Mapping[str, bytes]
    info: Sequence[tuple[str, str]]
    before: Mapping[Sha256, str]
    elsewhere: frozenset[Sha256]
    """Originals of the claim that are at a station that cannot be reached."""


def _content(workspace: Workspace, claim: ClaimId) -> _Content:
    """Read what the bag is to hold; no change by another command comes in between.

    What other stations have of it is fetched first, so that the lock is held for a short time.
    """
    keeping = workspace.catalog.keeping
    if workspace.shared:
        about = read_for_bag(workspace, claim)
        fetch_from_stations(workspace, list(_wanted(workspace, about, keeping.payload(claim))))
    with workspace.locked():
        changes, bag = keeping.changes(claim), bag_folder(workspace, claim, make=True)
        _refuse_unknown_originals(workspace, bag)
        about, before = read_for_bag(workspace, claim), keeping.payload(claim)
        paths = _wanted(workspace, about, before)
        elsewhere = fetch_from_stations(workspace, list(paths))
        paths = {sha: path for sha, path in paths.items() if sha not in elsewhere}
        originals = workspace.catalog.photos.originals(list(paths))
        present = {sha: bag / "data" / path for sha, path in before.items() if sha in originals}
        payload = payload_files(workspace, originals, present, known_bad(workspace, list(paths)))
        return _Content(
            bag=bag,
            changes=changes,
            paths=paths,
            payload={
                **{paths[sha]: one for sha, one in payload.items()},
                **sidecars(workspace, about, paths, bag),
            },
            records=records_of(workspace, about, paths),
            info=bag_info(workspace, about),
            before=before,
            elsewhere=frozenset(elsewhere),
        )


def _build(workspace: Workspace, claim: ClaimId) -> list[Finding] | None:
    """Build one bag, then record in one transaction that it is up to date and what it holds; returns what is bad.

    None, and nothing is built, when the bag stands at another station. Photos that another station has and this one
    cannot reach are left out; the bag stays marked for them. The tray's bag is removed when no photo waits there any
    more.
    """
    if not workspace.catalog.stations.take_bag(claim):
        return None
    keeping, content = workspace.catalog.keeping, _content(workspace, claim)
    removed = set(content.before) - set(content.paths)
    stage_leaving(workspace, claim, removed)
    built = bags.build_bag(
        content.bag,
        content.payload,
        content.records,
        content.info,
        at_once=workspace.settings.disk.at_once,
        damaged=Damaged.KEEP,
    )
    at = {path: sha for sha, path in content.paths.items()}
    added = [at[path] for path in built.added if path in at]
    damaged = [at[path] for path in built.damaged if path in at]
    fresh = set(damaged) - known_bad(workspace, damaged)
    if fresh:
        workspace.record(
            "original_damaged", claim or UNASSIGNED_BAG, photos=sorted(fresh), place=ARCHIVE_PLACE
        )
    empty = not claim and not content.paths and bags.remove_empty_bag(content.bag)

    def note_built() -> None:
        if empty:
            keeping.remove_empty(claim, changes=content.changes)
        else:
            keeping.mark_clean(claim, content.paths, at=workspace.now(), changes=content.changes)
        keeping.put_copies(verified_copies(workspace, None, claim, added))
        keeping.put_copies(bad_copies(workspace, None, claim, damaged))
        keeping.drop_copies(ARCHIVE_PLACE, claim, but=content.paths)
        if content.elsewhere:
            keeping.mark_dirty([claim or None])

    workspace.catalog.change(note_built)
    new = set(added) - set(content.before)
    if new or removed:
        workspace.record(
            "bag_built",
            claim or UNASSIGNED_BAG,
            files=len(content.paths),
            added=len(new),
            removed=len(removed),
        )
    return [
        *(_damaged(claim, content.paths[sha]) for sha in damaged),
        *_elsewhere(workspace, claim, content.elsewhere),
    ]


def _elsewhere(workspace: Workspace, claim: ClaimId, photos: Collection[Sha256]) -> list[Finding]:
    """A finding for each station that has photos of the bag and cannot be reached."""
    where = claim or UNASSIGNED_BAG
    names = stations_with(workspace, sorted(photos))
    counts = Counter(" and ".join(names.get(sha, ["unknown"])) for sha in photos)
    return [
        Finding(
            code=ELSEWHERE,
            message=f"{counted(many, 'file')} of {where} wait at the station {name}, whose folder cannot be reached from "
            "here. They are filed when it can: `evidence station list` shows its path.",
            subject=where,
        )
        for name, many in sorted(counts.items())
    ]


def tags_from_catalog(workspace: Workspace, claim: ClaimId) -> dict[str, bytes]:
    """The tag files of a bag of which the records are damaged, from the catalog; sidecars are listed as they are.

    The bag must then be built again, see `Keeping.mark_dirty`. Raises OSError, BagError.
    """
    paths, bag = workspace.catalog.keeping.payload(claim), bag_folder(workspace, claim)
    payload = {
        paths[sha]: PayloadFile(sha256=sha, size=original.size, source=bag / "data" / paths[sha])
        for sha, original in workspace.catalog.photos.originals(list(paths)).items()
    }
    for file in sorted((bag / "data").rglob(f"*{SIDECAR}")):
        path = file.relative_to(bag / "data").as_posix()
        if path not in payload and file.is_file() and not file.is_symlink():
            payload[path] = PayloadFile(sha256=hash_file(file), size=file.stat().st_size, source=file)
    about = read_for_bag(workspace, claim, paths)
    return bags.tag_files(payload, records_of(workspace, about, paths), bag_info(workspace, about))


def _damaged(claim: ClaimId, path: str) -> Finding:
    where = claim or UNASSIGNED_BAG
    return Finding(
        code="original_damaged",
        message=f"data/{path} in the bag of {where} is altered, missing or unreadable; it is listed with its "
        "digest and waits for a good copy.",
        subject=f"{where}: data/{path}",
    )


def _refuse_unknown_originals(workspace: Workspace, bag: Path) -> None:
    """Raise BagError when the bag holds originals that the catalog does not know: the catalog is incomplete."""
    if not (bag / SHA256_MANIFEST).is_file():
        return
    listed = {sha: path for path, sha in read_manifest(bag).items() if not path.endswith(".xmp")}
    unknown = set(listed) - workspace.catalog.photos.known(list(listed))
    if unknown:
        raise BagError(
            f"The bag {bag.name} holds {len(unknown)} files that the catalog does not know, "
            f"first {min(listed[sha] for sha in unknown)}.",
            "The bag was not changed. Run `evidence rebuild`.",
        )
