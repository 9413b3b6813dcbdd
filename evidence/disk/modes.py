"""Who may read an archive: its owner and the owner's group, and nobody else, whatever the system's umask is.

Originals have no write permission. On Windows and on disks without permissions nothing is changed.
"""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Callable
from pathlib import Path, PurePosixPath

ORIGINAL = 0o440
FILE = 0o640
FOLDER = 0o750
KEY = 0o600
_OTHERS = 0o027
"""The permissions that new files and folders do not get: writing for the group, everything for others."""
KEY_FILES = frozenset({"signing-key.json"})
"""Files that only their owner may read."""

IsOriginal = Callable[[PurePosixPath], bool]
"""True for a path below the root whose file is payload of a bag or a verified original."""


def restrict_umask() -> None:
    """Make the files that this process writes from now on readable to the owner and the group alone."""
    if os.name == "posix":
        os.umask(_OTHERS)


def set_modes(root: Path, is_original: IsOriginal, *, only: Callable[[Path], bool] | None = None) -> None:
    """Give every file and folder below `root`, and `root` itself, its permissions; links are not followed.

    `only` chooses entries of `root`; the others and what is in them are left as they are.

    What belongs to another user, or goes away meanwhile, is left as it is.
    """
    if os.name != "posix":
        return
    _set(root, FOLDER)
    for folder, names, files in os.walk(root):
        if only is not None and Path(folder) == root:
            names[:] = [name for name in names if only(root / name)]
            files = [name for name in files if only(root / name)]  # noqa: PLW2901
        below = PurePosixPath(Path(folder).relative_to(root).as_posix())
        for name in names:
            _set(Path(folder, name), FOLDER)
        for name in files:
            mode = KEY if name in KEY_FILES else ORIGINAL if is_original(below / name) else FILE
            _set(Path(folder, name), mode)


def in_a_bag(path: PurePosixPath) -> bool:
    """True for a payload file of a bag, by its path from the folder that holds the bags."""
    return len(path.parts) > 2 and path.parts[1] == "data"


def in_an_archive(path: PurePosixPath) -> bool:
    """True for a payload file of a bag or an original of the intake area, by its path from the archive's root."""
    top = path.parts[0]
    if top == "claims":
        return in_a_bag(path.relative_to(top))
    return in_a_bag(path) or (top == "intake" and len(path.parts) > 2)


def _set(path: Path, mode: int) -> None:
    with contextlib.suppress(OSError):
        found = path.lstat().st_mode
        if not stat.S_ISLNK(found) and stat.S_IMODE(found) != mode:
            path.chmod(mode)
