"""Cards, whole and faulty, for the tests: folders laid out as cameras do it, and readers that fail on cue."""

from __future__ import annotations

import contextlib
import errno
import io
import json
import os
import struct
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import piexif
import pytest
from PIL import Image

from evidence.model import Found, MediaKind

DCIM = "DCIM/100ABCDE"


def lay_out(root: Path, names: dict[str, bytes]) -> Path:
    """Write files below a folder, making the folders between; gives the root back."""
    for name, content in names.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return root


def a_card(root: Path) -> Path:
    """Twelve small files as a camera leaves them, with a doubled one, a note, and litter."""
    files = {f"{DCIM}/IMG_{n:04d}.JPG": bytes([n]) * (70_000 + n) for n in range(1, 8)}
    files[f"{DCIM}/IMG_0003.NEF"] = b"II*\0raw" * 5_000
    files[f"{DCIM}/IMG_0003.WAV"] = b"RIFFsound" * 100
    files["DCIM/101ABCDE/IMG_0001.JPG"] = bytes([2]) * 70_002  # the bytes of IMG_0002 once more
    files[f"{DCIM}/empty.jpg"] = b""
    files["notes.txt"] = b"gate code 12"
    files[".DS_Store"] = b"\0\0\0\1Bud1"
    files[f"{DCIM}/._IMG_0001.JPG"] = b"\x00\x05\x16\x07" + b"\0" * 4092
    return lay_out(root, files)


def found_for(root: Path, card_path: str) -> Found:
    """What the list says of one file on a card."""
    return Found(
        card_path=card_path,
        size=(root / card_path).stat().st_size,
        modified=datetime(2026, 3, 4, tzinfo=UTC),
        kind=MediaKind.PHOTO,
        dcf=None,
        object_key=f"file:{card_path}",
    )


def a_jpeg(
    zeroth: dict[int, object] | None = None,
    exif: dict[int, object] | None = None,
    gps: dict[int, object] | None = None,
    *,
    size: tuple[int, int] = (64, 48),
) -> bytes:
    """A small JPEG whose tags were written by piexif."""
    out = io.BytesIO()
    block = piexif.dump({"0th": zeroth or {}, "Exif": exif or {}, "GPS": gps or {}})
    Image.new("RGB", size, (90, 120, 60)).save(out, "JPEG", exif=block)
    return out.getvalue()


class FaultyCard:
    """An opener whose reads follow a script: `r` gives the next bytes, `E` fails as a pulled card does.

    Where the script ends, reading goes on as it should. `w` gives a byte that is wrong, as a
    failing reader does, `z` says that the file ends here, and `g` gives the next bytes while the
    file grows.
    """

    def __init__(self, script: str, *, step: int = 10_000) -> None:
        self._script = list(script)
        self._step = step
        self._grown = 0
        self._file: io.BufferedReader | None = None
        self.reads = 0

    def __call__(self, path: Path) -> FaultyCard:
        self._file = path.open("rb")
        return self

    def read(self, size: int, /) -> bytes:
        self.reads += 1
        assert self._file is not None
        letter = self._script.pop(0) if self._script else "r"
        if letter == "E":
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        if letter == "z":
            return b""
        data = self._file.read(min(size, self._step))
        if letter == "w":
            data = bytes([data[0] ^ 1]) + data[1:]
        if letter == "g":
            self._grown += 1
        return data

    def stamp(self) -> tuple[int, int]:
        assert self._file is not None
        now = os.fstat(self._file.fileno())
        return now.st_size + self._grown, now.st_mtime_ns

    def close(self) -> None:
        assert self._file is not None
        self._file.close()


def read_ledger(path: Path) -> tuple[dict[str, object], ...]:
    """The entries of a ledger, read with json alone; an incomplete last line is left out, any other fails."""
    *lines, tail = path.read_bytes().split(b"\n")
    entries = [json.loads(line) for line in lines]
    with contextlib.suppress(ValueError):
        entries.append(json.loads(tail))
    return tuple(entries)


def flip(path: Path, at: int = 1_000) -> None:
    """Change one bit of a read-only file."""
    path.chmod(0o644)
    with path.open("r+b") as handle:
        handle.seek(at)
        byte = handle.read(1)[0]
        handle.seek(at)
        handle.write(bytes([byte ^ 0x10]))
    path.chmod(0o444)


def _mount(*arguments: str) -> bool:
    return subprocess.run(["mount", *arguments], capture_output=True, check=False).returncode == 0


@contextlib.contextmanager
def small_disk(place: Path, *, kib: int = 256) -> Iterator[Path]:
    """A file system of a few KiB; skips where this user may not mount one."""
    if sys.platform != "linux" or os.geteuid() != 0:
        pytest.skip("mounting a small disk needs root on Linux")
    place.mkdir(exist_ok=True)
    if not _mount("-t", "tmpfs", "-o", f"size={kib}k", "tmpfs", str(place)):
        pytest.skip("root may not mount here")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=False)


def make_read_only(place: Path) -> None:
    """Remount a small disk so that the system refuses every write."""
    assert _mount("-o", "remount,ro", str(place))


def files_below(folder: Path) -> set[str]:
    """Names of all files below a folder, relative to it."""
    return (
        {str(p.relative_to(folder)) for p in folder.rglob("*") if not p.is_dir()}
        if folder.exists()
        else set()
    )


# --- blocks of tags, written by hand (TIFF 6.0, section 2) --------------------------------

_TYPES = {"B": 1, "A": 2, "H": 3, "I": 4, "R": 5, "U": 7}
Value = tuple[str, object]
"""A letter for the type (B byte, A text, H short, I long, R rationals, U undefined) and what it holds."""


def tiff(
    zeroth: dict[int, Value],
    exif: dict[int, Value] | None = None,
    gps: dict[int, Value] | None = None,
    *,
    order: str = "<",
) -> bytes:
    """A TIFF block with these directories; any value may be as wrong as a test wants it."""
    main = dict(zeroth)
    if exif is not None:
        main[0x8769] = ("I", [0])
    if gps is not None:
        main[0x8825] = ("I", [0])
    start = 8
    exif_at = start + _length(main)
    gps_at = exif_at + (_length(exif) if exif is not None else 0)
    if exif is not None:
        main[0x8769] = ("I", [exif_at])
    if gps is not None:
        main[0x8825] = ("I", [gps_at])
    head = (b"II" if order == "<" else b"MM") + struct.pack(f"{order}HI", 42, start)
    body = _directory(main, start, order)
    body += _directory(exif, exif_at, order) if exif is not None else b""
    body += _directory(gps, gps_at, order) if gps is not None else b""
    return head + body


def _packed(value: Value, order: str) -> tuple[int, bytes]:
    letter, content = value
    if letter == "A":
        data = content if isinstance(content, bytes) else str(content).encode() + b"\0"
        return len(data), data
    if letter in "BU":
        return len(content), bytes(content)
    if letter == "R":
        return len(content), b"".join(struct.pack(f"{order}II", *pair) for pair in content)
    return len(content), b"".join(struct.pack(f"{order}{letter}", number) for number in content)


def _length(entries: dict[int, Value]) -> int:
    return (
        2
        + 12 * len(entries)
        + 4
        + sum(len(d) for _, d in (_packed(v, "<") for v in entries.values()) if len(d) > 4)
    )


def _directory(entries: dict[int, Value], at: int, order: str) -> bytes:
    table, extra = b"", b""
    data_at = at + 2 + 12 * len(entries) + 4
    for tag, value in sorted(entries.items()):
        count, data = _packed(value, order)
        table += struct.pack(f"{order}HHI", tag, _TYPES[value[0]], count)
        table += data.ljust(4, b"\0") if len(data) <= 4 else struct.pack(f"{order}I", data_at + len(extra))
        extra += data if len(data) > 4 else b""
    return struct.pack(f"{order}H", len(entries)) + table + b"\0\0\0\0" + extra


def jpeg_with(block: bytes, *, size: tuple[int, int] = (64, 48)) -> bytes:
    """A small JPEG with a block of tags in its first segment."""
    out = io.BytesIO()
    Image.new("RGB", size, (90, 120, 60)).save(out, "JPEG")
    plain = out.getvalue()
    segment = b"Exif\0\0" + block
    return plain[:2] + b"\xff\xe1" + struct.pack(">H", len(segment) + 2) + segment + plain[2:]
