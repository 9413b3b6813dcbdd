"""Finds the files below a folder that have given digests: the check after a purge."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path

from evidence.archive.bagread import read_manifest
from evidence.archive.exchange import LOCKS
from evidence.disk.hashing import hash_file
from evidence.errors import BagError
from evidence.model import Sha256

QUARANTINE = ".quarantine"
"""Folder of copies that are set aside to be purged, in the archive and on each target. A search leaves it out."""


def find_digests(root: Path, digests: Collection[Sha256]) -> tuple[str, ...]:
    """Paths below `root` whose bytes have one of these SHA-256 digests, with forward slashes, sorted.

    For the payload of bags directly below `root` the manifest is used. Every other file is read:
    incomplete bags, leftovers, tag files, files in no manifest. Links are not followed. Raises OSError.
    """
    wanted = frozenset(digests)
    found: list[Path] = []
    for entry in sorted(root.iterdir()) if root.is_dir() else []:
        if entry.name in (LOCKS, QUARANTINE) or entry.is_symlink():
            continue
        recorded = {} if entry.name.startswith(".") else _recorded(entry)
        found += [path for path in _files(entry) if (recorded.get(path) or hash_file(path)) in wanted]
    return tuple(sorted(path.relative_to(root).as_posix() for path in found))


def _recorded(bag: Path) -> Mapping[Path, Sha256]:
    """Digests by a bag's manifest; none for a folder that is not a bag, or a damaged one."""
    if not (bag / "bagit.txt").is_file():
        return {}
    try:
        return {bag / "data" / path: digest for path, digest in read_manifest(bag).items()}
    except BagError:
        return {}


def _files(entry: Path) -> Iterator[Path]:
    """The entry itself, or every regular file below it. Raises OSError."""
    if entry.is_file():
        yield entry
    for parent, _names, files in os.walk(entry, onerror=_raise):
        for name in files:
            path = Path(parent, name)
            if path.is_file() and not path.is_symlink():
                yield path


def _raise(error: OSError) -> None:
    if not isinstance(error, NotADirectoryError):
        raise error
