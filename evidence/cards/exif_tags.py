"""Reads the tags of an EXIF block with a fixed budget of reads and bytes, which bounds time and memory for every file."""

from __future__ import annotations

import io
import logging
import os
import struct
from collections.abc import Mapping
from typing import Any, BinaryIO, Protocol

import exifread

logging.getLogger("exifread").setLevel(logging.CRITICAL)  # its warnings are flags of ours

READS = 20_000
"""Reads allowed for one file. Files of twenty cameras needed 120 to 800."""
BYTES = 32 << 20
"""Bytes that may be read of one file. The same files needed 14 KiB at most; raw files need more."""

Tags = Mapping[str, object]
"""`Image Make`, `EXIF DateTimeOriginal`, `GPS GPSLatitude`: values by tag name, as the library gives them."""


class BudgetError(Exception):
    """A file needs more reads or bytes than allowed."""


class Window:
    """A part of a file, read-only, with a budget of reads and bytes."""

    def __init__(self, handle: BinaryIO, start: int = 0, length: int | None = None) -> None:
        self._handle = handle
        self._start = start
        self._length = (os.fstat(handle.fileno()).st_size if length is None else length + start) - start
        self._position = 0
        self._reads = READS
        self._bytes = BYTES

    def read(self, size: int | None = -1, /) -> bytes:
        """Up to `size` bytes of the window. Raises BudgetError."""
        rest = max(self._length - self._position, 0)
        wanted = rest if size is None or size < 0 else min(size, rest)
        self._reads -= 1
        self._bytes -= wanted
        if self._reads < 0 or self._bytes < 0:
            raise BudgetError
        self._handle.seek(self._start + self._position)
        data = self._handle.read(wanted)
        self._position += len(data)
        return data

    def seek(self, offset: int, whence: int = os.SEEK_SET, /) -> int:
        """Move. Raises ValueError before the beginning; behind the end, reads return nothing."""
        base = {os.SEEK_SET: 0, os.SEEK_CUR: self._position, os.SEEK_END: self._length}[whence]
        if base + offset < 0:
            raise ValueError("seek before the beginning")
        self._position = base + offset
        return self._position

    def tell(self) -> int:
        """Where the next read begins."""
        return self._position


class _Readable(Protocol):
    def read(self, size: int | None = -1, /) -> bytes: ...
    def seek(self, offset: int, whence: int = 0, /) -> int: ...
    def tell(self) -> int: ...


class _Counted:
    """Bytes in memory with the same budget of reads as a window on a file."""

    def __init__(self, inner: io.BytesIO) -> None:
        self._inner = inner
        self._reads = READS

    def read(self, size: int | None = -1, /) -> bytes:
        self._reads -= 1
        if self._reads < 0:
            raise BudgetError
        return self._inner.read(size)

    def seek(self, offset: int, whence: int = 0, /) -> int:
        return self._inner.seek(offset, whence)

    def tell(self) -> int:
        return self._inner.tell()


def _process(source: io.BytesIO | Window) -> tuple[dict[str, Any], bool]:
    """The tags found by the library, and whether it failed."""
    readable: _Readable = _Counted(source) if isinstance(source, io.BytesIO) else source
    try:
        found = exifread.process_file(readable, details=False, extract_thumbnail=False)  # type: ignore[arg-type]
        return {name: tag for name, tag in found.items() if hasattr(tag, "values")}, False
    except Exception:  # the library raises many kinds of errors for damaged files
        return {}, True


def tags_of(source: io.BytesIO | Window) -> tuple[dict[str, object], bool]:
    """The values of all tags by name, and True when the directories are broken."""
    found, broken = _process(source)
    return {name: tag.values for name, tag in found.items()}, broken


def numbered(source: io.BytesIO) -> tuple[dict[int, tuple[str, object]], bool]:
    """The first directory by tag number, each with the library's name for it."""
    found, broken = _process(source)
    return {tag.tag: (name.partition(" ")[2], tag.values) for name, tag in found.items()}, broken


def first(tags: Tags, name: str) -> object:
    """The first value of a tag, or None."""
    value = tags.get(name)
    return value[0] if isinstance(value, list) and value else None


WIDTH, LENGTH, STRIP, STRIP_BYTES = 256, 257, 273, 279
"""ImageWidth, ImageLength, StripOffsets, StripByteCounts (TIFF 6.0, section 8)."""


def directory(window: Window, at: int | None) -> dict[int, int]:
    """The single numbers of the directory at an offset, None for the first, by tag; empty when it cannot be read."""
    try:
        order = "<" if window.read(2) == b"II" else ">"
        if at is None:
            window.seek(4)
            (at,) = struct.unpack(f"{order}I", window.read(4))
        window.seek(at)
        (count,) = struct.unpack(f"{order}H", window.read(2))
        table = window.read(12 * min(count, 512))
    except (struct.error, ValueError, BudgetError):
        return {}
    found: dict[int, int] = {}
    for tag, kind, values, value in struct.iter_unpack(f"{order}HHI4s", table[: len(table) // 12 * 12]):
        if values == 1 and kind in {3, 4}:
            found[tag] = struct.unpack(f"{order}H2x" if kind == 3 else f"{order}I", value)[0]
    return found
