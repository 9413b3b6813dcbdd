"""The index of hashes as one file, with a digest: a cache that may be deleted, never the only place of anything.

The file is a line of JSON, filled with spaces to `HEAD_SIZE` bytes, then the arrays, little-endian, one after the
other. A file that is damaged, cut off or of another format counts as missing.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import numpy as np

from evidence.alike.hash_index import BLOCKS, HashIndex, IndexArrays, key_bits
from evidence.disk.durable import discard

HEAD_SIZE = 4096
"""Bytes before the arrays."""
FORMAT = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredIndex:
    """An index and how far it goes."""

    index: HashIndex
    last: int
    """The number of the last hash of the catalog that it holds."""
    samples: Mapping[int, int]
    """Some numbers of the catalog with their codes, to tell whether the file belongs to this catalog."""


def save_index(path: Path, arrays: IndexArrays, *, last: int, samples: Mapping[int, int]) -> None:
    """Write the index beside `path` and rename it over it. Raises OSError.

    It is not flushed to the disk: after a power cut the digest tells that the file is damaged.
    """
    digest = hashlib.sha256()
    for _, array in arrays.each():
        digest.update(_little(array).data)
    head = {
        "format": FORMAT,
        "blocks": BLOCKS,
        "codes": len(arrays.codes),
        "last": last,
        "samples": sorted(samples.items()),
        "sha256": digest.hexdigest(),
    }
    part = path.with_name(f"{path.name}.part")
    try:
        with part.open("wb") as out:
            out.write((json.dumps(head) + "\n").encode().ljust(HEAD_SIZE))
            for _, array in arrays.each():
                out.write(_little(array).data)
        part.replace(path)
    except OSError:
        discard(part)
        raise


def load_index(path: Path) -> StoredIndex | None:
    """The index of that file; None when there is none, or it is damaged or of another format."""
    try:
        with path.open("rb") as stored:
            head = json.loads(stored.read(HEAD_SIZE))
            if head["format"] != FORMAT or head["blocks"] != [list(block) for block in BLOCKS]:
                return None
            digest = hashlib.sha256()
            arrays = _read(stored, int(head["codes"]), digest)
            if digest.hexdigest() != head["sha256"] or stored.read(1):
                return None
            return StoredIndex(
                index=HashIndex(arrays=arrays),
                last=int(head["last"]),
                samples={int(number): int(code) for number, code in head["samples"]},
            )
    except (OSError, ValueError, KeyError, TypeError, MemoryError):
        return None


def _read(stored: IO[bytes], count: int, digest: hashlib._Hash) -> IndexArrays:
    """Every array of the file; raises ValueError when the file ends too early."""

    def array(kind: str, length: int) -> np.ndarray:
        found = np.fromfile(stored, dtype=kind, count=length)
        if len(found) != length:
            raise ValueError("the file ends too early")
        digest.update(found.data)
        return found

    codes = array("<u8", count)
    orders = array("<u4", count), array("<u4", count)
    starts = [array("<u4", 2**bits + 1) for bits in key_bits(count)]
    return IndexArrays(codes=codes, orders=orders, starts=(starts[0], starts[1], starts[2]))


def _little(array: np.ndarray) -> np.ndarray:
    """The array in little-endian order of bytes, as the file holds it."""
    return np.ascontiguousarray(array, dtype=array.dtype.newbyteorder("<"))
