"""Reads parts of the custody log: the place of an entry, and the lines from the newest to the oldest. Verifies nothing."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path

_SCANNED = 1 << 16
"""Bytes of the log that are read line by line when looking for an entry."""
_BLOCK = 1 << 16
"""Bytes read at a time from the end."""
_PIECE = 1 << 20
"""Bytes searched at a time."""


def offset_of(path: Path, seq: int) -> int | None:
    """The first byte of entry `seq`; None when the log has no such entry.

    Reads about twenty lines of a log of a million entries: entries are in order, so their place is found by halving.
    """
    if seq < 1 or not path.exists():
        return None
    low, high = 0, path.stat().st_size
    with path.open("rb") as handle:
        while high - low > _SCANNED:
            middle = (low + high) // 2
            handle.seek(middle)
            handle.readline()  # the rest of a line that begins before
            start = handle.tell()
            number = _seq_of(handle.readline()) if start < high else None
            if number is None or number > seq:
                high = middle
            else:
                low = start
        handle.seek(low)
        start = low
        for line in handle:
            number = _seq_of(line)
            if number is None or number >= seq:
                return start if number == seq else None
            start += len(line)
    return None


def line_at(path: Path, offset: int) -> bytes:
    """The line that begins there, without its line feed."""
    with path.open("rb") as handle:
        handle.seek(offset)
        return handle.readline().removesuffix(b"\n")


def line_before(path: Path, end: int) -> bytes | None:
    """The whole line whose line feed is the byte before `end`, without it; None when there is none."""
    try:
        if not 0 < end <= path.stat().st_size:
            return None
    except OSError:
        return None
    with path.open("rb") as handle:
        handle.seek(end - 1)
        if handle.read(1) != b"\n":
            return None
    return next(lines_backwards(path, end), None)


def whole_lines(path: Path) -> int:
    """Bytes of a log up to the end of its last whole line. Raises OSError."""
    end = path.stat().st_size
    with path.open("rb") as handle:
        while end:
            start = max(0, end - _BLOCK)
            handle.seek(start)
            found = handle.read(end - start).rfind(b"\n")
            if found >= 0:
                return start + found + 1
            end = start
    return 0


def pieces(path: Path, start: int, end: int) -> Iterator[tuple[int, int]]:
    """The bytes from `start` to `end`, both ends of lines, in pieces of whole lines: first byte and the byte after each."""
    with path.open("rb") as handle:
        while start < end:
            cut = min(start + _PIECE, end)
            if cut < end:
                handle.seek(cut)
                handle.readline()
                cut = min(handle.tell(), end)
            yield start, cut
            start = cut


def lines_backwards(path: Path, end: int | None = None, start: int = 0) -> Iterator[bytes]:
    """Whole lines from byte `start` to `end`, the last first, without their line feeds; a torn last line is left out.

    Reads no more of the file than is taken.
    """
    if not path.exists():
        return
    with path.open("rb") as handle:
        at = handle.seek(0, os.SEEK_END) if end is None else end
        rest, ends = b"", False  # the part of a line that was read, and whether its line feed was
        while at > start:
            size = min(_BLOCK, at - start)
            at -= size
            handle.seek(at)
            rest, *lines = (handle.read(size) + rest).split(b"\n")
            if lines and not ends:
                lines.pop()  # what follows the last line feed: nothing, or a torn line
                ends = True
            yield from reversed(lines)
        if ends:
            yield rest


def _seq_of(line: bytes) -> int | None:
    """The number of the entry in a whole line, unverified; None for another line."""
    try:
        number = json.loads(line)["seq"]
    except (ValueError, KeyError, TypeError):
        return None
    return number if isinstance(number, int) and line.endswith(b"\n") else None
