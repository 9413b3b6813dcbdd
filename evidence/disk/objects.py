"""The store of objects: files named by their SHA-256, as `<sha[:2]>/<sha><extension>`.

New objects are written in `incoming/`. An object whose bytes no longer match its name is renamed to
`<sha><extension>.<letters>.damaged` beside it.
"""

from __future__ import annotations

import logging
import os
import re
import secrets
from pathlib import Path, PurePath

from evidence.disk.copying import NameTakenError
from evidence.disk.durable import make_folder, publish, sweep_folder, sync_folder
from evidence.disk.faults import writing
from evidence.disk.hashing import hash_file
from evidence.errors import DestinationError
from evidence.model import Sha256

log = logging.getLogger(__name__)

_INCOMING = "incoming"
DAMAGED = ".damaged"
"""Ending of the name of bytes that no longer match their digest."""
_TRIES = 3
_EXTENSION = re.compile(r"\.[a-z0-9]{1,8}")


def incoming_folder(store: Path) -> Path:
    """Where the store's .part files are written."""
    return store / _INCOMING


def object_path(store: Path, sha256: Sha256, suffix: str = "") -> Path:
    """The path of an object that came under a name ending in `suffix`, whether it is there or not.

    The suffix is used in lower case, and only when it is a dot and up to eight letters and digits.
    """
    ending = suffix.lower()
    return store / sha256[:2] / f"{sha256}{ending if _EXTENSION.fullmatch(ending) else ''}"


def find_object(store: Path, sha256: Sha256) -> Path | None:
    """The path of the object with this digest, whatever its extension, or None. Looks at names only."""
    return next(iter(_objects(store, sha256)), None)


def has_sound_object(store: Path, sha256: Sha256) -> bool:
    """True when the store holds the object and its bytes match; a damaged one is renamed, see `damaged_path`.

    Raises DestinationError.
    """
    for present in _objects(store, sha256):
        with writing(present):
            if present.is_file() and not present.is_symlink() and _matches(present, sha256):
                return True
            aside = present.with_name(f"{present.name}.{secrets.token_hex(4)}{DAMAGED}")
            try:
                present.rename(aside)
            except FileNotFoundError:  # another process filed it and removed it here
                continue
            sync_folder(present.parent)
        log.warning("store_copy_damaged sha256=%s moved_to=%s", sha256, aside)
    return False


def damaged_path(store: Path, sha256: Sha256, suffix: str = "") -> Path:
    """Where the bytes of an original that no longer match its digest wait for a repair. Never found as an object."""
    plain = object_path(store, sha256, suffix)
    return plain.with_name(f"{plain.name}{DAMAGED}")


def add_object(part: Path, store: Path, sha256: Sha256, suffix: str) -> Path:
    """Publish a verified .part file as the object with this digest; returns its path.

    Raises NameTakenError when the object appeared meanwhile, DestinationError otherwise.
    """
    final = object_path(store, sha256, suffix)
    try:
        with writing(store):
            for tries_left in range(_TRIES, -1, -1):
                make_folder(final.parent)
                try:
                    publish(part, final)
                    break
                except FileNotFoundError:  # another process just removed the empty folder
                    if not tries_left or not part.exists():
                        raise
    except DestinationError as error:
        if isinstance(error.__cause__, FileExistsError):
            raise NameTakenError(f"{final} appeared meanwhile.", "Run the same command again.") from error
        raise
    return final


def _objects(store: Path, sha256: Sha256) -> list[Path]:
    folder = store / sha256[:2]
    with writing(store):
        try:
            names = os.listdir(folder)  # noqa: PTH208 - names are enough
        except (FileNotFoundError, NotADirectoryError, PermissionError):  # filing removes empty folders
            return []
    return [folder / name for name in sorted(names) if PurePath(name).stem == sha256]


def _matches(path: Path, sha256: Sha256) -> bool:
    """Read the file and compare; a file that cannot be read does not match."""
    try:
        return hash_file(path, uncached=True) == sha256
    except OSError:
        return False


def sweep_parts(store: Path) -> tuple[Path, ...]:
    """Remove the .part files that killed runs left in the store; see `sweep_folder`."""
    return sweep_folder(store / _INCOMING)
