"""The index of the custody log: which of its blocks hold a word, when they were written, and their Merkle roots.

It is a file beside the log that may be deleted: everything in it is made from the log, and whatever is found through it
is read from the log and compared again. A part that is damaged, or of another log, is thrown away and made anew.

The file is a first line and one record for each block of `BLOCK` entries. A record is a header with its CRC-32, the
times (64 bits, microseconds since 1970) of the entries that begin another hour than the entry before, and the CRC-32 of
every JSON string in the block, folded to lower case, sorted. A file of another byte order counts as damaged.
"""

from __future__ import annotations

import contextlib
import os
import struct
import sys
import threading
import zlib
from array import array
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import islice
from pathlib import Path
from typing import IO

import rfc8785
from filelock import FileLock, Timeout

from evidence.archive.custody_lines import (
    GENESIS,
    HOUR,
    STRING,
    action_and_time,
    line_digest,
    parse_line,
)
from evidence.archive.custody_reading import line_before
from evidence.archive.merkle import merkle_root
from evidence.disk.durable import discard
from evidence.disk.modes import FILE
from evidence.model import Sha256

BLOCK = 1024
"""Entries of one block, a power of two: then its Merkle root is a node of the log's tree (RFC 9162, section 2.1)."""
MOST_AT_ONCE = 16
"""Blocks that one search adds to the index, about a tenth of a second; the rest of a long log is searched as it is."""
LEAST_BYTES = 150
"""Bytes of a line of the log at least."""

_FIRST_LINE = f"custody-index 1 {sys.byteorder}\n".encode()
_HEADER = struct.Struct("=QQ32s32sqqIII")
_CRC = struct.Struct("=I")
_HEAD_SIZE = _HEADER.size + _CRC.size
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Block:
    """`BLOCK` entries of the log, without their words and times."""

    number: int
    """From 0: its entries are `number * BLOCK + 1` and the following."""
    start: int
    """First byte in the log."""
    end: int
    """The byte after its last line feed."""
    last: Sha256
    """Digest of its last line."""
    root: bytes
    """Merkle root over its lines."""
    earliest: datetime
    """Aware, UTC, as `latest`."""
    latest: datetime
    at: int
    """Where its record begins in the file of the index."""
    times: int
    words: int
    crc: int
    """CRC-32 of its times and words."""

    @property
    def first_seq(self) -> int:
        """Number of its first entry."""
        return self.number * BLOCK + 1

    @property
    def next_at(self) -> int:
        """Where the next record begins."""
        return self.at + _HEAD_SIZE + 8 * self.times + 4 * self.words


@dataclass(frozen=True, slots=True)
class BlockContent:
    """What the index knows of a block."""

    block: Block
    words: Sequence[int] | None
    """None when that part of the index is damaged: then the block may hold anything."""
    times: Sequence[int]

    @property
    def hours(self) -> list[datetime]:
        """The times of the entries that begin another hour than the entry before, and of the first, aware, UTC."""
        return [_EPOCH + timedelta(microseconds=one) for one in self.times]

    def may_hold(self, hashes: Iterable[int]) -> bool:
        """False when no line of the block holds a string of one of these `word_hash`es, in any case of letters."""
        words = self.words
        if words is None:
            return True
        for one in hashes:
            at = bisect_left(words, one)
            if at < len(words) and words[at] == one:
                return True
        return False


def word_hash(word: str) -> int:
    """How the index keeps a string: the CRC-32 of its JSON, folded to lower case."""
    return zlib.crc32(rfc8785.dumps(word)[1:-1].decode().casefold().encode())


class LogIndex:
    """The index of one log. For several threads at once; one process at a time writes it."""

    def __init__(self, log: Path) -> None:
        """The index of the log at `log`; nothing is read before the first use."""
        self.path = log.with_name(f"{log.name}.index")
        self._log = log
        self._lock = threading.RLock()
        self._blocks: list[Block] = []
        self._known: tuple[int, int] | None = None
        """Number and size of the file as it was read last."""

    def blocks(self, *, most_new: int = MOST_AT_ONCE) -> tuple[Block, ...]:
        """The blocks of the log from its beginning, each following on from the one before, up to where the index goes.

        Adds up to `most_new` blocks first. Without a disk that can be written there are few or none; what they do not
        cover has to be read from the log.
        """
        with self._lock:
            self._load()
            if self._blocks and not self._fits(self._blocks[-1]):
                self._drop(0)
            self._extend(most_new)
            return tuple(self._blocks)

    def contents(self, blocks: Iterable[Block]) -> Iterator[BlockContent]:
        """What the index knows of these blocks, in their order. A damaged part is dropped, to be made anew later."""
        with contextlib.ExitStack() as closing:
            try:
                handle: IO[bytes] | None = closing.enter_context(self.path.open("rb"))
            except OSError:
                handle = None
            for block in blocks:
                content = _content(handle, block) if handle else None
                if content is None:
                    self._drop(block.at)
                yield content or BlockContent(block, None, ())

    def make_anew(self) -> None:
        """Make the whole index from the log, in place of what is there; nothing on a disk that cannot be written."""
        if not _may_have_block(self._log, None) and not self.path.exists():
            return
        with self._lock, contextlib.suppress(OSError, Timeout), self._alone():
            part = self.path.with_name(f"{self.path.name}.part")
            number = 0
            try:
                with open(part, "wb", opener=_private) as out:
                    out.write(_FIRST_LINE)
                    for record in _records(self._log, None):
                        out.write(record)
                        number += 1
                self._forget()
                if number:
                    part.replace(self.path)
                else:
                    self.path.unlink(missing_ok=True)
            finally:
                discard(part)

    def _fits(self, block: Block) -> bool:
        """True when the log has the last line of the block where it was: its digest covers all lines before it."""
        line = line_before(self._log, block.end)
        return line is not None and line_digest(line) == block.last

    # --- the file ---

    def _load(self) -> None:
        """Read the headers that the file got since it was read last; a damaged one ends it."""
        try:
            with self.path.open("rb") as handle:
                stat = os.fstat(handle.fileno())
                if self._known == (stat.st_ino, stat.st_size):
                    return
                if self._known is None or self._known[0] != stat.st_ino or stat.st_size < self._good():
                    self._forget()
                self._known = (stat.st_ino, stat.st_size)
                if handle.read(len(_FIRST_LINE)) == _FIRST_LINE:
                    while block := _next_block(
                        handle, self._blocks[-1] if self._blocks else None, stat.st_size
                    ):
                        self._blocks.append(block)
        except OSError:
            self._forget()

    def _good(self) -> int:
        """The byte after the last good record; 0 without one."""
        return self._blocks[-1].next_at if self._blocks else 0

    def _forget(self) -> None:
        self._blocks, self._known = [], None

    def _drop(self, at: int) -> None:
        """Take the records from byte `at` away, all of them for 0."""
        with self._lock:
            kept = [block for block in self._blocks if block.at < at]
            self._forget()
            with contextlib.suppress(OSError, Timeout), self._alone():
                if kept:
                    os.truncate(self.path, kept[-1].next_at)
                else:
                    self.path.unlink(missing_ok=True)

    @contextlib.contextmanager
    def _alone(self) -> Iterator[None]:
        """Hold the lock of the file. Raises Timeout at once when another process writes it; OSError."""
        with FileLock(self.path.with_name(f"{self.path.name}.lock"), timeout=0, mode=FILE):
            yield

    def _extend(self, most: int) -> None:
        """Add blocks that the log has and the index has not, if the disk can be written."""
        before = self._blocks[-1] if self._blocks else None
        if most < 1 or not _may_have_block(self._log, before):
            return
        new = list(islice(_records(self._log, before), most))
        if new:
            with contextlib.suppress(OSError, Timeout), self._alone():
                self._append(b"".join(new))
            self._load()

    def _append(self, records: bytes) -> None:
        """Write records behind the good ones; what is damaged there goes. Nothing if another process added meanwhile."""
        good = self._good()
        with open(self.path, "ab", opener=_private) as out:
            size = out.seek(0, os.SEEK_END)
            if size != good and size != (self._known[1] if self._known else 0):
                return
            out.truncate(good)
            out.write(records if good else _FIRST_LINE + records)
        if self._known:
            self._known = self._known[0], -1


def _private(path: str, flags: int) -> int:
    return os.open(path, flags, FILE)


def _next_block(handle: IO[bytes], before: Block | None, size: int) -> Block | None:
    """The header of the record after `before`; None when there is no whole and sound one."""
    at = before.next_at if before else len(_FIRST_LINE)
    handle.seek(at)
    head = handle.read(_HEAD_SIZE)
    if len(head) < _HEAD_SIZE or _CRC.unpack_from(head, _HEADER.size)[0] != zlib.crc32(head[: _HEADER.size]):
        return None
    start, end, last, root, earliest, latest, times, words, crc = _HEADER.unpack_from(head)
    block = Block(
        number=before.number + 1 if before else 0,
        start=start,
        end=end,
        last=Sha256(last.hex()),
        root=root,
        earliest=_EPOCH + timedelta(microseconds=earliest),
        latest=_EPOCH + timedelta(microseconds=latest),
        at=at,
        times=times,
        words=words,
        crc=crc,
    )
    follows = block.start == (before.end if before else 0) < block.end
    return block if follows and block.next_at <= size else None


def _content(handle: IO[bytes], block: Block) -> BlockContent | None:
    """The times and words of a block; None when they are damaged."""
    handle.seek(block.at + _HEAD_SIZE)
    body = handle.read(8 * block.times + 4 * block.words)
    if len(body) < 8 * block.times + 4 * block.words or zlib.crc32(body) != block.crc:
        return None
    middle = 8 * block.times
    return BlockContent(block, memoryview(body)[middle:].cast("I"), memoryview(body)[:middle].cast("q"))


# --- made from the log -------------------------------------------------------------------


def _may_have_block(log: Path, before: Block | None) -> bool:
    """False when what follows is too short for a block."""
    try:
        return log.stat().st_size - (before.end if before else 0) >= BLOCK * LEAST_BYTES
    except OSError:
        return False


def _records(log: Path, before: Block | None) -> Iterator[bytes]:
    """The records of the whole blocks after `before`. Ends at the first line that does not continue the log."""
    try:
        handle = log.open("rb")
    except OSError:
        return
    with handle:
        start, number, prev = (before.end, before.number + 1, before.last) if before else (0, 0, GENESIS)
        handle.seek(start)
        while True:
            lines = list(islice(handle, BLOCK))
            if len(lines) < BLOCK or not lines[-1].endswith(b"\n"):
                return
            record = _record(lines, start, number, prev)
            if record is None:
                return
            yield record
            start += sum(map(len, lines))
            prev, number = line_digest(lines[-1][:-1]), number + 1


def _record(lines: Sequence[bytes], start: int, number: int, prev: Sha256) -> bytes | None:
    """The record of a block; None when its lines are not the entries of that block."""
    first, _ = parse_line(lines[0][:-1])
    last, _ = parse_line(lines[-1][:-1])
    seqs = (number * BLOCK + 1, (number + 1) * BLOCK)
    if first is None or last is None or (first.seq, last.seq) != seqs or first.prev != prev:
        return None
    found = [action_and_time(line) for line in lines]
    written = [one[1].decode() for one in found if one]
    try:
        text = b"".join(lines).decode()
        moments = {one: _microseconds(datetime.fromisoformat(one)) for one in set(written)}
    except ValueError:
        return None
    if len(written) < BLOCK:
        return None
    before = ["", *written[:-1]]
    times = array("q", [moments[b] for a, b in zip(before, written, strict=True) if a[:HOUR] != b[:HOUR]])
    strings = set(STRING.findall(text.casefold()))
    words = array("I", sorted({zlib.crc32(one.encode()) for one in strings}))
    body = times.tobytes() + words.tobytes()
    head = _HEADER.pack(
        start,
        start + sum(map(len, lines)),
        bytes.fromhex(last.sha256),
        merkle_root(line[:-1] for line in lines),
        min(moments.values()),
        max(moments.values()),
        len(times),
        len(words),
        zlib.crc32(body),
    )
    return head + _CRC.pack(zlib.crc32(head)) + body


def _microseconds(at: datetime) -> int:
    return (at - _EPOCH) // timedelta(microseconds=1)
