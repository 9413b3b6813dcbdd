"""Puts the next state of a bag together in a hidden sibling, then exchanges it for the present one."""

from __future__ import annotations

import contextlib
import hashlib
import os
import stat
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from pathlib import Path

from evidence.archive.bagread import (
    DATA,
    LITTER,
    SHA256_MANIFEST,
    TAG_MANIFEST,
    parse_manifest,
    read_manifest,
)
from evidence.archive.exchange import (
    INCOMPLETE_MARK,
    OnStep,
    commit_next_state,
    delete_state,
    mark_incomplete,
    next_state,
)
from evidence.disk.durable import ignore_step, make_folder, sync_folder, write_new_file
from evidence.disk.faults import writing
from evidence.disk.hashing import hash_file
from evidence.disk.parallel import FILES_AT_ONCE, in_parallel
from evidence.errors import BagError, CardReadError, CopyMismatchError, DestinationError
from evidence.model import Sha256

_FIXED = frozenset({"bagit.txt", "bag-info.txt", SHA256_MANIFEST, TAG_MANIFEST, INCOMPLETE_MARK})

CopyFile = Callable[[Path, Path, Sha256], None]
"""Puts one file under a free name and verifies its digest: `link_or_copy` or `copy_file`. Folders are flushed later."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PayloadFile:
    """An original that a bag is to hold."""

    sha256: Sha256
    size: int
    """Bytes."""
    source: Path
    """Where its bytes are now; may be inside the present bag."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Assembled:
    """What assembling a bag changed; paths below `data/`, sorted."""

    added: tuple[str, ...]
    kept: tuple[str, ...]
    removed: tuple[str, ...]


def assemble(
    bag: Path,
    payload: Mapping[str, PayloadFile],
    tags: Mapping[str, bytes],
    *,
    copy: CopyFile,
    recopy: bool = False,
    at_once: int = FILES_AT_ONCE,
    on_step: OnStep = ignore_step,
) -> Assembled:
    """Make `bag` hold exactly this payload and these tag files, by an exchange. Call it under the bag's lock.

    A file that the present bag records under the same path and digest is taken from there. With
    `recopy` every file is copied again, `at_once` files at the same time. A next state left by a killed run is resumed. Raises
    BagError (a source does not match its digest), DestinationError.
    """
    recorded = recorded_digests(bag, recopy=recopy)
    same = frozenset() if recopy else _same_files(bag, payload, recorded)
    if bag.is_dir() and len(same) == len(payload) == len(recorded) and _tags_equal(bag, tags):
        with writing(bag):
            delete_state(bag, next_state(bag))  # left by a run that was killed while it deleted the old state
        return Assembled(added=(), kept=tuple(sorted(same)), removed=())
    next_bag = next_state(bag)
    with writing(bag):
        mark_incomplete(next_bag)
        _clear_unwanted(next_bag, {*(DATA + path for path in payload), *tags, INCOMPLETE_MARK})
    on_step("begun")

    def place(path: str) -> None:
        _stage_file(bag, path, payload[path], kept=path in same, copy=copy)

    paths = sorted(payload)
    for path, _ in zip(paths, in_parallel(place, paths, at_once=at_once), strict=True):
        on_step(f"placed {path}")
    with writing(bag):
        _write_tags(next_bag, tags)
        sync_tree(next_bag)
    on_step("written")
    commit_next_state(bag, known_paths, on_step)
    return Assembled(
        added=tuple(sorted(set(payload) - same)),
        kept=tuple(sorted(same)),
        removed=tuple(sorted(set(recorded) - set(payload))),
    )


def recorded_digests(bag: Path, *, recopy: bool = False) -> Mapping[str, Sha256]:
    """Digests by path from the present bag's manifest; none without a bag.

    Raises BagError for a manifest that cannot be read; with `recopy` there are then none.
    """
    if not (bag / "bagit.txt").is_file():
        return {}
    try:
        return read_manifest(bag)
    except BagError:
        if recopy:
            return {}
        raise


def _same_files(
    bag: Path, payload: Mapping[str, PayloadFile], present: Mapping[str, Sha256]
) -> frozenset[str]:
    """Paths that the present bag records with the wanted digest and whose file has the right size."""
    return frozenset(
        path
        for path, item in payload.items()
        if present.get(path) == item.sha256 and _regular_size(bag / "data" / path) == item.size
    )


def _regular_size(path: Path) -> int | None:
    """Bytes of a regular file; None for anything else."""
    try:
        found = path.lstat()
    except OSError:
        return None
    return found.st_size if stat.S_ISREG(found.st_mode) else None


def _tags_equal(bag: Path, tags: Mapping[str, bytes]) -> bool:
    try:
        return all((bag / path).read_bytes() == content for path, content in tags.items())
    except OSError:
        return False


def _stage_file(bag: Path, path: str, item: PayloadFile, *, kept: bool, copy: CopyFile) -> None:
    """Put one payload file into the next state."""
    present, dest = bag / "data" / path, next_state(bag) / "data" / path
    if dest.exists():
        if (kept and dest.samefile(present)) or (not kept and _has_digest(dest, item.sha256)):
            return
        with writing(dest):
            _unlink(dest)
    if kept and _hard_link(present, dest):
        return
    sources = [present, item.source] if kept else [item.source]
    for source in sources:
        try:
            copy(source, dest, item.sha256)
        except (CopyMismatchError, CardReadError) as error:
            trouble = error
        else:
            return
    raise BagError(
        f"{sources[-1]} is no longer the file that was taken in ({trouble.message.rstrip('.')}).",
        "Nothing was changed; run `evidence repair --all`, then run it again.",
    ) from trouble


def _has_digest(path: Path, digest: Sha256) -> bool:
    try:
        return hash_file(path, uncached=True) == digest
    except OSError:
        return False


def _hard_link(present: Path, dest: Path) -> bool:
    """Link a file of the present bag into the next state; False where the file system has no hard links."""
    with writing(dest.parent):
        dest.parent.mkdir(parents=True, exist_ok=True)
    try:
        os.link(present, dest, follow_symlinks=False)
    except (OSError, NotImplementedError):
        return False
    return True


def _unlink(path: Path) -> None:
    if os.name == "nt":
        path.chmod(stat.S_IWRITE)
    path.unlink()


def _write_tags(next_bag: Path, tags: Mapping[str, bytes]) -> None:
    (next_bag / "data").mkdir(exist_ok=True)
    for path, content in tags.items():
        place = next_bag / path
        make_folder(place.parent)
        place.unlink(missing_ok=True)
        write_new_file(place, content)
        if hash_file(place, uncached=True) != hashlib.sha256(content).hexdigest():
            raise DestinationError(
                f"{place.name} in the bag {next_bag.name} reads back different from what was written.",
                "Check the disk, then run the same command again.",
            )


def sync_tree(top: Path) -> None:
    """Flush the entries of a folder, of every folder in it and of the one above. Raises OSError."""
    for folder, _names, _files in os.walk(top):
        sync_folder(Path(folder))
    sync_folder(top.parent)


def _clear_unwanted(next_bag: Path, wanted: Collection[str]) -> None:
    """Remove from an incomplete next state the files that are not wanted now."""
    for folder, names, files in os.walk(next_bag, topdown=False):
        for name in files:
            path = Path(folder, name)
            if path.relative_to(next_bag).as_posix() not in wanted:
                _unlink(path)
        for name in names:
            with contextlib.suppress(OSError):
                Path(folder, name).rmdir()


def known_paths(bag: Path) -> frozenset[str]:
    """Paths in a bag that its manifests list, its tag files, and files that operating systems create."""
    known = set(_FIXED)
    with contextlib.suppress(BagError):
        known.update(DATA + path for path in read_manifest(bag))
    with contextlib.suppress(OSError, ValueError):
        known.update(parse_manifest((bag / TAG_MANIFEST).read_bytes()))
    known.update(path.relative_to(bag).as_posix() for path in bag.rglob("*") if LITTER.fullmatch(path.name))
    return frozenset(known)
