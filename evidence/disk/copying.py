"""Copying one file to one free name, verified by reading the copy back from the disk."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

from evidence.disk.durable import (
    CopyStep,
    OnCopyStep,
    copy_to_part,
    discard,
    ignore_step,
    make_folder,
    make_read_only,
    publish,
    sync_folder,
)
from evidence.disk.faults import STORED_REMEDY, reading, writing
from evidence.disk.hashing import hash_file, open_regular
from evidence.errors import CopyMismatchError, DestinationError, one_line
from evidence.model import Sha256


class NameTakenError(DestinationError):
    """Another file has the name that a copy should get; neither was changed."""


def copy_file(
    source: Path,
    dest: Path,
    expect: Sha256,
    *,
    parts: Path | None = None,
    sync_names: bool = True,
    on_step: OnCopyStep = ignore_step,
) -> None:
    """Copy one file to one free name and verify that the copy has the digest `expect`.

    Only the copy is hashed, as it is read back: its digest proves the source's bytes too. Without
    `sync_names` the caller flushes the folder of `dest` later: until then a power failure may take the
    whole file away again, but never a part of it. The .part file is written in the folder of `dest`, or in `parts` on the same file system. A
    `dest` that already holds these bytes is left as it is. On a failure nothing is left at
    `dest`. Raises CardReadError (source), CopyMismatchError (source or copy differs from
    `expect`), NameTakenError, DestinationError.
    """
    if _holds_already(dest, expect):
        return
    with reading(str(source), STORED_REMEDY):
        handle = open_regular(source)
    with handle:
        on_step(CopyStep.OPENED, source)
        with writing(dest.parent):
            make_folder(dest.parent)
        part = copy_to_part(
            handle, str(source), parts or dest.parent, expect, remedy=STORED_REMEDY, on_step=on_step
        )
    try:
        _publish_or_explain(part, dest, sync_names=sync_names)
    except BaseException:
        discard(part)
        raise
    on_step(CopyStep.PUBLISHED, dest)


def link_or_copy(
    source: Path, dest: Path, expect: Sha256, *, parts: Path | None = None, sync_names: bool = True
) -> None:
    """Give a file a second name by a hard link, or by `copy_file` where links are not possible.

    The source is read from the disk and compared with `expect` before the link is made. Raises
    as `copy_file` does.
    """
    if _holds_already(dest, expect):
        return
    with reading(str(source), STORED_REMEDY):
        if not stat.S_ISREG(source.lstat().st_mode):
            raise OSError(errno.EINVAL, "not a regular file", str(source))
    with writing(dest.parent):
        make_folder(dest.parent)
    with reading(str(source), STORED_REMEDY):
        matches = hash_file(source, uncached=True) == expect
    if not matches:
        raise CopyMismatchError(source)
    try:
        os.link(source, dest)
    except FileExistsError as error:
        raise _taken(dest) from error
    except (OSError, NotImplementedError):
        copy_file(source, dest, expect, parts=parts, sync_names=sync_names)
    else:
        make_read_only(dest)
        if sync_names:
            with writing(dest.parent):
                sync_folder(dest.parent)


def _holds_already(dest: Path, expect: Sha256) -> bool:
    with writing(dest):
        if not os.path.lexists(dest):
            return False
        if not stat.S_ISREG(dest.lstat().st_mode) or hash_file(dest, uncached=True) != expect:
            raise _taken(dest)
    return True


def _publish_or_explain(part: Path, dest: Path, *, sync_names: bool) -> None:
    try:
        with writing(dest.parent):
            publish(part, dest, sync_names=sync_names)
    except DestinationError as error:
        if isinstance(error.__cause__, FileExistsError):
            raise _taken(dest) from error
        raise


def _taken(dest: Path) -> NameTakenError:
    return NameTakenError(
        f"{one_line(dest)} already holds another file.",
        "Neither was changed; move that file aside, then run the same command again.",
    )
