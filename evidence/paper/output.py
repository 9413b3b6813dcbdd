"""Write a file that a person named: whole, or not at all."""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
from pathlib import Path

from evidence.disk.durable import publish, write_new_file
from evidence.errors import BadInputError, DestinationError

_DISK_FAULTS = {errno.ENOSPC, errno.EIO, getattr(errno, "EDQUOT", errno.ENOSPC)}


def require_free(out: Path) -> None:
    """Raise BadInputError when there is a file of that name; call it before long work."""
    if os.path.lexists(out) and not out.is_dir():
        raise _taken(out)


def write_whole(data: bytes | bytearray, out: Path, *, replace: bool = True) -> None:
    """Write a file; an older one of that name is replaced, or refused without `replace`, and unchanged on a failure.

    Raises BadInputError when the place cannot be written, DestinationError when the disk fails or is full.
    """
    part = out.with_name(f"{out.name}.{secrets.token_hex(4)}.part")
    try:
        if out.is_dir():
            raise IsADirectoryError(errno.EISDIR, "it is a folder")
        write_new_file(part, bytes(data))
        if replace:
            part.replace(out)
        else:
            publish(part, out)
    except FileExistsError as taken:
        with contextlib.suppress(OSError):
            part.unlink()
        raise _taken(out) from taken
    except OSError as problem:
        with contextlib.suppress(OSError):
            part.unlink()
        disk_failed = problem.errno in _DISK_FAULTS
        raise (DestinationError if disk_failed else BadInputError)(
            f"{out} cannot be written: {problem.strerror or problem}.",
            "Free some space and try again."
            if disk_failed
            else "Give a file in a folder that you may write to.",
        ) from problem


def _taken(out: Path) -> BadInputError:
    return BadInputError(
        f"{out} exists already; it was not replaced.", "Give another name, or add --force to replace it."
    )
