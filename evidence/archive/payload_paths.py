"""Paths of originals in a bag: the camera's names wherever Windows, macOS and Linux allow them."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Sequence
from pathlib import PurePosixPath

from evidence.archive.names import fold, is_device, is_letter_safe, why_unsafe

LONGEST_ORIGINAL = 238
"""Bytes of UTF-8 in one name. `LONGEST_NAME` less ` (999)`, `.xmp` and the number of a sidecar."""

LONGEST_FOLDERS = 600
"""Bytes of UTF-8 in the folders of a path; systems limit whole paths too."""

_ENDING = re.compile(r"\.\w[\w~+-]{0,15}")
"""An extension that is kept in any case: short, and of letters and digits."""


def allowed_name(name: str) -> str:
    """The name of a file or folder of a card as a bag may hold it.

    A name that every system allows stays as it is (RFC 8493, section 6.1). Otherwise only the stem
    changes: barred characters become `_`, a name of a device gets a `_`, blanks and dots at the end
    go, and a name that is too long is cut and gets eight digits of its SHA-256.
    """
    if not why_unsafe(name) and all(map(_is_kept, name)) and len(name.encode()) <= LONGEST_ORIGINAL:
        return name
    end = len(name)
    while end and (name[end - 1].isspace() or name[end - 1] == "." or not _is_kept(name[end - 1])):
        end -= 1
    stem, ending = _split(name[:end])
    start = len(stem) - len(stem.lstrip())
    stem = "_" * start + "".join(letter if _is_kept(letter) else "_" for letter in stem[start:]) or "_"
    if is_device(stem):
        device, dot, rest = stem.partition(".")
        stem = f"{device.rstrip(' ')}_{dot}{rest}"
    if len(f"{stem}{ending}".encode()) > LONGEST_ORIGINAL:
        room = LONGEST_ORIGINAL - len(ending.encode()) - 9
        cut = stem.encode()[:room].decode("utf-8", "ignore")
        stem = f"{cut}-{hashlib.sha256(name.encode('utf-8', 'replace')).hexdigest()[:8]}"
    return f"{stem}{ending}"


def allowed_path(card_path: Sequence[str]) -> str:
    """The path of a file from its folders and name on the card; very long folders become one short folder."""
    *folders, name = card_path
    above = "/".join(map(allowed_name, folders))
    if len(above.encode()) > LONGEST_FOLDERS:
        digest = hashlib.sha256("/".join(folders).encode("utf-8", "replace")).hexdigest()[:8]
        above = f"{allowed_name(folders[0])}/long path {digest}"
    return f"{above}/{allowed_name(name)}" if folders else allowed_name(name)


def _is_kept(letter: str) -> bool:
    """True for a character that stays.

    macOS refuses characters that Unicode has not assigned. A manifest encodes `%` (RFC 8493, 2.1.3), and
    `sha256sum -c` would not find the file.
    """
    return is_letter_safe(letter) and letter != "%" and unicodedata.category(letter) != "Cn"


def _split(name: str) -> tuple[str, str]:
    ending = PurePosixPath(name).suffix
    return (name.removesuffix(ending), ending) if _ENDING.fullmatch(ending) else (name, "")


class PayloadPaths:
    """Gives files paths of which no two are one name on any system; a number tells equal ones apart.

    Equal means equal when case and Unicode form are ignored (RFC 8493, section 6.1).
    """

    def __init__(self) -> None:
        self._files: set[str] = set()
        self._folders: dict[str, str] = {}

    def keep(self, path: str, wanted: str) -> bool:
        """Take `path` if it is `wanted` with or without numbers and is free; False otherwise."""
        parts, names = path.split("/"), wanted.split("/")
        if len(parts) != len(names) or not all(map(_is_numbered, parts, names)):
            return False
        folders = ["/".join(parts[:depth]) for depth in range(1, len(parts))]
        if any(fold(one) in self._files or self._folders.get(fold(one), one) != one for one in folders):
            return False
        if fold(path) in self._files or fold(path) in self._folders:
            return False
        self._folders |= {fold(one): one for one in folders}
        self._files.add(fold(path))
        return True

    def take(self, wanted: str) -> str:
        """Take and return `wanted`, with a number before the extension where another file has that name."""
        *folders, name = wanted.split("/")
        above = ""
        for folder in folders:
            above = self._take_folder(above, folder) + "/"
        number = 1
        while fold(path := above + _numbered(name, number)) in self._files or fold(path) in self._folders:
            number += 1
        self._files.add(fold(path))
        return path

    def _take_folder(self, above: str, name: str) -> str:
        number = 1
        while True:
            path = above + (name if number == 1 else f"{name} ({number})")
            if fold(path) not in self._files and self._folders.setdefault(fold(path), path) == path:
                return path
            number += 1


def _numbered(name: str, number: int) -> str:
    if number == 1:
        return name
    ending = PurePosixPath(name).suffix
    return f"{name.removesuffix(ending)} ({number}){ending}"


def _is_numbered(part: str, name: str) -> bool:
    """True for `name` itself, and for the same name with a number."""
    if part == name:
        return True
    ending = PurePosixPath(name).suffix
    ends = {(name.removesuffix(ending), ending), (name, "")}
    return any(
        re.fullmatch(rf"{re.escape(stem)} \([0-9]+\){re.escape(after)}", part, re.DOTALL)
        for stem, after in ends
    )
