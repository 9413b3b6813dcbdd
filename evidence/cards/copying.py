"""Copying off the card into the archive, each file read once, hashed, read back and compared."""

from __future__ import annotations

import hashlib
import logging
import os
import re
import secrets
from collections.abc import Callable
from pathlib import Path, PurePosixPath

from evidence.cards.reading import CardFile, Opener, open_on_card, path_on_card
from evidence.cards.volumes import CardSource
from evidence.disk.durable import (
    CHUNK,
    CopyStep,
    NameTakenError,
    OnStep,
    discard,
    hash_file,
    link_or_copy,
    make_folder,
    no_listener,
    one_line,
    place_copy,
    publish,
    reading,
    sweep_folder,
    sync_folder,
    write_part,
    writing,
)
from evidence.errors import CardReadError, DestinationError
from evidence.model import Copied, Found, Outcome, Sha256

__all__ = [
    "CopyStep",
    "NameTakenError",
    "copy_in",
    "hash_file",
    "kept_path",
    "link_or_copy",
    "object_path",
    "place_copy",
    "sweep_folder",
    "sweep_parts",
]

log = logging.getLogger(__name__)

_INCOMING = "incoming"
_DAMAGED = "damaged"
_EXTENSION = re.compile(r"\.[a-z0-9]{1,8}")


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
    on_step: OnStep = no_listener,
) -> Copied:
    """Bring one file of a card into `store`, as `<sha[:2]>/<sha><extension>`, and prove it.

    The file is opened read-only, read once, hashed while it is written to `incoming/*.part`,
    flushed, read back from the disk, compared, made read-only and renamed. KEPT says that the
    bytes came into the store now; ALREADY_KEPT that they were there (read again and equal) or
    that `known` vouches for them elsewhere in the archive.

    `same_size` says whether a file of so many bytes may be known: only then is the card read
    for the digest first, which saves writing a copy of what is kept already, at the price of
    a second read for what is not. Leave it out for a card that was never seen.

    A copy in the store whose bytes have gone bad is moved to `damaged/` and replaced, never
    overwritten. Raises CardReadError (the file cannot be read, is not the size it was listed
    with, or changed while it was read), CopyMismatchError (the copy reads back different) and
    DestinationError (the store cannot be written). In each case nothing of this file is left
    in the store.
    """
    path = _inside(source, found)
    expected: Sha256 | None = None
    if same_size(found.size):
        expected = _hash_on_card(path, found, opener)
        if known(expected) or _stands_in_store(store, expected):
            return Copied(found=found, sha256=expected, outcome=Outcome.ALREADY_KEPT)
    handle = opener(path)
    try:
        on_step(CopyStep.OPENED, path)
        before = _checked_stamp(handle, found)
        part, sha256, size = write_part(handle, found.card_path, store / _INCOMING, on_step=on_step)
        try:
            _check_unchanged(handle, found, before, size)
            _check_same(found, sha256, expected)
            if known(sha256) or _stands_in_store(store, sha256):
                discard(part)
                return Copied(found=found, sha256=sha256, outcome=Outcome.ALREADY_KEPT)
            final = _shelve(part, store, sha256, found)
        except BaseException:
            discard(part)
            raise
    finally:
        handle.close()
    on_step(CopyStep.PUBLISHED, final)
    return Copied(found=found, sha256=sha256, outcome=Outcome.KEPT)


def object_path(store: Path, sha256: Sha256, suffix: str = "") -> Path:
    """Where the store keeps bytes with this digest that came under a name ending in `suffix`.

    The suffix is taken in lower case, and only when it is a dot and up to eight letters and
    digits. Says nothing about whether the file is there: `kept_path` looks.
    """
    ending = suffix.lower()
    return store / sha256[:2] / f"{sha256}{ending if _EXTENSION.fullmatch(ending) else ''}"


def kept_path(store: Path, sha256: Sha256) -> Path | None:
    """Where the store keeps the bytes with this digest, or None. Looks at names, not at bytes."""
    folder = store / sha256[:2]
    with writing(store):
        names = sorted(p for p in folder.glob(f"{sha256}*") if p.stem == sha256) if folder.is_dir() else []
    return names[0] if names else None


def sweep_parts(store: Path) -> tuple[Path, ...]:
    """Remove the .part files that killed runs left in the store's `incoming`; see `sweep_folder`."""
    return sweep_folder(store / _INCOMING)


# --- the card's side ---------------------------------------------------------------------


def _inside(source: CardSource, found: Found) -> Path:
    """The file's path, after a look that no folder on the way has turned into a link out of the card."""
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
        raise _changed(found, f"{size} bytes came off the card where {before[0]} were announced")
    with reading(found.card_path):
        after = handle.stamp()
    if after != before:
        raise _changed(found, "something wrote to it meanwhile")


def _check_same(found: Found, sha256: Sha256, expected: Sha256 | None) -> None:
    if expected not in {None, sha256}:
        raise _changed(found, "two reads gave different bytes")


def _changed(found: Found, how: str) -> CardReadError:
    return CardReadError(
        f"{one_line(found.card_path)} changed while it was read: {how}.",
        "Close whatever uses the card, try another reader if it comes again, then run the intake again.",
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


# --- the store's side --------------------------------------------------------------------


def _stands_in_store(store: Path, sha256: Sha256) -> bool:
    """True when the store holds these bytes, by reading them; a damaged copy is moved aside."""
    standing = kept_path(store, sha256)
    if standing is None:
        return False
    with writing(standing):
        if standing.is_file() and not standing.is_symlink() and hash_file(standing, uncached=True) == sha256:
            return True
        aside = store / _DAMAGED / f"{standing.name}.{secrets.token_hex(4)}"
        make_folder(aside.parent)
        standing.rename(aside)
        sync_folder(aside.parent)
        sync_folder(standing.parent)
    log.warning("store_copy_damaged sha256=%s moved_to=%s", sha256, aside)
    return False


def _shelve(part: Path, store: Path, sha256: Sha256, found: Found) -> Path:
    final = object_path(store, sha256, PurePosixPath(found.card_path).suffix)
    try:
        with writing(store):
            make_folder(final.parent)
            publish(part, final)
    except DestinationError as error:
        if isinstance(error.__cause__, FileExistsError):  # someone else was faster, with the same bytes
            raise NameTakenError(f"{final} appeared meanwhile.", "Run the same command again.") from error
        raise
    return final
