"""Reads the records of a bag for a rebuild, also of a bag of which some tag files are damaged or missing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from evidence.archive.bagread import (
    DATA,
    SHA256_MANIFEST,
    TAG_MANIFEST,
    parse_manifest,
    read_sound_tags,
    read_tags,
)
from evidence.archive.bags import DECLARATION, INFO
from evidence.archive.names import SIDECAR, leaves_folder
from evidence.cards.files import kind_of
from evidence.codec import to_json
from evidence.disk.hashing import hash_file
from evidence.errors import BagError
from evidence.filing.records import CLAIM_RECORD, EMBEDDINGS, PHOTO_RECORD, RECORD_FORMAT, parsed_record
from evidence.model import CameraFacts, ClaimState, Look, Sha256

_CLAIM_LABEL = "External-Identifier: "


@dataclass(frozen=True, slots=True, kw_only=True)
class BagRecords:
    """What the records of a bag hold; see `records.records_of` for the two JSON records."""

    about: Mapping[str, Any]
    photos: list[dict[str, Any]]
    embeddings: bytes
    manifest: Mapping[str, Sha256]
    """Digests by path below `data/`."""
    lacking: tuple[str, ...] = ()
    """Tag files that are damaged or missing; what they held was made anew from the others."""


def read_bag_records(bag: Path) -> BagRecords:
    """Read the records of a bag. A damaged one is made anew: from the manifest, bag-info.txt and the files.

    Raises BagError when nothing tells whose bag it is, OSError, ValueError.
    """
    lacking: tuple[str, ...] = ()
    try:
        tags = dict(read_tags(bag))
    except BagError:
        tags = read_sound_tags(bag)
        lacking = _lacking(bag, tags)
    photos = parsed_record(tags.get(PHOTO_RECORD))
    if photos is not None and any(leaves_folder(str(one["payload_path"])) for one in photos):
        photos = None  # this program did not write it
    if SHA256_MANIFEST in tags:
        listed = parse_manifest(tags[SHA256_MANIFEST])
        manifest = {path.removeprefix(DATA): digest for path, digest in listed.items()}
    elif photos is not None:
        manifest = {one["payload_path"]: Sha256(one["record"]["sha256"]) for one in photos}
    else:
        manifest = _digests_of(bag)
    about = parsed_record(tags.get(CLAIM_RECORD))
    parsed = {CLAIM_RECORD: about, PHOTO_RECORD: photos}  # a sound file may hold what is no record, too
    lacking = (*lacking, *(name for name, record in parsed.items() if record is None and name not in lacking))
    return BagRecords(
        about=_claim_anew(bag, tags) if about is None else about,
        photos=_photos_anew(bag, manifest) if photos is None else photos,
        embeddings=tags.get(EMBEDDINGS, b""),
        manifest=manifest,
        lacking=lacking,
    )


def _lacking(bag: Path, tags: Mapping[str, bytes]) -> tuple[str, ...]:
    try:
        return tuple(sorted(set(parse_manifest((bag / TAG_MANIFEST).read_bytes())) - set(tags)))
    except (OSError, ValueError):
        return (TAG_MANIFEST,)


def _digests_of(bag: Path) -> dict[str, Sha256]:
    """The files below `data/` as they are: nothing proves them."""
    files = sorted(path for path in (bag / "data").rglob("*") if path.is_file() and not path.is_symlink())
    return {path.relative_to(bag / "data").as_posix(): hash_file(path) for path in files}


def _claim_anew(bag: Path, tags: Mapping[str, bytes]) -> dict[str, Any]:
    """The record of a claim of which only the number is known. The next list of assignments gives the rest."""
    number = next(
        (
            line.removeprefix(_CLAIM_LABEL)
            for line in tags.get(INFO, b"").decode().splitlines()
            if line.startswith(_CLAIM_LABEL)
        ),
        None,
    )
    if number is None and bag.name != "unassigned":
        raise BagError(
            f"Neither {CLAIM_RECORD} nor {INFO} tells whose bag {bag.name} is.",
            "Bring them back from another copy of the bag.",
        )
    claim = {
        "claim": number,
        "insured": "",
        "address": "",
        "loss_date": None,
        "peril": "",
        "jurisdiction": "",
        "line": "",
    }
    return {
        "format": RECORD_FORMAT,
        "custody": {"seq": 0},
        "claim": {**claim, "stories": None, "place": None} if number else None,
        "state": ClaimState.OPEN.value,
        "closed_on": None,
        "holds": [],
        "waivers": [],
        "decisions": [],
    }


def _photos_anew(bag: Path, manifest: Mapping[str, Sha256]) -> list[dict[str, Any]]:
    """The records of files of which nothing but name, size and digest is known, in the order of their names."""
    listed = []
    for number, (path, sha) in enumerate(sorted(manifest.items())):
        if path.endswith(SIDECAR) and path.removesuffix(SIDECAR) in manifest:
            continue
        place = bag / "data" / path
        record = {
            "sha256": sha,
            "kind": kind_of(path).value,
            "facts": to_json(CameraFacts()),
            "look": to_json(Look()),
            "flags": [],
            "order": number,
            **dict.fromkeys(("corrected", "utc")),
            "correction": "",
            "claim_confidence": 1.0,
            "to_confirm": False,
            "claim_reasons": [],
        }
        size = place.stat().st_size if place.is_file() else 0
        photo = {"payload_path": path, "size": size, "record": record, "said": [], "seen": []}
        listed.append({**photo, "described": False})
    return listed


def usable_tags(tags: Mapping[str, bytes]) -> dict[str, bytes]:
    """The tag files of a damaged bag with its declaration, which is always the same: a folder with it is a bag."""
    return {**tags, "bagit.txt": DECLARATION}
