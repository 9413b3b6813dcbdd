"""Finds the camera data and the sizes in a HEIF file (HEIC, AVIF), without a decoder: a damaged file can end its process.

The file is a row of boxes (ISO/IEC 14496-12): a length of four bytes, a name, the content. The box `meta` lists the
file's items: `iinf` what each is, `iloc` where its bytes are (8.11.6 and 8.11.3). Each is looked at a bounded number of times.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

META = 1 << 20
"""Bytes of the list of items that are read; phones need a few thousand."""
EXIF_AT_MOST = 4 << 20
"""Bytes of camera data that are read."""
BOXES = 4_096
"""Boxes or items looked at in one list."""
EXTENTS = 64
"""Pieces in which the camera data may lie; all files seen had one."""
SIZES = 64
"""Sizes read from one file: a picture, its tiles, its thumbnail and its depth map have a handful."""


class Content(Protocol):
    """A file's bytes, read in slices."""

    def __len__(self) -> int: ...
    def __getitem__(self, part: slice, /) -> bytes: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Heif:
    """What the list of items says. Both are empty where it cannot be read."""

    tiff: bytes
    """The camera data, from their TIFF header on."""
    sizes: tuple[tuple[int, int], ...]
    """Width and height of the picture, its tiles and its thumbnail, as stored: before any turn."""


def read_heif(content: Content) -> Heif:
    """Read the list of items; raises nothing for a damaged file."""
    try:
        meta = dict(reversed(list(_boxes(content, 0, len(content))))).get(b"meta")
        if meta is None:
            return Heif(tiff=b"", sizes=())
        raw = content[meta[0] : min(meta[1], meta[0] + META)]
        inside = dict(reversed(list(_boxes(raw, 4, len(raw)))))
        return Heif(tiff=_tiff(content, raw, inside), sizes=tuple(_sizes(raw)))
    except (struct.error, IndexError):
        return Heif(tiff=b"", sizes=())


_Span = tuple[int, int]


def _boxes(content: Content, at: int, end: int) -> Iterator[tuple[bytes, _Span]]:
    """The name of each box, and where its content begins and ends."""
    for _ in range(BOXES):
        head = content[at : min(at + 16, end)]
        if len(head) < 8:
            return
        size, begins = int.from_bytes(head[:4], "big"), at + 8
        if size == 1:
            size, begins = int.from_bytes(head[8:16], "big"), at + 16
        elif size == 0:  # to the end
            size = end - at
        if size < begins - at:
            return
        yield head[4:8], (begins, min(at + size, end))
        at += size


def _sizes(raw: bytes) -> Iterator[tuple[int, int]]:
    """The `ispe` boxes (ISO/IEC 23008-12, 6.5.3): the length 20, the name, a version, width and height."""
    at = raw.find(b"\0\0\0\x14ispe\0\0\0\0")
    for _ in range(SIZES):
        if at < 0 or at + 20 > len(raw):
            return
        yield struct.unpack(">II", raw[at + 12 : at + 20])
        at = raw.find(b"\0\0\0\x14ispe\0\0\0\0", at + 12)


def _tiff(content: Content, raw: bytes, inside: dict[bytes, _Span]) -> bytes:
    item = _exif_item(raw, inside.get(b"iinf", (0, 0)))
    if item is None or b"iloc" not in inside:
        return b""
    method, pieces = _places(raw, inside[b"iloc"], item)
    begins = inside.get(b"idat", (0, 0))[0]
    whole: Content = raw if method == 1 else content  # method 1: in the box `idat` beside the list
    shift = begins if method == 1 else 0
    if method > 1:
        return b""
    data = b"".join(
        whole[shift + at : shift + at + (min(size, EXIF_AT_MOST) or EXIF_AT_MOST)] for at, size in pieces
    )[:EXIF_AT_MOST]
    (offset,) = struct.unpack(">I", data[:4])  # ISO/IEC 23008-12, A.2.1: from here to the TIFF header
    for start in (4 + offset, *(data.find(mark, 0, 256) for mark in (b"II*\0", b"MM\0*"))):
        if start >= 4 and data[start : start + 4] in {b"II*\0", b"MM\0*"}:
            return data[start:]
    return b""


def _exif_item(raw: bytes, span: _Span) -> int | None:
    """The number of the item with the camera data."""
    at, end = span
    if end - at < 6:
        return None
    for name, (begins, ends) in _boxes(raw, at + (6 if raw[at] == 0 else 8), end):
        if name != b"infe" or ends - begins < 12:
            continue
        number, form = (">H", 2) if raw[begins] == 2 else (">I", 4)
        kind = begins + 4 + form + 2
        if raw[kind : kind + 4] == b"Exif":
            (found,) = struct.unpack(number, raw[begins + 4 : begins + 4 + form])
            return int(found)
    return None


def _places(raw: bytes, span: _Span, item: int) -> tuple[int, list[tuple[int, int]]]:
    """How the bytes of an item are stored, and where: offsets and lengths."""
    at, end = span
    version, sizes = raw[at], raw[at + 4 : at + 6]
    of_offset, of_length, of_base = sizes[0] >> 4, sizes[0] & 15, sizes[1] >> 4
    of_index = sizes[1] & 15 if version else 0
    of_number = 4 if version == 2 else 2
    count = int.from_bytes(raw[at + 6 : at + 6 + of_number], "big")
    at += 6 + of_number
    for _ in range(min(count, BOXES)):
        number = int.from_bytes(raw[at : at + of_number], "big")
        at += of_number
        method = int.from_bytes(raw[at : at + 2], "big") & 15 if version else 0
        at += (2 if version else 0) + 2
        base = int.from_bytes(raw[at : at + of_base], "big")
        at += of_base
        extents = int.from_bytes(raw[at : at + 2], "big")
        at += 2
        one = of_index + of_offset + of_length
        if number == item:
            starts = [at + of_index + one * place for place in range(min(extents, EXTENTS))]
            return method, [
                (
                    base + int.from_bytes(raw[start : start + of_offset], "big"),
                    int.from_bytes(raw[start + of_offset : start + of_offset + of_length], "big"),
                )
                for start in starts
            ]
        at += one * extents
        if at >= end:
            break
    return 2, []
