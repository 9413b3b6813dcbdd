"""Makes the bags say what the catalog says, copies them to the targets, and reads them back.

The catalog holds what should be; a bag that lags behind is marked dirty in the same commit that
made it lag. So a kill at any instant leaves either a clean bag or one that the next run builds.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from evidence.archive import bags, names
from evidence.archive.bagcheck import BagCheck
from evidence.archive.bagread import SHA256_MANIFEST
from evidence.archive.bags import BagBuilt, PayloadFile
from evidence.archive.places import place_id
from evidence.archive.targets import FolderTarget, Pushed, Target
from evidence.cards.copying import kept_path, link_or_copy, object_path
from evidence.catalog.keeping import CopyRow
from evidence.catalog.photos import Original, Sighting
from evidence.codec import to_json
from evidence.disk.durable import discard
from evidence.errors import BadInputError, BagError, EvidenceError
from evidence.filing.sidecars import sidecars, sweep
from evidence.model import ClaimId, Finding, Sha256
from evidence.progress import Progress, quiet
from evidence.workspace import SETTINGS, Workspace

ARCHIVE_PLACE = "archive"
"""What the copies table calls the archive itself; no target may take the name."""
CLAIM_RECORD = "records/claim.json"
PHOTO_RECORD = "records/photos.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class BackupReport:
    """What a backup did."""

    copied: int
    unchanged: int
    targets: tuple[str, ...]
    troubles: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class VerifyReport:
    """What a re-reading found, over the archive and every target."""

    checked: int
    bad: tuple[Finding, ...]
    missing: tuple[Finding, ...]


# --- bags --------------------------------------------------------------------------------


def file_away(workspace: Workspace, *, progress: Progress = quiet) -> int:
    """Build every bag that lags behind the catalog; returns how many there were."""
    dirty = workspace.catalog.keeping.dirty()
    wanted = {claim: _wanted(workspace, claim) for claim in dirty}
    # Everything that changes bags stands in the intake area before any bag lets go of it.
    for claim, files in wanted.items():
        _bring_in(workspace, claim, files)
    for number, claim in enumerate(dirty):
        progress("Filing", number, len(dirty))
        _build(workspace, claim, wanted[claim])
    _tidy_store(workspace)
    sweep(workspace)
    progress("Filing", len(dirty), len(dirty))
    return len(dirty)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    """One file that belongs into a bag."""

    original: Original
    payload_path: str


def _wanted(workspace: Workspace, claim: ClaimId) -> dict[Sha256, _Wanted]:
    photos = workspace.catalog.photos
    records = photos.of_claim(claim or None)
    digests = [record.sha256 for record in records]
    originals, seen = photos.originals(digests), photos.sightings(digests)
    taken: set[str] = set()
    out: dict[Sha256, _Wanted] = {}
    for sha in digests:
        path = _free(payload_path(sha, seen.get(sha, ())), taken)
        out[sha] = _Wanted(original=originals[sha], payload_path=path)
    return out


def payload_path(sha: Sha256, seen: Sequence[Sighting]) -> str:
    """Where a bag keeps a file below data/: the card it first came on, then its camera path."""
    if not seen:
        return f"found/{sha}"
    first = min(seen, key=lambda one: (one.intake, one.card_path))
    parts = [part for part in first.card_path.split("/") if part]
    if len(parts) > 1 and parts[0].upper() == "DCIM":
        parts = parts[1:]
    day, _, letters = first.intake.partition("-")
    card = f"{day[:4]}-{day[4:6]}-{day[6:8]} card {letters.rpartition('-')[2]}"
    return "/".join([card, *(names.folder_name(part) for part in parts)])


def _free(path: str, taken: set[str]) -> str:
    """`path`, or the same with a number before its ending where two names would collide on some disk."""
    stem, dot, ending = path.rpartition(".")
    candidate, number = path, 2
    while names.fold(candidate) in taken:
        candidate = f"{stem} ({number}){dot}{ending}" if dot else f"{path} ({number})"
        number += 1
    taken.add(names.fold(candidate))
    return candidate


def _bring_in(workspace: Workspace, claim: ClaimId, files: Mapping[Sha256, _Wanted]) -> None:
    present = workspace.catalog.keeping.payload(claim)
    elsewhere = workspace.catalog.keeping.held_in([sha for sha in files if sha not in present])
    for sha, want in files.items():
        if sha in present:
            continue
        stored = object_path(workspace.store, sha, want.original.suffix)
        if stored.exists():
            continue
        source = _anywhere(workspace, elsewhere.get(sha, ()))
        if source is None:
            raise BagError(
                f"The original {want.payload_path} ({sha[:12]}) is in no bag and not in the intake area.",
                "Run `evidence verify`, restore it from a backup target, then run this again.",
            )
        stored.parent.mkdir(parents=True, exist_ok=True)
        link_or_copy(source, stored, sha)


def original_file(workspace: Workspace, sha: Sha256) -> Path | None:
    """Where an original stands: in a bag, else in the intake area; None when it is in neither."""
    held = workspace.catalog.keeping.held_in([sha]).get(sha, ())
    return _anywhere(workspace, held) or kept_path(workspace.store, sha)


def require_original(workspace: Workspace, sha: Sha256) -> Path:
    """The same; raises BagError when it is nowhere."""
    found = original_file(workspace, sha)
    if found is None:
        raise BagError(
            f"The original {sha[:12]} is in no bag and not in the intake area.",
            "Run `evidence verify`, restore it from a backup target, then run this again.",
        )
    return found


def recover(workspace: Workspace) -> None:
    """Finish or undo whatever a killed program left among the bags."""
    bags.recover(workspace.claims)
    bags.recover(workspace.root)


def _anywhere(workspace: Workspace, held: Sequence[tuple[ClaimId, str]]) -> Path | None:
    for claim, path in held:
        row = workspace.catalog.claims.get(claim) if claim else None
        place = workspace.bag_of(claim, row.folder if row else None) / "data" / path
        if place.is_file():
            return place
    return None


def _build(workspace: Workspace, claim: ClaimId, files: Mapping[Sha256, _Wanted]) -> BagBuilt:
    keeping, now = workspace.catalog.keeping, workspace.now()
    place = bag_place(workspace, claim, make=True)
    _refuse_strange(workspace, place)
    old = {sha: path for sha, path in keeping.payload(claim).items() if (place / "data" / path).is_file()}
    payload = {
        want.payload_path: PayloadFile(
            sha256=sha,
            size=want.original.size,
            source=place / "data" / old[sha]
            if sha in old
            else object_path(workspace.store, sha, want.original.suffix),
        )
        for sha, want in files.items()
    }
    payload |= sidecars(workspace, claim, {sha: want.payload_path for sha, want in files.items()}, place)
    built = bags.build_bag(place, payload, _records(workspace, claim, files), _info(workspace, claim))
    added = [sha for sha in files if sha not in old]
    with workspace.catalog.transaction():
        keeping.mark_clean(claim, {sha: want.payload_path for sha, want in files.items()}, at=now)
        keeping.put_copies(_copies(workspace, None, claim, added))
        keeping.drop_copies(ARCHIVE_PLACE, claim, but=files)
    removed = sorted(set(old) - set(files))
    if added or removed:
        workspace.record(
            "bag_built", claim or "unassigned", files=len(files), added=len(added), removed=len(removed)
        )
    return built


def _refuse_strange(workspace: Workspace, place: Path) -> None:
    """Raise BagError for a bag with originals that the catalog never heard of: it is the catalog that is wrong."""
    if not (place / SHA256_MANIFEST).is_file():
        return
    listed = {sha: path for path, sha in bags.read_manifest(place).items() if not path.endswith(".xmp")}
    strange = set(listed) - workspace.catalog.photos.known(list(listed))
    if strange:
        raise BagError(
            f"The bag {place.name} holds {len(strange)} files that the catalog does not know, "
            f"first {min(listed[sha] for sha in strange)}.",
            "Nothing of it was changed. Bring the catalog back from a backup, or rebuild it from the bags.",
        )


def require_known_bags(workspace: Workspace) -> None:
    """Raise BagError when a claim's bag is on the disk and not in the catalog: a card would be filed over it."""
    known = {row.folder for row in workspace.catalog.claims.all()}
    for bag in sorted(workspace.claims.iterdir()) if workspace.claims.is_dir() else []:
        if not bag.name.startswith(".") and bag.name not in known and (bag / "bagit.txt").is_file():
            raise BagError(
                f"The catalog does not know the bag {bag.name}.",
                "Bring the catalog back from a backup, or rebuild it from the bags.",
            )


def bag_place(workspace: Workspace, claim: ClaimId, *, make: bool = False) -> Path:
    """The folder of the claim's bag; with `make`, a claim that has none yet is given one."""
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
        folder = names.folder_name(f"{claim} {surname}".strip())
        if any(
            other.folder and names.fold(other.folder) == names.fold(folder)
            for other in workspace.catalog.claims.all()
        ):
            folder = names.folder_name(f"{claim} {surname} {hashlib.sha256(claim.encode()).hexdigest()[:6]}")
        workspace.catalog.claims.set_folder(claim, folder)
    return workspace.bag_of(claim, folder)


def _records(workspace: Workspace, claim: ClaimId, files: Mapping[Sha256, _Wanted]) -> dict[str, bytes]:
    """What the bag says of its photos, so that the catalog can be rebuilt from it (rule 8)."""
    claims, photos = workspace.catalog.claims, workspace.catalog.photos
    records = photos.of_claim(claim or None)
    digests = [record.sha256 for record in records]
    seen, said, sizes = photos.sightings(digests), photos.said(digests), photos.originals(digests)
    listed = [
        {
            "payload_path": files[record.sha256].payload_path,
            "size": sizes[record.sha256].size,
            "record": to_json(record),
            "said": said.get(record.sha256, []),
            "seen": to_json(seen.get(record.sha256, [])),
        }
        for record in records
    ]
    row = claims.get(claim) if claim else None
    anchor = (
        workspace.custody.head()
    )  # not `anchor()`, which reads the whole log: once for every bag, for ever
    about = {
        "format": 1,
        "custody": {"seq": anchor.seq, "sha256": anchor.sha256},
        "claim": to_json(row.claim) if row else None,
        "state": row.state.value if row else None,
        "closed_on": row.closed_on.isoformat() if row and row.closed_on else None,
        "holds": to_json(claims.holds(claim)) if row else [],
        "waivers": to_json(claims.waivers(claim)) if row else [],
        "decisions": to_json(claims.decisions(claim=claim, standing_only=False)) if row else [],
    }
    return {
        CLAIM_RECORD: _pretty(about),
        PHOTO_RECORD: _pretty(listed),
        "records/how_to_check.txt": _HOW_TO_CHECK.encode(),
    }


def _pretty(data: object) -> bytes:
    return (json.dumps(data, ensure_ascii=False, indent=1, sort_keys=True) + "\n").encode()


_HOW_TO_CHECK = """\
This folder is a BagIt bag (RFC 8493). The photographs lie under data/ as the camera wrote them.
To prove that none has changed, with no program of ours:
    sha256sum -c manifest-sha256.txt        (in this folder; shasum -a 256 -c on macOS)
NAME.xmp beside a photograph says what it shows, for any program that reads XMP (ISO 16684-1).
records/claim.json and records/photos.json say what the archive knew of the claim and of each photo.
"""


def _info(workspace: Workspace, claim: ClaimId) -> list[tuple[str, str]]:
    row = workspace.catalog.claims.get(claim) if claim else None
    info = [("Bagging-Date", workspace.now().date().isoformat())]
    if row:
        info.append(("External-Identifier", claim))
        about = ", ".join(part for part in (row.claim.peril, row.claim.address) if part)
        info.append(("External-Description", f"Photographs of claim {claim}{f' ({about})' if about else ''}"))
    else:
        info.append(("External-Description", "Photographs that fit no claim yet"))
    return info


def _tidy_store(workspace: Workspace) -> None:
    """Let go of intake copies whose original stands in a finished bag."""
    if workspace.catalog.keeping.dirty():
        return
    stored = [path for path in workspace.store.glob("??/*") if path.is_file()]
    digests = [Sha256(path.name.partition(".")[0]) for path in stored]
    held = workspace.catalog.keeping.held_in(digests)
    for path, sha in zip(stored, digests, strict=True):
        if _anywhere(workspace, held.get(sha, ())) is not None:
            discard(path)


# --- targets -----------------------------------------------------------------------------


def open_targets(workspace: Workspace) -> list[FolderTarget]:
    """The backup targets that the settings name."""
    return [
        FolderTarget(
            name=one.name, root=one.path.absolute(), off_computer=one.off_computer, archive=workspace.root
        )
        for one in workspace.settings.target
    ]


def make_ready(workspace: Workspace, target: FolderTarget) -> None:
    """Mark a target the first time it is used; afterwards its mark must be there, or its disk is not mounted.

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
            f"The backup target {target.name} lies on the same disk as the archive.",
            f"It cannot count as off this computer: correct off_computer in {SETTINGS}, or give it another disk.",
        )


def back_up(workspace: Workspace, *, progress: Progress = quiet) -> BackupReport:
    """Copy every bag to every target and read back what was copied. A target in trouble stops only itself."""
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


def _push(workspace: Workspace, target: Target, claim: ClaimId) -> Pushed:
    place = bag_place(workspace, claim)
    keeping = workspace.catalog.keeping
    held = list(keeping.payload(claim))
    doubted = {
        row.sha256
        for rows in keeping.copies(held).values()
        for row in rows
        if row.place == target.name and row.found_bad_at and not _matched_since(row)
    }
    pushed = target.put_bag(place, place.name, afresh=bool(doubted))
    copies = _copies(workspace, target, claim, [sha for sha in held if sha in set(pushed.verified)])
    with workspace.catalog.transaction():
        keeping.put_copies(copies)
        keeping.drop_copies(target.name, claim, but=held)
    noted = {row.sha256 for rows in keeping.copies(held).values() for row in rows if row.place == target.name}
    if set(held) - noted:
        # A killed run copied them and could not write it down: read them back now.
        expected = {path: sha for sha, path in keeping.payload(claim).items()}
        _book(workspace, target, claim, target.check_bag(place.name, expected=expected))
    return pushed


def _matched_since(row: CopyRow) -> bool:
    return row.verified_at is not None and row.found_bad_at is not None and row.found_bad_at < row.verified_at


def _copies(
    workspace: Workspace, target: Target | None, claim: ClaimId, digests: Sequence[Sha256]
) -> list[CopyRow]:
    """Rows that say these originals were read back and matched at the target, or in the archive, now."""
    now = workspace.now()
    where = target.place_id() if target else place_id(workspace.root)
    return [
        CopyRow(
            sha256=sha,
            place=target.name if target else ARCHIVE_PLACE,
            place_id=where,
            off_computer=target.off_computer if target else False,
            claim=claim,
            verified_at=now,
        )
        for sha in digests
    ]


def verify(workspace: Workspace, *, progress: Progress = quiet) -> VerifyReport:
    """Re-read every bag here and at every target and compare with the manifests and the catalog."""
    checked, bad, missing = 0, [], []
    all_bags = workspace.catalog.keeping.bags()
    places: list[Target | None] = [None, *open_targets(workspace)]
    for target in places:
        name = target.name if target else ARCHIVE_PLACE
        for number, claim in enumerate(all_bags):
            progress(f"Reading back {name}", number, len(all_bags))
            payload = workspace.catalog.keeping.payload(claim)
            expected = {path: sha for sha, path in payload.items()}
            where = f"{name}: {claim or 'unassigned'}"
            try:
                place = bag_place(workspace, claim)
                check = (
                    target.check_bag(place.name, expected=expected)
                    if target
                    else bags.check_bag(place, expected=expected)
                )
            except EvidenceError as trouble:
                missing.append(Finding(code="unreachable", message=str(trouble), subject=where))
                workspace.catalog.keeping.mark_corrupt(name, list(payload), at=workspace.now())
                continue
            checked += check.checked
            bad += [replace(one, subject=f"{where}: {one.subject}") for one in check.bad]
            missing += [
                Finding(code="missing", message=f"{path} is not there.", subject=f"{where}: {path}")
                for path in check.missing
            ]
            _book(workspace, target, claim, check)
        progress(f"Reading back {name}", len(all_bags), len(all_bags))
    workspace.record("verified", "every bag and target", checked=checked, bad=len(bad), missing=len(missing))
    return VerifyReport(checked=checked, bad=tuple(bad), missing=tuple(missing))


def _book(workspace: Workspace, target: Target | None, claim: ClaimId, check: BagCheck) -> None:
    """Write down what a check of one bag in one place found of each original."""
    keeping = workspace.catalog.keeping
    payload = keeping.payload(claim)
    spoilt = {one.subject for one in check.bad} | set(check.missing)
    good = [sha for sha, path in payload.items() if f"data/{path}" not in spoilt]
    with workspace.catalog.transaction():
        keeping.put_copies(_copies(workspace, target, claim, good))
        keeping.mark_corrupt(
            target.name if target else ARCHIVE_PLACE, sorted(set(payload) - set(good)), at=workspace.now()
        )
