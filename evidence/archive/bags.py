"""Builds and removes bags (RFC 8493, version 1.0, SHA-256). A bag is valid at every instant, also during a build."""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from evidence.archive.assembly import (
    Damaged,
    PayloadFile,
    assemble,
    known_paths,
    other_files,
    recorded_digests,
)
from evidence.archive.bagread import DATA, SHA256_MANIFEST, TAG_MANIFEST
from evidence.archive.exchange import OnStep, locked, recover_folder, recover_folders, remove_folder
from evidence.archive.names import encode_path, require_safe
from evidence.disk.copying import link_or_copy
from evidence.disk.durable import ignore_step
from evidence.disk.parallel import FILES_AT_ONCE
from evidence.errors import BadInputError, DestinationError
from evidence.model import Sha256

DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
INFO = "bag-info.txt"

_RESERVED = re.compile(
    r"(?:data|strays)(?:/.*)?|bagit\.txt|bag-info\.txt|fetch\.txt|(?:tag)?manifest-.*", re.IGNORECASE
)
_ONLY_ONCE = frozenset({"bagging-date", "bag-size", "bag-group-identifier", "bag-count"})


@dataclass(frozen=True, slots=True, kw_only=True)
class BagBuilt:
    """A bag after a build."""

    path: Path
    payload_files: int
    octets: int
    """Bytes of payload."""
    added: tuple[str, ...]
    """Paths below `data/` that are new or have other bytes than before, sorted; read back and matched."""
    removed: tuple[str, ...]
    """Paths below `data/` that are gone, sorted."""
    damaged: tuple[str, ...]
    """Paths below `data/` that are listed with their digest, but absent or with other bytes, sorted."""
    tag_manifest_sha256: Sha256
    """SHA-256 of the tag manifest; recorded elsewhere, it proves every byte of the bag."""


# --- building ----------------------------------------------------------------------------


def build_bag(
    bag: Path,
    payload: Mapping[str, PayloadFile],
    records: Mapping[str, bytes],
    info: Sequence[tuple[str, str]],
    *,
    at_once: int = FILES_AT_ONCE,
    damaged: Damaged = Damaged.REFUSE,
    on_step: OnStep = ignore_step,
) -> BagBuilt:
    """Make the folder `bag` a bag that holds exactly this payload and these records.

    `payload` is keyed by path below `data/`, `records` by the path of the tag file, both with
    forward slashes; `info` is bag-info.txt in order, without Payload-Oxum, which is computed.
    New files, `at_once` at the same time, are read from the disk and compared with their digest;
    files already in the bag keep their recorded digest, also under a new path. `damaged` says what
    happens to a file whose bytes do not match. Payload files become read-only. Other files found in the folder are
    kept, those below `data/` under `strays/`. A kill at any instant leaves the old bag or the new
    one (see `exchange`), and the next build completes the work.

    A `%` in a name is written `%25` in the manifests (RFC 8493, 2.1.3); `sha256sum -c` and some
    BagIt readers do not decode it and miss such a file.

    Raises BadInputError (names, info), BagError (the present bag is damaged, or a source does not
    match its digest), DestinationError, LockedError.
    """
    _require_sound(payload, records, info)
    with locked(bag):
        recover_folder(bag, known_paths)
        _require_bag_or_nothing(bag)
        tags = tag_files(payload, records, info)
        link = partial(link_or_copy, sync_names=False)  # `assemble` flushes the folders once, after all files
        done = assemble(bag, payload, tags, copy=link, at_once=at_once, damaged=damaged, on_step=on_step)
    return BagBuilt(
        path=bag,
        payload_files=len(payload),
        octets=sum(item.size for item in payload.values()),
        added=done.added,
        removed=done.removed,
        damaged=done.damaged,
        tag_manifest_sha256=Sha256(hashlib.sha256(tags[TAG_MANIFEST]).hexdigest()),
    )


def recover(root: Path) -> tuple[str, ...]:
    """Finish or undo what a killed program left among the bags in `root`; returns their names, sorted.

    Raises DestinationError.
    """
    return recover_folders(root, known_paths)


def remove_bag(bag: Path) -> bool:
    """Remove a bag and everything in its folder, so that no reader sees half of it; False when there is none.

    Raises DestinationError, LockedError.
    """
    with locked(bag):
        return remove_folder(bag)


def remove_empty_bag(bag: Path) -> bool:
    """Remove a bag that lists no payload; False, and nothing done, when its folder holds other files than its own.

    A folder that is not there counts as removed. Raises BagError (the bag is damaged), DestinationError, LockedError.
    """
    with locked(bag):
        recover_folder(bag, known_paths)
        if bag.is_dir() and (recorded_digests(bag) or other_files(bag)):
            return False
        remove_folder(bag)
        return True


# --- checking the input ---------------------------------------------------------------------


def _require_sound(
    payload: Mapping[str, PayloadFile], records: Mapping[str, bytes], info: Sequence[tuple[str, str]]
) -> None:
    require_safe(payload, "a bag")
    require_safe(records, "a bag")
    for name in records:
        if _RESERVED.fullmatch(name):
            raise BadInputError(f"{name} cannot be the name of a record in a bag.", "Put it below records/.")
    seen: set[str] = set()
    for label, _value in info:
        key = label.casefold()
        if not re.fullmatch(r"[^\s:](?:[^:\r\n]*[^\s:])?", label) or key == "payload-oxum":
            raise BadInputError(f"{label!r} cannot be a label in bag-info.txt.", "Give it another name.")
        if key in _ONLY_ONCE and key in seen:
            raise BadInputError(f"{label} is allowed only once in bag-info.txt.", "Give it once.")
        seen.add(key)


def _require_bag_or_nothing(bag: Path) -> None:
    if os.path.lexists(bag) and (bag.is_symlink() or not bag.is_dir()):
        raise DestinationError(f"{bag} is in the way of a bag.", "Move it aside, then run it again.")
    if bag.is_dir() and any(bag.iterdir()) and not (bag / "bagit.txt").is_file():
        raise DestinationError(
            f"{bag} is a folder that holds other things than a bag.", "Move it aside, then run it again."
        )


# --- tag files ---------------------------------------------------------------------------


def tag_files(
    payload: Mapping[str, PayloadFile], records: Mapping[str, bytes], info: Sequence[tuple[str, str]]
) -> dict[str, bytes]:
    """The tag files of a bag with this content, by path; see `build_bag`."""
    octets = sum(item.size for item in payload.values())
    lines = [f"{label}: {' '.join(value.split())}".rstrip() for label, value in info]
    lines.append(f"Payload-Oxum: {octets}.{len(payload)}")
    tags = {
        "bagit.txt": DECLARATION,
        INFO: "".join(f"{line}\n" for line in lines).encode(),
        SHA256_MANIFEST: _listing({DATA + path: item.sha256 for path, item in payload.items()}),
        **records,
    }
    digests = {path: hashlib.sha256(content).hexdigest() for path, content in tags.items()}
    return {**tags, TAG_MANIFEST: _listing(digests)}


def list_payload(tags: Mapping[str, bytes], payload: Mapping[str, PayloadFile]) -> dict[str, bytes]:
    """The tag files of a bag with its manifests and its Payload-Oxum made for another payload."""
    octets = sum(item.size for item in payload.values())
    lines = [
        f"Payload-Oxum: {octets}.{len(payload)}" if line.startswith("Payload-Oxum:") else line
        for line in tags[INFO].decode().splitlines()
    ]
    made = {path: content for path, content in tags.items() if path != TAG_MANIFEST}
    made[INFO] = "".join(f"{line}\n" for line in lines).encode()
    made[SHA256_MANIFEST] = _listing({DATA + path: item.sha256 for path, item in payload.items()})
    digests = {path: hashlib.sha256(content).hexdigest() for path, content in made.items()}
    return {**made, TAG_MANIFEST: _listing(digests)}


def _listing(digests: Mapping[str, str]) -> bytes:
    """A manifest (2.1.3), in the form that `sha256sum -c` reads too."""
    return "".join(f"{digests[path]}  {encode_path(path)}\n" for path in sorted(digests)).encode()
