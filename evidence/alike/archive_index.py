"""The index of one archive's hashes: kept in memory, read on from the catalog before each use, and saved as a file.

The catalog alone says which photos there are. The index holds every hash of it, and may for a while hold hashes of
photos that are gone; whoever uses it asks the catalog for the photos.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Protocol

import numpy as np

from evidence.alike.hash_index import Codes, HashIndex
from evidence.alike.index_file import StoredIndex, load_index, save_index
from evidence.disk.durable import discard

LEAST_SAVED = 20_000
"""Hashes from which a file is worth it: fewer are read from the catalog in some hundredths of a second."""
MOST_TAIL = 100_000
"""Hashes in the tail from which the index is built anew; comparing so many takes a tenth of a millisecond."""
MOST_KEPT = 20_000
"""Answers that are kept in memory: those of some twenty claims, turned and mirrored in eight ways."""
SAMPLES = 16
"""Hashes by which a file is compared with the catalog."""


class HashSource(Protocol):
    """The hashes of a catalog, each once with a number that rises and is never given twice."""

    def after(self, number: int) -> Iterator[tuple[int, list[str]]]:
        """The hashes of higher numbers in pieces: the last number of each, and its hashes of 16 hexadecimal digits."""
        ...

    def at(self, numbers: Collection[int]) -> Mapping[int, str]:
        """The hashes of these numbers, of those that there are."""
        ...

    def samples(self, last: int, many: int) -> Mapping[int, str]:
        """Up to `many` hashes with numbers up to `last`; the highest is among them."""
        ...

    def present(self, phashes: Collection[str]) -> set[str]:
        """Those of these hashes that some photo has."""
        ...


class ArchiveIndex:
    """Finds every hash of a catalog within a radius. For several threads at once."""

    def __init__(self, path: Path, source: HashSource) -> None:
        """The index of `source`; `path` is its file, which need not exist. Nothing is read before the first use."""
        self._path = path
        self._source = source
        self._lock = threading.Lock()
        self._index: HashIndex | None = None
        self._found: dict[tuple[str, int], dict[str, int]] = {}
        self._last = 0
        self._saved = 0
        """Number of the last hash that the file holds; 0 without a file."""

    def near(self, phashes: Iterable[str], radius: int) -> dict[str, dict[str, int]]:
        """For each of these hashes: every hash of the catalog within `radius` bits, and by how many it differs.

        Hashes are 16 hexadecimal digits. Exact: none within the radius is left out.
        """
        with self._lock:
            index = self._current()
            return {phash: self._near(index, phash, radius) for phash in phashes}

    def _near(self, index: HashIndex, phash: str, radius: int) -> dict[str, int]:
        """What is near one hash; kept until the index changes, because a claim's pages ask for the same again."""
        if (kept := self._found.get((phash, radius))) is not None:
            return kept
        hits = index.near(int(phash, 16), radius)
        pairs = zip(hits.codes.tolist(), hits.bits.tolist(), strict=True)
        found = {f"{code:016x}": bits for code, bits in pairs}
        if len(self._found) >= MOST_KEPT:
            self._found.clear()
        self._found[phash, radius] = found
        return found

    def save(self) -> None:
        """Write the file if there are many hashes that it does not hold; a disk that refuses it is left alone."""
        with self._lock:
            index = self._current()
            unsaved = len(index.tail) if self._saved else len(index)
            if unsaved >= LEAST_SAVED or (index.removed and self._saved):
                self._save(index)

    def drop_unused(self, phashes: Collection[str]) -> None:
        """Remove those of these hashes that no photo of the catalog has any more, from the file too: after a purge."""
        with self._lock:
            index = self._current()
            unused = set(phashes) - self._source.present(phashes)
            index.remove(_codes(sorted(unused)))
            self._found.clear()
            if not self._path.exists():
                return
            if len(index) >= LEAST_SAVED:
                self._save(index)
            else:
                self._discard()

    def discard(self) -> None:
        """Forget everything and delete the file: the catalog is another one."""
        with self._lock:
            self._index = None
            self._found.clear()
            self._discard()

    def _current(self) -> HashIndex:
        """The index with every hash that the catalog has now."""
        index = self._index
        if index is None:
            index = self._stored()
        if index is None:
            index = self._built()
        for number, phashes in self._source.after(self._last):
            index.add(_codes(phashes))
            self._last = number
            self._found.clear()
        if len(index.tail) > MOST_TAIL:
            index = HashIndex(arrays=index.compacted())
        self._index = index
        return index

    def _stored(self) -> HashIndex | None:
        """The index of the file; None when there is none, or it belongs to another state of the catalog."""
        stored = load_index(self._path)
        if stored is None or not self._fits(stored):
            return None
        self._last = self._saved = stored.last
        return stored.index

    def _fits(self, stored: StoredIndex) -> bool:
        found = self._source.at(stored.samples)
        return bool(stored.samples) and stored.samples == {
            number: int(phash, 16) for number, phash in found.items()
        }

    def _built(self) -> HashIndex:
        """An index of every hash of the catalog."""
        pieces = []
        self._last = self._saved = 0
        for number, phashes in self._source.after(0):
            pieces.append(_codes(phashes))
            self._last = number
        return HashIndex(np.concatenate(pieces) if pieces else ())

    def _save(self, index: HashIndex) -> None:
        arrays = index.compacted()
        samples = {
            number: int(phash, 16) for number, phash in self._source.samples(self._last, SAMPLES).items()
        }
        self._index = HashIndex(arrays=arrays)
        with contextlib.suppress(OSError):
            save_index(self._path, arrays, last=self._last, samples=samples)
            self._saved = self._last
            return
        self._discard()

    def _discard(self) -> None:
        self._saved = 0
        discard(self._path)


def _codes(phashes: Sequence[str]) -> Codes:
    """The numbers behind hashes of 16 hexadecimal digits, shape (n,)."""
    digits = bytes.fromhex("".join(phashes))
    return np.frombuffer(digits, dtype=">u8").astype(np.uint64)
