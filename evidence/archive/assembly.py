"""Puts the next state of a bag together in a hidden sibling, then exchanges it for the present one."""

from __future__ import annotations

import contextlib
import hashlib
import logging
import os
import stat
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from enum import Enum
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
from evidence.archive.names import SIDECAR
from evidence.disk.durable import ignore_step, make_folder, sync_folder, write_new_file
from evidence.disk.faults import writing
from evidence.disk.hashing import hash_file
from evidence.disk.parallel import FILES_AT_ONCE, in_parallel
from evidence.errors import BagError, CardReadError, CopyMismatchError, DestinationError, EvidenceError
from evidence.model import Sha256

log = logging.getLogger(__name__)

_FIXED = frozenset({"bagit.txt", "bag-info.txt", SHA256_MANIFEST, TAG_MANIFEST, INCOMPLETE_MARK})

CopyFile = Callable[[Path, Path, Sha256], None]
"""Puts one file under a free name and verifies its digest: `link_or_copy` or `copy_file`. Folders are flushed later."""


class Damaged(Enum):
    """What to do with a file of which no source has the recorded bytes."""

    REFUSE = "refuse"
    """Raise BagError; the present bag stays as it is."""
    LEAVE_OUT = "leave out"
    """List it with its digest. The present bag's file stays; other bytes are not taken over."""
    KEEP = "keep"
    """List it with its digest, and keep the bytes that there are for a repair."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PayloadFile:
    """An original that a bag is to hold."""

    sha256: Sha256
    size: int
    """Bytes."""
    source: Path
    """Where its bytes are now; may be inside the present bag."""
    replace: bool = False
    """True when the present bag's file is known to be bad: the source is taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Assembled:
    """What assembling a bag changed; paths below `data/`, sorted."""

    added: tuple[str, ...]
    """New here and verified now."""
    kept: tuple[str, ...]
    """Taken from the present bag, also under a new name; not read."""
    removed: tuple[str, ...]
    """Paths that are gone, also those of renamed files."""
    damaged: tuple[str, ...] = ()
    """Listed with their digest, but absent or with other bytes."""


def assemble(
    bag: Path,
    payload: Mapping[str, PayloadFile],
    tags: Mapping[str, bytes],
    *,
    copy: CopyFile,
    recopy: bool = False,
    at_once: int = FILES_AT_ONCE,
    damaged: Damaged = Damaged.REFUSE,
    on_step: OnStep = ignore_step,
) -> Assembled:
    """Make `bag` hold exactly this payload and these tag files, by an exchange. Call it under the bag's lock.

    A file that the present bag records with the same digest, under this or another path, is taken
    from there by a hard link, or by a copy where there are no links. With `recopy` every file is
    copied again, `at_once` files at the same time. A next state left by a killed run is resumed.
    Raises BagError (a source does not match its digest, see `damaged`), DestinationError.
    """
    recorded = recorded_digests(bag, recopy=recopy)
    present = {} if recopy else _present_files(bag, payload, recorded)
    same = {path for path, at in present.items() if path == at}
    if bag.is_dir() and len(same) == len(payload) == len(recorded) and _tags_equal(bag, tags):
        with writing(bag):
            delete_state(bag, next_state(bag))  # left by a run that was killed while it deleted the old state
        return Assembled(added=(), kept=tuple(sorted(same)), removed=())
    next_bag = next_state(bag)
    with writing(bag):
        mark_incomplete(next_bag)
        _clear_unwanted(next_bag, {*(DATA + path for path in payload), *tags, INCOMPLETE_MARK})
        for folder in sorted({(next_bag / "data" / path).parent for path in present}):
            folder.mkdir(parents=True, exist_ok=True)  # here, and not by several threads at once
    on_step("begun")
    stage = _NextState(bag, next_bag, copy, damaged, recorded)

    def place(path: str) -> _Placed:
        return stage.place(path, payload[path], present.get(path))

    placed: dict[_Placed, set[str]] = {state: set() for state in _Placed}
    paths = sorted(payload)
    for path, state in zip(paths, in_parallel(place, paths, at_once=at_once), strict=True):
        placed[state].add(path)
        on_step(f"placed {path}")
    with writing(bag):
        _write_tags(next_bag, tags)
        sync_tree(next_bag)
    on_step("written")
    # Read before the exchange: a manifest that cannot be read afterwards must not make strays of the old state.
    sidecars = {path for path in payload if path.endswith(SIDECAR) and path.removesuffix(SIDECAR) in payload}
    known = known_paths(bag) | {DATA + path for path in {*recorded, *sidecars}} | set(tags)
    commit_next_state(bag, lambda state: known | _litter(state), on_step)
    return Assembled(
        added=tuple(sorted(placed[_Placed.ADDED])),
        kept=tuple(sorted(placed[_Placed.KEPT])),
        removed=tuple(sorted(set(recorded) - set(payload))),
        damaged=tuple(sorted(placed[_Placed.DAMAGED])),
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


def _present_files(
    bag: Path, payload: Mapping[str, PayloadFile], recorded: Mapping[str, Sha256]
) -> dict[str, str]:
    """For each wanted path the present bag's path of a file with that recorded digest and the right size."""
    by_digest: dict[Sha256, list[str]] = {}
    for path, digest in recorded.items():
        by_digest.setdefault(digest, []).append(path)
    found = {}
    for path, item in payload.items():
        if item.replace:
            continue
        candidates = sorted(by_digest.get(item.sha256, ()), key=lambda one: (one != path, one))
        at = next((one for one in candidates if _regular_size(bag / "data" / one) == item.size), None)
        if at is not None:
            found[path] = at
    return found


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


class _Placed(Enum):
    ADDED = "added"
    KEPT = "kept"
    DAMAGED = "damaged"


@dataclass(frozen=True, slots=True)
class _NextState:
    """Puts payload files into the next state of a bag."""

    bag: Path
    next_bag: Path
    copy: CopyFile
    damaged: Damaged
    recorded: Mapping[str, Sha256]

    def place(self, path: str, item: PayloadFile, present_path: str | None) -> _Placed:
        """Put one file there; `present_path` is where the present bag has it."""
        done = _Placed.KEPT if present_path is not None else _Placed.ADDED
        dest = self.next_bag / "data" / path
        present = self.bag / "data" / present_path if present_path is not None else None
        if dest.exists():
            if (present and dest.samefile(present)) or (not present and _has_digest(dest, item.sha256)):
                return done
            with writing(dest):
                _unlink(dest)
        if present and _hard_link(present, dest):
            return done
        for source in [present, item.source] if present else [item.source]:
            try:
                self.copy(source, dest, item.sha256)
            except (CopyMismatchError, CardReadError) as error:
                trouble = error
                if self.damaged is Damaged.REFUSE or _has_digest(source, item.sha256):
                    raise _refused(source, error) from error
            else:
                return done
        return self._keep_bad(path, item, dest, trouble)

    def _keep_bad(self, path: str, item: PayloadFile, dest: Path, trouble: EvidenceError) -> _Placed:
        """Keep what there is of a file that no source has: the present bag's file may be good after all."""
        at = {one for one, digest in self.recorded.items() if digest == item.sha256}
        if self.recorded.get(path, item.sha256) == item.sha256:  # also where no manifest could be read
            at.add(path)
        left = [self.bag / "data" / one for one in sorted(at, key=lambda one: (one != path, one))]
        if self.damaged is Damaged.KEEP:
            left.append(item.source)
        for one in left:
            if _regular_size(one) is not None and (_hard_link(one, dest) or _renamed(one, dest)):
                return _Placed.KEPT if _has_digest(dest, item.sha256) else _Placed.DAMAGED
        log.warning("payload_file_left_out bag=%s path=%s why=%s", self.bag.name, path, trouble)
        return _Placed.DAMAGED


def _refused(source: Path, trouble: EvidenceError) -> BagError:
    return BagError(
        f"{source} is no longer the file that was taken in ({trouble.message.rstrip('.')}).",
        "Nothing was changed; run `evidence repair --all`, then run it again.",
    )


def _renamed(one: Path, dest: Path) -> bool:
    """Move a bad file where there are no hard links; the bag that loses it was damaged there already."""
    try:
        one.rename(dest)
    except OSError:
        return False
    return True


def _has_digest(path: Path, digest: Sha256) -> bool:
    try:
        return hash_file(path, uncached=True) == digest
    except OSError:
        return False


def _hard_link(present: Path, dest: Path) -> bool:
    """Link a file of the present bag into the next state; False where the file system has no hard links."""
    if not dest.parent.is_dir():
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
    return frozenset(known | _litter(bag))


def other_files(bag: Path) -> list[str]:
    """Files in a bag's folder that are not the bag's, by path, sorted; those of operating systems are left out."""
    known = known_paths(bag)
    every = (
        path.relative_to(bag).as_posix() for path in bag.rglob("*") if path.is_symlink() or not path.is_dir()
    )
    return sorted(path for path in every if path not in known)


def _litter(bag: Path) -> set[str]:
    return {path.relative_to(bag).as_posix() for path in bag.rglob("*") if LITTER.fullmatch(path.name)}
