"""Names, lists and opens the files of a card without writing to it.

Every file and folder of a card is opened here, read-only, and with `O_NOATIME` where the system
has it, so that even the time of last access does not change.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import stat
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path, PureWindowsPath
from typing import Protocol

from evidence.disk.faults import reading
from evidence.errors import CardReadError

_READ_FLAGS = (
    os.O_RDONLY
    | getattr(os, "O_NOFOLLOW", 0)
    | getattr(os, "O_CLOEXEC", 0)
    | getattr(os, "O_NONBLOCK", 0)  # opening a pipe must not block
    | getattr(os, "O_BINARY", 0)
    | getattr(os, "O_NOCTTY", 0)
)
_NOATIME = getattr(os, "O_NOATIME", 0)

_LINK_TAGS = {0xA000000C, 0xA0000003}
"""IO_REPARSE_TAG_SYMLINK and IO_REPARSE_TAG_MOUNT_POINT of Windows ([MS-FSCC] 2.1.2.1)."""


# --- names -------------------------------------------------------------------------------

_MARK = "\ufffd"
_ESCAPABLE = re.compile("[\ud800-\udfff\ufffd]+")
_ESCAPED = re.compile("(?:\ufffd[0-9A-F]{2})+")
_LONE = "surrogatepass" if os.name == "nt" else "surrogateescape"


def encode_name(name: str) -> str:
    """A file name as text that UTF-8, JSON and a database can hold; `decode_name` is the inverse.

    Each byte that is not UTF-8 (a card written under an older code page, read on Linux), and
    U+FFFD itself, becomes U+FFFD and two hexadecimal digits. Other names stay as they are.
    """
    return _ESCAPABLE.sub(
        lambda m: "".join(f"{_MARK}{byte:02X}" for byte in m[0].encode("utf-8", _LONE)), name
    )


def decode_name(spelled: str) -> str:
    """The name on the card: the inverse of `encode_name`."""
    return _ESCAPED.sub(lambda m: bytes.fromhex(m[0].replace(_MARK, "")).decode("utf-8", _LONE), spelled)


def path_on_card(root: Path, card_path: str) -> Path:
    """The path of a listed file. Raises CardReadError for a path that leads out of the card."""
    parts = [decode_name(part) for part in card_path.split("/")]
    if not parts or any(is_unsafe_name(part) for part in parts):
        raise CardReadError(f"{card_path!r} does not name a file on the card.", "Run the intake again.")
    return root.joinpath(*parts)


def is_unsafe_name(name: str, *, windows: bool = os.name == "nt") -> bool:
    r"""True for a name that leads out of its folder on this system.

    Such names are `.`, `..`, empty ones, and on Windows those that it takes for a drive, a root or
    a parent folder (`..\..\x`, `C:x`). Reserved names (`CON`, `NUL.jpg`) are allowed: a bag gives
    such files another name.
    """
    if name in {"", ".", ".."} or "/" in name or "\0" in name:
        return True
    if not windows:
        return False
    seen_by_windows = PureWindowsPath(name)
    return bool(seen_by_windows.anchor) or ".." in seen_by_windows.parts


# --- listing -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderEntry:
    """One entry of a folder; links are not followed."""

    name: str
    """As the system gives it; see `encode_name`."""
    stat: os.stat_result | None
    """None where it cannot be read."""
    error: str = ""

    @property
    def size(self) -> int:
        """Bytes; 0 where that cannot be read."""
        return self.stat.st_size if self.stat is not None else 0

    @property
    def is_link(self) -> bool:
        """True for a symbolic link, and for a junction of Windows."""
        return self.stat is not None and (
            stat.S_ISLNK(self.stat.st_mode) or getattr(self.stat, "st_reparse_tag", 0) in _LINK_TAGS
        )

    @property
    def is_folder(self) -> bool:
        """True for a real folder."""
        return self.stat is not None and stat.S_ISDIR(self.stat.st_mode) and not self.is_link

    @property
    def is_file(self) -> bool:
        """True for a regular file."""
        return self.stat is not None and stat.S_ISREG(self.stat.st_mode) and not self.is_link


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """The entries of a folder, sorted by name, and the error that ended the listing, if any."""

    entries: tuple[FolderEntry, ...]
    error: str = ""


def list_folder(folder: Path) -> Listing:
    """List a folder. Raises nothing for a folder that cannot be read: see `error`."""
    entries: list[FolderEntry] = []
    error = ""
    try:
        with _folder_handle(folder) as handle, os.scandir(handle) as names:
            entries.extend(_entry(name) for name in names)
    except OSError as problem:
        error = problem.strerror or type(problem).__name__
    return Listing(entries=tuple(sorted(entries, key=lambda e: e.name)), error=error)


def _entry(name: os.DirEntry[str]) -> FolderEntry:
    try:
        return FolderEntry(name=name.name, stat=name.stat(follow_symlinks=False))
    except OSError as problem:
        return FolderEntry(name=name.name, stat=None, error=problem.strerror or type(problem).__name__)


@contextlib.contextmanager
def _folder_handle(folder: Path):  # type: ignore[no-untyped-def]  # noqa: ANN202 - int or path
    """An open folder where the system lists those, else its path."""
    if os.scandir not in os.supports_fd or not hasattr(os, "O_DIRECTORY"):
        yield folder
        return
    descriptor = _open_read_only(folder, os.O_DIRECTORY)
    try:
        yield descriptor
    finally:
        os.close(descriptor)


def _open_read_only(path: Path, extra: int = 0) -> int:
    if _NOATIME:
        try:
            return os.open(path, _READ_FLAGS | extra | _NOATIME)
        except PermissionError:
            pass  # only the owner may use the flag; try without it
    return os.open(path, _READ_FLAGS | extra)


# --- opening -----------------------------------------------------------------------------


class CardFile(Protocol):
    """A file on a card, open for reading."""

    def read(self, size: int, /) -> bytes:
        """At most `size` bytes; none at the end. Raises OSError."""
        ...

    def stamp(self) -> tuple[int, int]:
        """Current size in bytes and time of last change in nanoseconds. Raises OSError."""
        ...

    def close(self) -> None:
        """Close the file."""
        ...


Opener = Callable[[Path], CardFile]


class _OnCard:
    """A regular file, open read-only by its descriptor."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor

    def read(self, size: int, /) -> bytes:
        return os.read(self._descriptor, size)

    def stamp(self) -> tuple[int, int]:
        now = os.fstat(self._descriptor)
        return now.st_size, now.st_mtime_ns

    def close(self) -> None:
        os.close(self._descriptor)


def open_on_card(path: Path) -> CardFile:
    """Open a regular file read-only; links are not followed.

    Raises CardReadError for anything else. The check is made on the open file, so the file cannot
    be replaced in between.
    """
    with reading(path.name):
        descriptor = _open_read_only(path)
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            os.close(descriptor)
            raise OSError(errno.EINVAL, "not a regular file")
    return _OnCard(descriptor)
