"""Finds the lines of a custody log that hold a word, through its index where that goes and by reading the rest.

Every line is read from the log and compared before it is given: the index only says which blocks cannot hold the word.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import rfc8785

from evidence.archive.custody_index import BlockContent, LogIndex, word_hash
from evidence.archive.custody_lines import STRING
from evidence.archive.custody_reading import lines_backwards, pieces, whole_lines


def lines_with(
    log: Path, index: LogIndex, words: Sequence[str], *, end: int | None = None, newest: bool = False
) -> Iterator[bytes]:
    """The whole lines before byte `end` that hold one of these words as a whole JSON string, without their line feeds.

    In order, or from the newest to the first. Reads no more than is taken; uses the same memory for a log of any length.
    """
    if not log.exists():
        return
    quoted = [rfc8785.dumps(word) for word in words]
    limit = whole_lines(log) if end is None else end
    for start, stop in _places(log, index, words, limit, newest=newest):
        found = _lines_in(log, start, stop, quoted)
        yield from reversed(found) if newest else found


def lines_but(
    log: Path, index: LogIndex, skip: Callable[[BlockContent], bool], end: int | None = None
) -> Iterator[bytes]:
    """The whole lines before byte `end` from the newest to the first, but for the blocks that `skip` chooses."""
    if not log.exists():
        return
    limit = whole_lines(log) if end is None else end
    blocks = [block for block in index.blocks() if block.end <= limit]
    yield from lines_backwards(log, limit, blocks[-1].end if blocks else 0)
    for content in index.contents(reversed(blocks)):
        if not skip(content):
            yield from lines_backwards(log, content.block.end, content.block.start)


def _places(
    log: Path, index: LogIndex, words: Sequence[str], limit: int, *, newest: bool
) -> Iterator[tuple[int, int]]:
    """Bytes of the log, from and to, that may hold one of the words."""
    hashes = [word_hash(word) for word in words]
    blocks = [block for block in index.blocks() if block.end <= limit]
    rest = list(pieces(log, blocks[-1].end if blocks else 0, limit))
    if newest:
        yield from reversed(rest)
        blocks.reverse()
    for content in index.contents(blocks):
        if content.may_hold(hashes):
            yield content.block.start, content.block.end
    if not newest:
        yield from rest


def _lines_in(log: Path, start: int, stop: int, quoted: Sequence[bytes]) -> list[bytes]:
    """The lines between these bytes that hold one of these strings, in order."""
    with log.open("rb") as handle:
        handle.seek(start)
        text = handle.read(stop - start)
    begins: set[int] = set()
    for one in quoted:
        at = text.find(one)
        while at >= 0:
            begins.add(text.rfind(b"\n", 0, at) + 1)
            next_line = text.find(b"\n", at)
            at = text.find(one, next_line) if next_line >= 0 else -1
    lines = (text[begin : text.find(b"\n", begin)] for begin in sorted(begins))
    return [line for line in lines if _holds(line, quoted)]


def _holds(line: bytes, quoted: Sequence[bytes]) -> bool:
    """True when one of the JSON strings of the line is one of these, not only a piece of the line that looks like it."""
    strings = STRING.findall(line.decode("utf-8", "surrogateescape"))
    return any(one[1:-1].decode() in strings for one in quoted)
