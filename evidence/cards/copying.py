"""Copying off the card into the store of objects: each file read once, hashed, read back and compared."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from pathlib import Path, PurePosixPath

from evidence.cards.reading import CardFile, Opener, open_on_card, path_on_card
from evidence.cards.volumes import CardSource
from evidence.disk.copying import NameTakenError
from evidence.disk.durable import CopyStep, OnCopyStep, discard, ignore_step, write_part
from evidence.disk.faults import reading
from evidence.disk.hashing import CHUNK
from evidence.disk.objects import add_object, has_sound_object, incoming_folder
from evidence.errors import CardReadError, one_line
from evidence.model import Copied, Found, Outcome, Sha256


def _none_known(_sha256: Sha256) -> bool:
    return False


def _size_unknown(_size: int) -> bool:
    return False


def copy_in(
    source: CardSource,
    found: Found,
    store: Path,
    *,
    opener: Opener = open_on_card,
    known: Callable[[Sha256], bool] = _none_known,
    same_size: Callable[[int], bool] = _size_unknown,
    on_step: OnCopyStep = ignore_step,
) -> Copied:
    """Copy one file of a card into `store` and verify the copy.

    KEPT means that the bytes came into the store now, ALREADY_KEPT that the store holds them
    (read again and equal) or that `known` says the archive does. `same_size` says whether a file
    of so many bytes may be known: only then is the card read for the digest before anything is
    written. On a failure nothing of the file is left in the store.

    Raises CardReadError (unreadable, not of the listed size, or changed while it was read),
    CopyMismatchError (the copy reads back different), DestinationError (the store cannot be written).
    """
    path = _inside(source, found)
    expected: Sha256 | None = None
    if same_size(found.size):
        expected = _hash_on_card(path, found, opener)
        if _is_kept(store, expected, known):
            return Copied(found=found, sha256=expected, outcome=Outcome.ALREADY_KEPT)
    handle = opener(path)
    try:
        on_step(CopyStep.OPENED, path)
        before = _checked_stamp(handle, found)
        part, sha256, size = write_part(handle, found.card_path, incoming_folder(store), on_step=on_step)
        try:
            _check_unchanged(handle, found, before, size)
            _check_same(found, sha256, expected)
            if _is_kept(store, sha256, known):
                discard(part)
                return Copied(found=found, sha256=sha256, outcome=Outcome.ALREADY_KEPT)
            try:
                final = add_object(part, store, sha256, PurePosixPath(found.card_path).suffix)
            except NameTakenError:  # another intake stored the same bytes at the same moment
                if not _is_kept(store, sha256, known):
                    raise
                discard(part)
                return Copied(found=found, sha256=sha256, outcome=Outcome.ALREADY_KEPT)
        except BaseException:
            discard(part)
            raise
    finally:
        handle.close()
    on_step(CopyStep.PUBLISHED, final)
    return Copied(found=found, sha256=sha256, outcome=Outcome.KEPT)


def _is_kept(store: Path, sha256: Sha256, known: Callable[[Sha256], bool]) -> bool:
    """True when the store or the archive holds the bytes, also if another intake files them just now."""
    return known(sha256) or has_sound_object(store, sha256) or known(sha256)


def _inside(source: CardSource, found: Found) -> Path:
    """The file's path; raises CardReadError when a folder above it is a link that leads out of the card."""
    path = path_on_card(source.root, found.card_path)
    real = Path(os.path.realpath(path.parent))
    if not real.is_relative_to(os.path.realpath(source.root)):
        raise CardReadError(
            f"{one_line(found.card_path)} leads out of the card through a link.",
            "Links are not followed; copy the file itself.",
        )
    return path


def _checked_stamp(handle: CardFile, found: Found) -> tuple[int, int]:
    with reading(found.card_path):
        stamp = handle.stamp()
    if stamp[0] != found.size:
        raise _changed(found, f"it has {stamp[0]} bytes and was listed with {found.size}")
    return stamp


def _check_unchanged(handle: CardFile, found: Found, before: tuple[int, int], size: int) -> None:
    if size != before[0]:
        raise _changed(found, f"{size} bytes were read from the card and {before[0]} were expected")
    with reading(found.card_path):
        after = handle.stamp()
    if after != before:
        raise _changed(found, "its size or time changed")


def _check_same(found: Found, sha256: Sha256, expected: Sha256 | None) -> None:
    if expected not in {None, sha256}:
        raise _changed(found, "two reads gave different bytes")


def _changed(found: Found, how: str) -> CardReadError:
    return CardReadError(
        f"{one_line(found.card_path)} changed while it was read: {how}.",
        "Close other programs that use the card, then run the intake again. If this repeats, try another reader.",
    )


def _hash_on_card(path: Path, found: Found, opener: Opener) -> Sha256:
    handle = opener(path)
    try:
        before = _checked_stamp(handle, found)
        digest = hashlib.sha256()
        size = 0
        with reading(found.card_path):
            while chunk := handle.read(CHUNK):
                digest.update(chunk)
                size += len(chunk)
        sha256 = Sha256(digest.hexdigest())
        _check_unchanged(handle, found, before, size)
        return sha256
    finally:
        handle.close()
