"""Errors of the disk as errors a person can act on: which file, what happened, what to do next."""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Iterator
from pathlib import Path

from evidence.errors import CardReadError, DestinationError, one_line

READ_REMEDY = "Nothing was changed; try the card in another reader, then run the intake again."
STORED_REMEDY = (
    "Nothing was changed; check that its disk is connected and sound, then run the same command again."
)


@contextlib.contextmanager
def reading(name: str, remedy: str = READ_REMEDY) -> Iterator[None]:
    """Turn an OSError inside into a CardReadError that names the file. Wrap reads only."""
    try:
        yield
    except OSError as error:
        raise CardReadError(f"{one_line(name)} could not be read: {_why(error)}.", remedy) from error


@contextlib.contextmanager
def writing(place: Path) -> Iterator[None]:
    """Turn an OSError inside into a DestinationError that names the place. Wrap writes only."""
    try:
        yield
    except DestinationError:
        raise
    except OSError as error:
        raise DestinationError(
            f"{one_line(place)} could not be written: {_why(error)}.", _remedy(error)
        ) from error


def disk_error(error: OSError) -> DestinationError | None:
    """The error for a person when a disk failed where no caller named the file; None for every other cause."""
    if error.errno not in _DISK_ERRORS:
        return None
    name = one_line(os.fsdecode(error.filename)) if error.filename else "A file"
    return DestinationError(f"{name} could not be read or written: {_why(error)}.", _remedy(error))


_DISK_ERRORS = {errno.EIO, errno.ENOSPC, errno.EROFS, errno.ENODEV, errno.ENXIO} | {
    getattr(errno, name) for name in ("EDQUOT", "ESTALE") if hasattr(errno, name)
}
"""Errors of a disk or a share, and of nothing else."""


def _why(error: OSError) -> str:
    return {
        errno.ENOSPC: "the disk is full",
        errno.EROFS: "the disk is read-only",
        errno.EACCES: "permission denied",
        errno.EPERM: "not permitted",
        errno.EIO: "the device reports a read or write error",
        errno.ENODEV: "the device is gone",
        errno.ENXIO: "the device is gone",
        errno.ENOENT: "it is not there any more",
    }.get(error.errno or 0) or (error.strerror or str(error) or type(error).__name__).lower()


def _remedy(error: OSError) -> str:
    if error.errno in {errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)}:
        return "Free some space there or choose another disk, then run the same command again."
    if error.errno in {errno.EROFS, errno.EACCES, errno.EPERM}:
        return "Give this user the right to write there or choose another folder, then run it again."
    return "Check that the disk is connected and sound, then run the same command again."
