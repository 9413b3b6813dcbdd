"""The records of a bag: what the archive knows of a claim and of each photo, for programs and for people."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from evidence.archive.payload_paths import allowed_path
from evidence.catalog.claims import ClaimRow
from evidence.catalog.decision_json import as_record
from evidence.catalog.decisions import Decision
from evidence.catalog.intakes import Sighting
from evidence.codec import to_json
from evidence.errors import one_line
from evidence.model import ClaimId, PhotoRecord, Sha256
from evidence.workspace import Workspace

CLAIM_RECORD = "records/claim.json"
PHOTO_RECORD = "records/photos.json"
EMBEDDINGS = "records/embeddings.f16"
"""Embeddings of the photos, one after the other; photos.json gives where each begins and its bytes."""
MALFORMED = (ValueError, KeyError, TypeError, AttributeError, RecursionError)
"""What reading a record raises that another program wrote, or that is damaged in a way no checksum shows."""
RECORD_FORMAT = 3
"""Of both records. Format 2 had no captions, and of a claim nothing after `stories`. Format 1 had no `added_at` and `version` of a claim, and nothing after `seen` of a photo."""
NAMES_RECORD = "records/names_on_the_card.txt"
"""Only in a bag that holds a file under another name than a card had it."""

_HOW_TO_CHECK = """\
This folder is a BagIt bag (RFC 8493). The photographs are under data/ as the camera wrote them.
To prove that none has changed, without any special program:
    sha256sum -c manifest-sha256.txt        (in this folder; shasum -a 256 -c on macOS)
NAME.xmp beside a photograph says what it shows, for any program that reads XMP (ISO 16684-1).
records/claim.json and records/photos.json hold what the archive knew of the claim and of each photo.
records/names_on_the_card.txt, where there is one, lists the files that had another name on the card.
"""

_NAMES_HEADING = """\
These files had another name on the card, because some system does not allow that name, or because
another file has it. Characters that cannot be printed are written as escapes.
"""


def parsed_record(record: bytes | None) -> Any:
    """A record of a bag as JSON; None when there is none or it is damaged."""
    try:
        return json.loads(record) if record is not None else None
    except (ValueError, RecursionError):
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class ForBag:
    """What the catalog has of a claim and its files, read at one moment, to build its bag."""

    claim: ClaimId
    """Empty for the tray."""
    row: ClaimRow | None
    photos: Sequence[PhotoRecord]
    """In shooting order."""
    seen: Mapping[Sha256, Sequence[Sighting]]


def read_for_bag(workspace: Workspace, claim: ClaimId, held: Iterable[Sha256] = ()) -> ForBag:
    """What the catalog has now of the claim, its files, and of `held`, files that its bag holds."""
    photos = workspace.catalog.photos.of_claim(claim or None)
    files = dict.fromkeys([*(one.sha256 for one in photos), *held])
    return ForBag(
        claim=claim,
        row=workspace.catalog.claims.get(claim) if claim else None,
        photos=photos,
        seen=workspace.catalog.photos.sightings(list(files)),
    )


def records_of(workspace: Workspace, about: ForBag, paths: Mapping[Sha256, str]) -> dict[str, bytes]:
    """The records of a bag, from which `rebuild` makes the catalog anew.

    `paths` holds each original's path below data/.
    """
    photos, embeddings = _photo_record(workspace, about, paths)
    records = {
        CLAIM_RECORD: _claim_record(workspace, about),
        PHOTO_RECORD: photos,
        "records/how_to_check.txt": _HOW_TO_CHECK.encode(),
    }
    if embeddings:
        records[EMBEDDINGS] = embeddings
    names = _names_on_the_card(paths, about.seen)
    return {**records, NAMES_RECORD: names.encode()} if names else records


def original_paths(sha: Sha256, seen: Sequence[Sighting]) -> list[str]:
    """The paths of an original below data/, the one to use first: its card, then its path on that card.

    The first card on which it came is the one to use.
    """
    paths = []
    for one in sorted(seen, key=lambda one: one.intake):
        day, _, letters = one.intake.partition("-")
        card = f"{day[:4]}-{day[4:6]}-{day[6:8]} card {letters.rpartition('-')[2]}"
        paths.append(allowed_path([card, *_parts(one.card_path)]))
    return paths or [f"found/{sha}"]


def _parts(card_path: str) -> list[str]:
    """Folders and name of a file on a card, without the folder DCIM that holds them all."""
    parts = [part for part in card_path.split("/") if part]
    return parts[1:] if len(parts) > 1 and parts[0].upper() == "DCIM" else parts


def _names_on_the_card(paths: Mapping[Sha256, str], seen: Mapping[Sha256, Sequence[Sighting]]) -> str:
    """A list for people of the files that are filed under another name, and of further names of one file."""
    lines = []
    for sha, path in sorted(paths.items(), key=lambda one: one[1]):
        filed = path.split("/")[1:]
        others = dict.fromkeys(one.card_path for one in seen.get(sha, ()) if _parts(one.card_path) != filed)
        if others:
            lines += [f"data/{path}", *(f"    on the card: {one_line(other)}" for other in others)]
    return _NAMES_HEADING + "\n" + "\n".join(lines) + "\n" if lines else ""


def _claim_record(workspace: Workspace, about: ForBag) -> bytes:
    claims, claim, row = workspace.catalog.claims, about.claim, about.row
    head = workspace.custody.head()
    decisions = claims.decisions(Decision, claim=claim, in_force_only=False) if row else []
    stations = workspace.catalog.records.decision_stations(claim) if decisions else {}
    changes = {"changes": workspace.catalog.keeping.changes(claim)} if workspace.shared else {}
    return _pretty(
        {
            "format": RECORD_FORMAT,
            "custody": {"seq": head.seq, "sha256": head.sha256, "root": head.root},
            **changes,
            "claim": to_json(row.claim) if row else None,
            "added_at": row.added_at if row else None,
            "version": row.version if row else None,
            "state": row.state.value if row else None,
            "closed_on": row.closed_on.isoformat() if row and row.closed_on else None,
            "holds": to_json(workspace.catalog.holds.of(claim)) if row else [],
            "waivers": to_json(claims.waivers(claim)) if row else [],
            "decisions": [
                as_record(one) | ({"station": stations[one.number]} if one.number in stations else {})
                for one in decisions
            ],
        }
    )


def _photo_record(workspace: Workspace, about: ForBag, paths: Mapping[Sha256, str]) -> tuple[bytes, bytes]:
    """The record of the bag's files, and the embeddings that it points into, one after the other."""
    records = [record for record in about.photos if record.sha256 in paths]
    tag_rows = workspace.catalog.photos.tag_rows([record.sha256 for record in records])
    rows = workspace.catalog.records.placed(about.claim or None)
    embeddings = bytearray()
    listed = []
    for record in records:
        row = rows[record.sha256]
        embedding = bytes(row["embedding"] or b"")
        listed.append(
            {
                "payload_path": paths[record.sha256],
                "card_path": record.card_path,
                "size": row["size"],
                "record": to_json(record),
                "said": tag_rows.get(record.sha256, []),
                "seen": to_json(about.seen.get(record.sha256, [])),
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


def bag_info(workspace: Workspace, of: ForBag) -> list[tuple[str, str]]:
    """The content of bag-info.txt, in order."""
    claim, row = of.claim, of.row
    info = [("Bagging-Date", workspace.now().date().isoformat())]
    if row:
        info.append(("External-Identifier", claim))
        about = ", ".join(part for part in (row.claim.peril, row.claim.address) if part)
        info.append(("External-Description", f"Photographs of claim {claim}{f' ({about})' if about else ''}"))
    else:
        info.append(("External-Description", "Photographs that fit no claim yet"))
    return info
