"""Builds the bags that are out of date: the originals, their sidecars, and the records of a claim."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from evidence.archive import bags
from evidence.archive.assembly import PayloadFile
from evidence.archive.bagread import SHA256_MANIFEST, read_manifest
from evidence.archive.bags import BagBuilt
from evidence.archive.heads import HEADS
from evidence.archive.names import fold, folder_name, free_name
from evidence.archive.targets import MARKER
from evidence.catalog.decisions import Decision, as_record
from evidence.catalog.intakes import Sighting
from evidence.catalog.originals import Original
from evidence.codec import to_json
from evidence.disk.objects import object_path
from evidence.errors import BagError
from evidence.filing.copies import verified_copies
from evidence.filing.originals import discard_filed_originals, stage_originals
from evidence.filing.record_files import keep_records
from evidence.filing.sidecars import clear_sidecars, sidecars
from evidence.model import ClaimId, Sha256
from evidence.progress import Progress, quiet
from evidence.settings import ARCHIVE_PLACE
from evidence.workspace import DAMAGED, Workspace

CLAIM_RECORD = "records/claim.json"
PHOTO_RECORD = "records/photos.json"
EMBEDDINGS = "records/embeddings.f16"
"""Embeddings of the photos, one after the other; photos.json gives where each begins and its bytes."""
RECORD_FORMAT = 2
"""Of both records. Format 1 had no `added_at` and `version` of a claim, and nothing after `seen` of a photo."""

NOT_A_BAG = frozenset({"archive", "unassigned", DAMAGED, HEADS, MARKER})
"""Names, folded, that mean something else at a backup target: no claim's folder may have one of them."""

_HOW_TO_CHECK = """\
This folder is a BagIt bag (RFC 8493). The photographs are under data/ as the camera wrote them.
To prove that none has changed, without any special program:
    sha256sum -c manifest-sha256.txt        (in this folder; shasum -a 256 -c on macOS)
NAME.xmp beside a photograph says what it shows, for any program that reads XMP (ISO 16684-1).
records/claim.json and records/photos.json hold what the archive knew of the claim and of each photo.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    """An original that the bag is to hold, and its path below data/."""

    original: Original
    payload_path: str


def file_away(workspace: Workspace, *, progress: Progress = quiet) -> int:
    """Build every bag that is out of date; returns how many there were.

    Raises BagError for an original that is nowhere, DestinationError, LockedError.
    """
    dirty = workspace.catalog.keeping.dirty()
    wanted = {claim: _wanted(workspace, claim) for claim in dirty}
    # A photo that changes bags is put into the intake area before its old bag is rebuilt without it.
    for claim, files in wanted.items():
        stage_originals(workspace, claim, {sha: one.original for sha, one in files.items()})
    for number, claim in enumerate(dirty):
        progress("Filing", number, len(dirty))
        _build(workspace, claim, wanted[claim])
    discard_filed_originals(workspace)
    clear_sidecars(workspace)
    keep_records(workspace)
    progress("Filing", len(dirty), len(dirty))
    return len(dirty)


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


def require_known_bags(workspace: Workspace) -> None:
    """Raise BagError when there is a bag on the disk that the catalog does not know.

    Otherwise photos of the next card could be filed over it.
    """
    names = {path.name for path in workspace.claims.iterdir()} if workspace.claims.is_dir() else set()
    for name in sorted(names - set(workspace.catalog.claims.folders())):
        if not name.startswith(".") and (workspace.claims / name / "bagit.txt").is_file():
            raise BagError(
                f"The catalog does not know the bag {name}.",
                "The catalog is older than the bags: run `evidence rebuild`.",
            )


# --- building one bag --------------------------------------------------------------------


def payload_path(sha: Sha256, seen: Sequence[Sighting]) -> str:
    """The path of an original below data/: the card it first came on, then its path on that card."""
    if not seen:
        return f"found/{sha}"
    first = min(seen, key=lambda one: (one.intake, one.card_path))
    parts = [part for part in first.card_path.split("/") if part]
    if len(parts) > 1 and parts[0].upper() == "DCIM":
        parts = parts[1:]
    day, _, letters = first.intake.partition("-")
    card = f"{day[:4]}-{day[4:6]}-{day[6:8]} card {letters.rpartition('-')[2]}"
    return "/".join([card, *(folder_name(part) for part in parts)])


def _wanted(workspace: Workspace, claim: ClaimId) -> dict[Sha256, _Wanted]:
    photos = workspace.catalog.photos
    digests = [record.sha256 for record in photos.of_claim(claim or None)]
    originals, seen = photos.originals(digests), photos.sightings(digests)
    taken: set[str] = set()
    out: dict[Sha256, _Wanted] = {}
    for sha in digests:
        path = payload_path(sha, seen.get(sha, ()))
        ending = PurePosixPath(path).suffix
        free = free_name(path.removesuffix(ending), ending, taken)
        out[sha] = _Wanted(original=originals[sha], payload_path=free)
    return out


def _build(workspace: Workspace, claim: ClaimId, files: Mapping[Sha256, _Wanted]) -> BagBuilt:
    """Build one bag, then record in one transaction that it is up to date and what it holds."""
    keeping, now = workspace.catalog.keeping, workspace.now()
    bag = bag_folder(workspace, claim, make=True)
    _refuse_unknown_originals(workspace, bag)
    paths = {sha: want.payload_path for sha, want in files.items()}
    old = {sha: path for sha, path in keeping.payload(claim).items() if (bag / "data" / path).is_file()}
    payload = {
        want.payload_path: PayloadFile(
            sha256=sha,
            size=want.original.size,
            source=bag / "data" / old[sha]
            if sha in old
            else object_path(workspace.store, sha, want.original.suffix),
        )
        for sha, want in files.items()
    }
    payload |= sidecars(workspace, claim, paths, bag)
    built = bags.build_bag(
        bag,
        payload,
        _records(workspace, claim, paths),
        _info(workspace, claim),
        at_once=workspace.settings.disk.at_once,
    )
    added = [sha for sha in files if sha not in old]
    with workspace.catalog.transaction():
        keeping.mark_clean(claim, paths, at=now)
        keeping.put_copies(verified_copies(workspace, None, claim, added))
        keeping.drop_copies(ARCHIVE_PLACE, claim, but=files)
    removed = sorted(set(old) - set(files))
    if added or removed:
        workspace.record(
            "bag_built", claim or "unassigned", files=len(files), added=len(added), removed=len(removed)
        )
    return built


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


def _records(workspace: Workspace, claim: ClaimId, paths: Mapping[Sha256, str]) -> dict[str, bytes]:
    """The records of a bag, from which `rebuild` makes the catalog anew."""
    photos, embeddings = _photo_record(workspace, claim, paths)
    records = {
        CLAIM_RECORD: _claim_record(workspace, claim),
        PHOTO_RECORD: photos,
        "records/how_to_check.txt": _HOW_TO_CHECK.encode(),
    }
    return {**records, EMBEDDINGS: embeddings} if embeddings else records


def _claim_record(workspace: Workspace, claim: ClaimId) -> bytes:
    claims = workspace.catalog.claims
    row = claims.get(claim) if claim else None
    head = workspace.custody.head()
    added = workspace.catalog.records.claim(claim)["claim"][0]["added_at"] if row else None
    return _pretty(
        {
            "format": RECORD_FORMAT,
            "custody": {"seq": head.seq, "sha256": head.sha256, "root": head.root},
            "claim": to_json(row.claim) if row else None,
            "added_at": added,
            "version": row.version if row else None,
            "state": row.state.value if row else None,
            "closed_on": row.closed_on.isoformat() if row and row.closed_on else None,
            "holds": to_json(claims.holds(claim)) if row else [],
            "waivers": to_json(claims.waivers(claim)) if row else [],
            "decisions": [
                as_record(one) for one in claims.decisions(Decision, claim=claim, standing_only=False)
            ]
            if row
            else [],
        }
    )


def _photo_record(workspace: Workspace, claim: ClaimId, paths: Mapping[Sha256, str]) -> tuple[bytes, bytes]:
    """The record of the bag's files, and the embeddings that it points into, one after the other."""
    photos = workspace.catalog.photos
    records = photos.of_claim(claim or None)
    digests = [record.sha256 for record in records]
    seen, said = photos.sightings(digests), photos.said(digests)
    rows = workspace.catalog.records.placed(claim or None)
    embeddings = bytearray()
    listed = []
    for record in records:
        row = rows[record.sha256]
        embedding = bytes(row["embedding"] or b"")
        listed.append(
            {
                "payload_path": paths[record.sha256],
                "size": row["size"],
                "record": to_json(record),
                "said": said.get(record.sha256, []),
                "seen": to_json(seen.get(record.sha256, [])),
                "suffix": row["suffix"],
                "described": row["look"] is not None,
                "position": row["position"],
                "segment": row["segment"],
                "tag_flags": json.loads(row["tag_flags"]),
                "embedding": [len(embeddings), len(embedding)] if embedding else None,
            }
        )
        embeddings += embedding
    return _pretty(listed), bytes(embeddings)


def _pretty(data: object) -> bytes:
    return (json.dumps(data, ensure_ascii=False, indent=1, sort_keys=True) + "\n").encode()


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
