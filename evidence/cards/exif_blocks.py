"""Finds the EXIF block in a file and reads its tags, whatever the bytes are.

Files from cards are not trusted: an offset may point anywhere, a directory at itself. The
libraries therefore read through a window with a fixed budget of reads and bytes, which bounds
time and memory for every file.
"""

from __future__ import annotations

import io
import mmap
import os
import struct
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import BinaryIO, Protocol

from PIL import Image, JpegImagePlugin, PngImagePlugin, WebPImagePlugin

from evidence.cards.exif_tags import (
    LENGTH,
    STRIP,
    STRIP_BYTES,
    WIDTH,
    Tags,
    Window,
    directory,
    first,
    numbered,
    tags_of,
)
from evidence.cards.heif import read_heif

_READERS = (JpegImagePlugin, PngImagePlugin, WebPImagePlugin)
"""Imported so that they are registered: the formats below must be known before a file is opened."""

PIXELS_AT_MOST = 500_000_000
"""Pixels above which a header counts as wrong; the largest sensors on sale have about 150 million."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Blocks:
    """The structure of a file: its tags, size and defects, not yet interpreted."""

    tags: Tags = field(default_factory=dict)
    width: int | None = None
    """Pixels as stored, from the picture's header."""
    height: int | None = None
    is_image: bool = True
    """False when the file does not begin like a picture."""
    truncated: bool = False
    """True when the file ends before its picture does."""
    tags_broken: bool = False
    header_broken: bool = False
    too_large: bool = False


class _Mapped(Protocol):
    """A file's bytes, searched without reading them all."""

    def __len__(self) -> int: ...
    def __getitem__(self, part: slice, /) -> bytes: ...
    def find(self, sub: bytes, start: int = ..., end: int = ..., /) -> int: ...
    def rfind(self, sub: bytes, start: int = ..., end: int = ..., /) -> int: ...


def read_blocks(path: Path) -> Blocks:
    """Read a picture's structure. Raises OSError only; defects are in the result."""
    with path.open("rb") as handle, _mapped(handle) as content:
        head = content[0:16]
        if head.startswith(b"\xff\xd8"):
            return _jpeg(handle, content)
        if head[4:8] == b"ftyp":
            return _cr3(content) if head[8:12] == b"crx " else _heif(content)
        if head.startswith(b"FUJIFILMCCD-RAW") and len(content) >= 92:
            return _raf(content)
        if head[:2] in {b"II", b"MM"}:
            return _tiff(handle)
        if head.startswith(b"\x89PNG\r\n\x1a\n"):
            tags, broken = tags_of(Window(handle))
            whole = content.rfind(b"IEND") >= 0
            return _with_size(handle, Blocks(tags=tags, tags_broken=broken, truncated=not whole))
        if head.startswith(b"RIFF") and head[8:12] == b"WEBP":
            return _webp(handle, content)
        return Blocks(is_image=False)


def media_is_truncated(path: Path) -> bool:
    """True when an ISO base media file (MOV, MP4, M4V, M4A) ends inside a box. Raises OSError."""
    with path.open("rb") as handle, _mapped(handle) as content:
        return content[4:8] in {b"ftyp", b"moov", b"mdat", b"wide", b"free"} and _boxes_run_over(content)


@contextmanager
def _mapped(handle: BinaryIO) -> Iterator[_Mapped]:
    if os.fstat(handle.fileno()).st_size == 0:
        yield b""
        return
    with mmap.mmap(handle.fileno(), 0, access=mmap.ACCESS_READ) as content:
        yield content


# --- one kind of file each ---------------------------------------------------------------


def _jpeg(handle: BinaryIO, content: _Mapped) -> Blocks:
    block, scan = _jpeg_segments(content)
    # Inside a scan every FF is followed by 00 or a restart marker, so an FF D9 behind the
    # start of the scan is the end of the picture (ITU-T T.81, B.1.1.5 and B.2.1).
    truncated = scan is None or content.rfind(b"\xff\xd9", scan) < 0
    tags, broken = tags_of(io.BytesIO(block)) if block else ({}, False)
    return _with_size(handle, Blocks(tags=tags, tags_broken=broken, truncated=truncated))


def _jpeg_segments(content: _Mapped) -> tuple[bytes, int | None]:
    """The TIFF bytes of the Exif APP1 segment (empty when there is none), and where the scan starts."""
    block = b""
    at = 2
    for _ in range(2_000):
        at = content.find(b"\xff", at)
        if at < 0 or at + 4 > len(content):
            return block, None
        marker = content[at + 1 : at + 2][0]
        if marker in {0x00, 0xFF, 0x01} or 0xD0 <= marker <= 0xD8:
            at += 1 if marker == 0xFF else 2
            continue
        if marker == 0xDA:
            return block, at
        if marker == 0xD9:
            return block, None
        length = int.from_bytes(content[at + 2 : at + 4], "big")
        if marker == 0xE1 and not block and content[at + 4 : at + 10] in {b"Exif\0\0", b"Exif\0\xff"}:
            block = content[at + 10 : at + 2 + length]
        at += 2 + max(length, 2)
    return block, None


def _raf(content: _Mapped) -> Blocks:
    """A raw file that carries a JPEG with the camera's tags; its offset is at byte 84 (from memory)."""
    start, length = struct.unpack(">II", content[84:92])
    inner = content[start : start + min(length, 1 << 20)]
    block, _ = _jpeg_segments(inner) if inner.startswith(b"\xff\xd8") else (b"", None)
    tags, broken = tags_of(io.BytesIO(block)) if block else ({}, False)
    width, height = _largest([_pair(tags, "EXIF ExifImageWidth", "EXIF ExifImageLength")])
    return Blocks(
        tags=tags, tags_broken=broken, truncated=start + length > len(content), width=width, height=height
    )


_CR3_GPS = {
    1: "GPSLatitudeRef", 2: "GPSLatitude", 3: "GPSLongitudeRef", 4: "GPSLongitude", 5: "GPSAltitudeRef",
    6: "GPSAltitude", 7: "GPSTimeStamp", 9: "GPSStatus", 16: "GPSImgDirectionRef", 17: "GPSImgDirection",
    29: "GPSDate",
}  # fmt: skip


def _cr3(content: _Mapped) -> Blocks:
    """A raw file in ISO boxes; CMT1, CMT2 and CMT4 hold its main, EXIF and GPS directory (from memory)."""
    tags: dict[str, object] = {}
    broken = False
    for box, group in ((b"CMT1", "Image"), (b"CMT2", "EXIF"), (b"CMT4", "GPS")):
        at = content.find(box, 0, 1 << 20)
        if at < 4:
            continue
        size = int.from_bytes(content[at - 4 : at], "big")
        found, bad = numbered(io.BytesIO(content[at + 4 : at - 4 + min(size, 1 << 20)]))
        broken = broken or bad
        for number, (name, value) in found.items():
            tags[f"{group} {_CR3_GPS.get(number, name) if group == 'GPS' else name}"] = value
    width, height = _largest(
        [_pair(tags, "EXIF ExifImageWidth", "EXIF ExifImageLength"), _pair(tags, *_IFD_SIZE)]
    )
    return Blocks(
        tags=tags, tags_broken=broken, truncated=_boxes_run_over(content), width=width, height=height
    )


def _heif(content: _Mapped) -> Blocks:
    """HEIC, AVIF and similar files."""
    found = read_heif(content)
    tags, broken = tags_of(io.BytesIO(found.tiff)) if found.tiff else ({}, False)
    width, height = _largest(found.sizes)
    return _limited(
        Blocks(
            tags=tags,
            tags_broken=broken,
            truncated=_boxes_run_over(content),
            width=width,
            height=height,
            header_broken=width is None,
        )
    )


_IFD_SIZE = ("Image ImageWidth", "Image ImageLength")


def _tiff(handle: BinaryIO) -> Blocks:
    """TIFF, DNG and the raw files built like it: the largest picture in any directory."""
    tags, broken = tags_of(Window(handle))
    sizes = [_pair(tags, *_IFD_SIZE), _pair(tags, "EXIF ExifImageWidth", "EXIF ExifImageLength")]
    subs = tags.get("Image SubIFDs")
    places = [at for at in subs[:16] if isinstance(at, int)] if isinstance(subs, list) else []
    directories = [directory(Window(handle), at) for at in (None, *places)]
    sizes += [(d[WIDTH], d[LENGTH]) for d in directories if WIDTH in d and LENGTH in d]
    end = max((d.get(STRIP, 0) + d.get(STRIP_BYTES, 0) for d in directories), default=0)
    width, height = _largest(sizes)
    return _limited(
        Blocks(
            tags=tags,
            tags_broken=broken,
            width=width,
            height=height,
            header_broken=width is None,
            truncated=end > os.fstat(handle.fileno()).st_size,
        )
    )


def _webp(handle: BinaryIO, content: _Mapped) -> Blocks:
    """RIFF chunks (RFC 9649): a name, a length, that many bytes and one more to make them even."""
    block = b""
    at = 12
    for _ in range(2_000):
        head = content[at : at + 8]
        if len(head) < 8:
            break
        length = int.from_bytes(head[4:], "little")
        if head[:4] == b"EXIF":
            block = content[at + 8 : at + 8 + min(length, 1 << 20)]
            break
        at += 8 + length + length % 2
    block = block[6:] if block.startswith(b"Exif\0\0") else block  # some writers keep JPEG's prefix
    tags, broken = tags_of(io.BytesIO(block)) if block else ({}, False)
    truncated = int.from_bytes(content[4:8], "little") + 8 > len(content)
    return _with_size(handle, Blocks(tags=tags, tags_broken=broken, truncated=truncated))


# --- sizes -------------------------------------------------------------------------------


def _pair(tags: Tags, width: str, height: str) -> tuple[int, int] | None:
    found = first(tags, width), first(tags, height)
    return found if isinstance(found[0], int) and isinstance(found[1], int) else None  # type: ignore[return-value]


def _largest(sizes: Sequence[tuple[int, int] | None]) -> tuple[int, int] | tuple[None, None]:
    sound = [size for size in sizes if size and size[0] > 0 and size[1] > 0]
    return max(sound, key=lambda s: s[0] * s[1]) if sound else (None, None)


def _with_size(handle: BinaryIO, blocks: Blocks) -> Blocks:
    """`blocks` with the size from the picture's header; nothing is decoded."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # large is allowed; too large is handled below
            with Image.open(Window(handle), formats=("JPEG", "PNG", "WEBP")) as image:  # type: ignore[arg-type]
                width, height = image.size
    except Image.DecompressionBombError:
        return replace(blocks, too_large=True)
    except Exception:  # the library raises many kinds of errors for damaged files
        return replace(blocks, header_broken=True)
    return _limited(replace(blocks, width=width, height=height))


def _limited(blocks: Blocks) -> Blocks:
    if (blocks.width or 0) * (blocks.height or 0) > PIXELS_AT_MOST:
        return replace(blocks, width=None, height=None, too_large=True)
    return blocks


def _boxes_run_over(content: _Mapped) -> bool:
    """True when the last top-level box (ISO/IEC 14496-12, 4.2) is longer than the file, or cut in its head."""
    at = 0
    for _ in range(10_000):
        if at == len(content):
            return False
        head = content[at : at + 16]
        if len(head) < 8:
            return True
        size = int.from_bytes(head[:4], "big")
        if size == 0:  # to the end of the file
            return False
        if size == 1:
            size = int.from_bytes(head[8:16], "big")
        if size < 8:
            return True
        at += size
        if at > len(content):
            return True
    return False
