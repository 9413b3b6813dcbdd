"""File names inside a bag: which are safe on every system, and how RFC 8493 encodes them in a manifest."""

from __future__ import annotations

import hashlib
import os
import re
import unicodedata
from collections.abc import Iterable
from pathlib import PurePosixPath, PureWindowsPath

from evidence.errors import BadInputError

LONGEST_NAME = 254
"""Bytes of UTF-8 in one part of a path. File systems allow 255 bytes, or 255 units of UTF-16."""

SIDECAR = ".xmp"
"""Ending of the file beside an original that describes it (XMP, ISO 16684-1)."""

_WINDOWS_BARRED = frozenset('<>:"/\\|?*')
"""RFC 8493, section 6.1.1 (Windows file naming)."""

_WINDOWS_DEVICES = frozenset(
    {"CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$"}
    | {f"{port}{n}" for port in ("COM", "LPT") for n in "123456789\u00b9\u00b2\u00b3"}
)
"""RFC 8493, section 6.1.1; the superscript digits and the two console names from memory of the Windows documentation."""

_BREAKS_LINES = frozenset({"Cc", "Cs", "Zl", "Zp"})
"""Unicode categories that some readers of a manifest take for a line end, or that UTF-8 cannot encode."""

_ENCODED = {"%": "%25", "\n": "%0A", "\r": "%0D"}


# --- encoding in a manifest --------------------------------------------------------------


def encode_path(path: str) -> str:
    """A path as a version 1.0 manifest has it: LF, CR and % encoded, nothing else (2.1.3)."""
    return re.sub(r"[%\n\r]", lambda match: _ENCODED[match.group()], path)


def decode_path(text: str, *, version: tuple[int, int] = (1, 0)) -> str:
    """The path that a manifest line means: the inverse of `encode_path` for version 1.0.

    Versions before 1.0 encode only LF and CR, so `%25` is left as it is there. Any other percent
    sign is left as it is.
    """
    codes = r"%0A|%0D|%25" if version >= (1, 0) else r"%0A|%0D"
    return re.sub(codes, lambda match: chr(int(match.group()[1:], 16)), text, flags=re.IGNORECASE)


# --- safe names --------------------------------------------------------------------------


def why_unsafe(path: str) -> str:
    """Why a relative path with forward slashes is not safe inside a bag; empty when it is safe.

    Not safe are paths that could leave the bag on some system (RFC 8493, 5.1), names that Windows
    does not allow (6.1.1), and characters that end a line in a manifest.
    """
    if not path:
        return "the name is empty"
    if path.startswith(("/", "~")):
        return "the path does not start inside the bag"
    return next((reason for part in path.split("/") if (reason := _why_part_unsafe(part))), "")


def leaves_folder(path: str) -> bool:
    """True for a relative path that may lead out of the folder that it is joined to, on this system."""
    if not path or path.startswith("/") or ".." in path.split("/"):
        return True
    seen_by_windows = PureWindowsPath(path)
    return os.name == "nt" and (bool(seen_by_windows.anchor) or ".." in seen_by_windows.parts)


def is_letter_safe(letter: str) -> bool:
    """True when every system allows this character in a name and no reader of a manifest takes it for a line end."""
    return letter not in _WINDOWS_BARRED and unicodedata.category(letter) not in _BREAKS_LINES


def is_device(part: str) -> bool:
    """True for a name that Windows takes for a device, whatever its extension."""
    return part.split(".", maxsplit=1)[0].rstrip(" ").upper() in _WINDOWS_DEVICES


def _why_part_unsafe(part: str) -> str:
    if part in {"", ".", ".."}:
        return "the path has an empty part, '.' or '..' in it"
    plain = part.isascii() and part.isprintable()
    if not plain and any(unicodedata.category(letter) in _BREAKS_LINES for letter in part):
        return "a control character or a line break is in the name"
    if barred := sorted(_WINDOWS_BARRED.intersection(part)):
        return f"Windows does not allow {' '.join(barred)} in a name"
    if is_device(part):
        return "Windows reserves that name for a device"
    if part[0].isspace() or part[-1].isspace() or part[-1] == ".":
        return "the name begins or ends with a blank, or ends with a dot"
    if len(part.encode()) > LONGEST_NAME:
        return f"the name is longer than {LONGEST_NAME} bytes"
    return ""


def fold(path: str) -> str:
    """A path with case and Unicode form folded, equal for all names that some file system takes for one."""
    composed = unicodedata.normalize("NFC", path)
    return unicodedata.normalize("NFC", composed.casefold())


def free_name(stem: str, ending: str, taken: set[str]) -> str:
    """`stem` and `ending`, with a number between them when the name is used already.

    `taken` holds the used names, folded; the result is added to it.
    """
    candidate, number = f"{stem}{ending}", 2
    while fold(candidate) in taken:
        candidate = f"{stem} ({number}){ending}"
        number += 1
    taken.add(fold(candidate))
    return candidate


def original_of_sidecar(path: str) -> str:
    """The path of the original that a sidecar with this path belongs to; empty for other paths."""
    match = re.fullmatch(rf"(.+?)(?: \([0-9]+\))?{re.escape(SIDECAR)}", path, re.DOTALL)
    return match[1] if match else ""


def require_safe(paths: Iterable[str], where: str) -> None:
    """Raise BadInputError for the first path that is unsafe or that collides with another one.

    Two paths collide when they, or folders on them, differ only by case or Unicode form, or when
    one is a file and the other needs a folder of that name.
    """
    files: dict[str, str] = {}
    folders: dict[str, str] = {}
    for path in paths:
        if reason := why_unsafe(path):
            raise BadInputError(
                f"{path!r} cannot be stored in {where}: {reason}.", "Give the file another name there."
            )
        clash = _register(path, files, folders)
        if clash is not None:
            raise BadInputError(
                f"{path!r} and {clash!r} cannot both be stored in {where}: some systems treat them as one name.",
                "Give one of them another name there.",
            )


def _register(path: str, files: dict[str, str], folders: dict[str, str]) -> str | None:
    """Add one path; returns the path or folder that it collides with, or None."""
    for parent in PurePosixPath(path).parents:
        folder = str(parent)
        if folder == ".":
            continue
        key = fold(folder)
        if key in files:
            return files[key]
        if folders.setdefault(key, folder) != folder:
            return folders[key]
    key = fold(path)
    if key in folders:
        return folders[key]
    if key in files:
        return files[key]
    files[key] = path
    return None


def folder_name(claim: str) -> str:
    """A folder name for a claim number, readable and safe on every system, different for each claim.

    When a character had to be replaced, or the number has lower-case letters, eight digits of the
    number's SHA-256 are appended.
    """
    plain = re.sub(r"[^A-Za-z0-9_.-]+", "_", unicodedata.normalize("NFC", claim)).strip("._")[:100]
    if plain == claim and claim == claim.upper() and not why_unsafe(plain):
        return plain
    return f"{plain or 'claim'}-{hashlib.sha256(claim.encode()).hexdigest()[:8]}"
