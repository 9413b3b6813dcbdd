"""Write a file that a person named: whole, or not at all."""

from __future__ import annotations

import contextlib
import errno
import secrets
from pathlib import Path

from evidence.disk.durable import write_new_file
from evidence.errors import BadInputError, DestinationError

_DISK_FAULTS = {errno.ENOSPC, errno.EIO, getattr(errno, "EDQUOT", errno.ENOSPC)}


def write_whole(data: bytes | bytearray, out: Path) -> None:
    """Write a file, replacing one of that name; on a failure the older file is unchanged.

    Raises BadInputError when the place cannot be written, DestinationError when the disk fails or is full.
    """
    part = out.with_name(f"{out.name}.{secrets.token_hex(4)}.part")
    try:
        if out.is_dir():
            raise IsADirectoryError(errno.EISDIR, "it is a folder")
        write_new_file(part, bytes(data))
        part.replace(out)
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
