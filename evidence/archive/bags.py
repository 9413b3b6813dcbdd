"""A claim as a bag (RFC 8493, version 1.0, SHA-256) that is valid whenever somebody looks."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import stat
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from evidence.archive.bagcheck import BagCheck, Progress, check_bag
from evidence.archive.bagread import DATA, LITTER, SHA256_MANIFEST, read_manifest
from evidence.archive.names import decode_path, encode_path, folder_name, require_safe
from evidence.archive.swap import (
    MARK,
    Step,
    exclusively,
    mark,
    next_of,
    put_in_place,
    quiet,
    settle,
    throw_away,
    vanish,
)
from evidence.archive.swap import recover as recover_folders
from evidence.disk.copying import link_or_copy
from evidence.disk.durable import make_folder, sync_folder
from evidence.disk.faults import writing
from evidence.disk.hashing import hash_file
from evidence.errors import BadInputError, BagError, CardReadError, CopyMismatchError, DestinationError
from evidence.model import Sha256

__all__ = [
    "BagBuilt",
    "BagCheck",
    "PayloadFile",
    "Progress",
    "build_bag",
    "check_bag",
    "folder_name",
    "read_manifest",
    "read_tags",
    "recover",
    "remove_bag",
]

DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
TAG_MANIFEST = "tagmanifest-sha256.txt"
INFO = "bag-info.txt"

_FIXED = frozenset({"bagit.txt", INFO, SHA256_MANIFEST, TAG_MANIFEST, MARK})
_RESERVED = re.compile(
    r"(?:data|strays)(?:/.*)?|bagit\.txt|bag-info\.txt|fetch\.txt|(?:tag)?manifest-.*", re.IGNORECASE
)
_ONLY_ONCE = frozenset({"bagging-date", "bag-size", "bag-group-identifier", "bag-count"})

Placer = Callable[[Path, Path, Sha256], None]
"""Bring one file to a free name, proved to be the digest given: `link_or_copy` or `place_copy`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PayloadFile:
    """An original that a bag is to hold."""

    sha256: Sha256
    size: int
    """Bytes."""
    source: Path
    """Where its bytes stand now; may be inside the present bag."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BagBuilt:
    """A bag as it now stands."""

    path: Path
    payload_files: int
    octets: int
    """Bytes of payload."""
    added: tuple[str, ...]
    """Paths below `data/` that are new or have other bytes than before, sorted; read back and matched."""
    removed: tuple[str, ...]
    """Paths below `data/` that are gone, sorted."""
    seal: Sha256
    """SHA-256 of the tag manifest: noted elsewhere, it proves every byte of the bag."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Assembled:
    """What putting a bag together did; paths below `data/`, sorted."""

    added: tuple[str, ...]
    kept: tuple[str, ...]
    removed: tuple[str, ...]


# --- building ----------------------------------------------------------------------------


def build_bag(
    home: Path,
    payload: Mapping[str, PayloadFile],
    records: Mapping[str, bytes],
    info: Sequence[tuple[str, str]],
    *,
    step: Step = quiet,
) -> BagBuilt:
    """Make the bag `home` hold exactly this payload and these records.

    `payload` is keyed by path below `data/`, `records` by the tag file's own path
    (`records/claim.json`), both with forward slashes; `info` is bag-info.txt in order, without
    Payload-Oxum, which is counted here. The bag is valid by RFC 8493 before, during and after
    (see `swap`), whatever instant the program is killed at; building it again finishes the
    work, and building what stands there already changes nothing. Files new to the bag are
    read from the disk and compared; those already in it keep their recorded digest, which
    `check_bag` proves. Payload files are read-only. Files that somebody else put into the
    bag's folder are kept, those below `data/` under `strays/`.

    A `%` in a name is spelled `%25` in the manifests as 2.1.3 asks; `sha256sum -c` and some
    readers take it literally and miss such a file.

    Raises BadInputError (names, info), BagError (the present bag, or a source that is not its
    digest), DestinationError, LockedError. `step` hears the name of each step once it is done.
    """
    _require_sound(payload, records, info)
    with exclusively(home):
        settle(home, known_paths)
        _require_bag_or_nothing(home)
        tags = _tag_files(payload, records, info)
        done = assemble(home, payload, tags, placer=_link, step=step)
    return BagBuilt(
        path=home,
        payload_files=len(payload),
        octets=sum(item.size for item in payload.values()),
        added=done.added,
        removed=done.removed,
        seal=Sha256(hashlib.sha256(tags[TAG_MANIFEST]).hexdigest()),
    )


def recover(root: Path) -> tuple[str, ...]:
    """Finish or undo what a killed program left among the bags in `root`; the names of those bags, sorted.

    Run it once at every start. Raises DestinationError.
    """
    return recover_folders(root, known_paths)


def remove_bag(home: Path) -> bool:
    """Remove a bag and everything in its folder at once for any reader; False when it was not there.

    Raises DestinationError, LockedError.
    """
    with exclusively(home):
        return vanish(home)


def read_tags(bag: Path) -> Mapping[str, bytes]:
    """The tag files of one state of a bag, proved by its tag manifest; that manifest included.

    Raises BagError when they do not agree with it.
    """
    for _ in range(5):  # the bag may be exchanged between two readings
        with contextlib.suppress(OSError):
            tags = _read_tags_once(bag)
            if tags is not None:
                return tags
    raise BagError(
        f"The records of the bag {bag.name} are not what its tag manifest says.",
        "Run `evidence verify`, then bring the bag back from a backup.",
    )


def _read_tags_once(bag: Path) -> dict[str, bytes] | None:
    manifest = (bag / TAG_MANIFEST).read_bytes()
    tags = {TAG_MANIFEST: manifest}
    for path, digest in parse_manifest(manifest).items():
        content = (bag / path).read_bytes()
        if hashlib.sha256(content).hexdigest() != digest:
            return None
        tags[path] = content
    return tags


def parse_manifest(manifest: bytes) -> dict[str, Sha256]:
    """Digests by path inside the bag, from a manifest of our own making: digest, two blanks, path."""
    lines = manifest.decode("utf-8").split("\n")
    from_line = (line.split("  ", 1) for line in lines if line)
    return {decode_path(path): Sha256(digest) for digest, path in from_line}


# --- what we were given ------------------------------------------------------------------


def _require_sound(
    payload: Mapping[str, PayloadFile], records: Mapping[str, bytes], info: Sequence[tuple[str, str]]
) -> None:
    require_safe(payload, "a bag")
    require_safe(records, "a bag")
    for name in records:
        if _RESERVED.fullmatch(name):
            raise BadInputError(f"{name} is not a name for a record of a bag.", "Put it below records/.")
    seen: set[str] = set()
    for label, _value in info:
        key = label.casefold()
        if not re.fullmatch(r"[^\s:](?:[^:\r\n]*[^\s:])?", label) or key == "payload-oxum":
            raise BadInputError(f"{label!r} cannot be a label in bag-info.txt.", "Give it another name.")
        if key in _ONLY_ONCE and key in seen:
            raise BadInputError(f"{label} may stand in bag-info.txt only once.", "Give it once.")
        seen.add(key)


def _require_bag_or_nothing(home: Path) -> None:
    if os.path.lexists(home) and (home.is_symlink() or not home.is_dir()):
        raise DestinationError(f"{home} is in the way of a bag.", "Move it aside, then run it again.")
    if home.is_dir() and any(home.iterdir()) and not (home / "bagit.txt").is_file():
        raise DestinationError(
            f"{home} is a folder that holds other things than a bag.", "Move it aside, then run it again."
        )


# --- tag files ---------------------------------------------------------------------------


def _tag_files(
    payload: Mapping[str, PayloadFile], records: Mapping[str, bytes], info: Sequence[tuple[str, str]]
) -> dict[str, bytes]:
    octets = sum(item.size for item in payload.values())
    lines = [f"{label}: {' '.join(value.split())}".rstrip() for label, value in info]
    lines.append(f"Payload-Oxum: {octets}.{len(payload)}")
    tags = {
        "bagit.txt": DECLARATION,
        INFO: "".join(f"{line}\n" for line in lines).encode(),
        SHA256_MANIFEST: _listing({DATA + path: item.sha256 for path, item in payload.items()}),
        **records,
    }
    digests = {path: hashlib.sha256(content).hexdigest() for path, content in tags.items()}
    return {**tags, TAG_MANIFEST: _listing(digests)}


def _listing(digests: Mapping[str, str]) -> bytes:
    """A manifest (2.1.3), in the form that `sha256sum -c` reads too."""
    return "".join(f"{digests[path]}  {encode_path(path)}\n" for path in sorted(digests)).encode()


# --- putting it together -----------------------------------------------------------------


def assemble(
    home: Path,
    payload: Mapping[str, PayloadFile],
    tags: Mapping[str, bytes],
    *,
    placer: Placer,
    afresh: bool = False,
    step: Step = quiet,
) -> Assembled:
    """Make `home` exactly this, by way of its hidden sibling. Call it under the bag's lock.

    A file that the present bag records under the same path and digest is taken from there,
    unless `afresh`, which believes nothing of the present bag; a next state that a killed run left is gone on with. Raises BagError (a
    source is not its digest), DestinationError.
    """
    present = recorded_in(home, afresh=afresh)
    same = frozenset() if afresh else _same_files(home, payload, present)
    if home.is_dir() and len(same) == len(payload) == len(present) and _tags_equal(home, tags):
        with writing(home):
            throw_away(
                home, next_of(home)
            )  # what a run left that was killed while it cleared the old state away
        return Assembled(added=(), kept=tuple(sorted(same)), removed=())
    fresh = next_of(home)
    with writing(home):
        mark(fresh)
        _clear_unwanted(fresh, {*(DATA + path for path in payload), *tags, MARK})
    step("begun")
    for path in sorted(payload):
        _stage(home, path, payload[path], kept=path in same, placer=placer)
        step(f"placed {path}")
    with writing(home):
        _write_tags(fresh, tags)
        _sync_folders(fresh)
    step("written")
    put_in_place(home, known_paths, step)
    return Assembled(
        added=tuple(sorted(set(payload) - same)),
        kept=tuple(sorted(same)),
        removed=tuple(sorted(set(present) - set(payload))),
    )


def recorded_in(home: Path, *, afresh: bool = False) -> Mapping[str, Sha256]:
    """Digests by the present bag's manifest; none without a bag. Raises BagError for a manifest that cannot
    be read, unless `afresh`: then nothing of it is believed anyway.
    """
    if not (home / "bagit.txt").is_file():
        return {}
    try:
        return read_manifest(home)
    except BagError:
        if afresh:
            return {}
        raise


def _link(source: Path, dest: Path, digest: Sha256) -> None:
    link_or_copy(source, dest, digest)


def _same_files(
    home: Path, payload: Mapping[str, PayloadFile], present: Mapping[str, Sha256]
) -> frozenset[str]:
    """Paths that the present bag already records with the wanted digest, and whose file has the right size."""
    return frozenset(
        path
        for path, item in payload.items()
        if present.get(path) == item.sha256 and _regular_size(home / "data" / path) == item.size
    )


def _regular_size(path: Path) -> int | None:
    """Bytes of a regular file; None for anything else, or nothing."""
    try:
        found = path.lstat()
    except OSError:
        return None
    return found.st_size if stat.S_ISREG(found.st_mode) else None


def _tags_equal(home: Path, tags: Mapping[str, bytes]) -> bool:
    try:
        return all((home / path).read_bytes() == content for path, content in tags.items())
    except OSError:
        return False


def _stage(home: Path, path: str, item: PayloadFile, *, kept: bool, placer: Placer) -> None:
    """One payload file into the next state."""
    standing, dest = home / "data" / path, next_of(home) / "data" / path
    if dest.exists():
        if (kept and dest.samefile(standing)) or (not kept and _is(dest, item.sha256)):
            return
        with writing(dest):
            _unlink(dest)
    if kept and _relink(standing, dest):
        return
    sources = [standing, item.source] if kept else [item.source]
    for source in sources:
        try:
            placer(source, dest, item.sha256)
        except (CopyMismatchError, CardReadError) as error:
            trouble = error
        else:
            return
    raise BagError(
        f"{sources[-1]} is no longer the file that was taken in ({trouble.message.rstrip('.')}).",
        "Nothing was changed; bring that file back from a backup, then run it again.",
    ) from trouble


def _is(path: Path, digest: Sha256) -> bool:
    try:
        return hash_file(path, uncached=True) == digest
    except OSError:
        return False


def _relink(standing: Path, dest: Path) -> bool:
    """A second name for a file of the present bag; False where the file system has no hard links."""
    with writing(dest.parent):
        dest.parent.mkdir(parents=True, exist_ok=True)
    try:
        os.link(standing, dest, follow_symlinks=False)
    except (OSError, NotImplementedError):
        return False
    return True


def _unlink(path: Path) -> None:
    if os.name == "nt":
        path.chmod(stat.S_IWRITE)
    path.unlink()


def _write_tags(fresh: Path, tags: Mapping[str, bytes]) -> None:
    (fresh / "data").mkdir(exist_ok=True)
    for path, content in tags.items():
        place = fresh / path
        make_folder(place.parent)
        place.unlink(missing_ok=True)
        with place.open("xb") as handle:
            handle.write(content)
            handle.flush()
            os.fsync(handle.fileno())


def _sync_folders(top: Path) -> None:
    for folder, _names, _files in os.walk(top):
        sync_folder(Path(folder))
    sync_folder(top.parent)


def _clear_unwanted(fresh: Path, wanted: Collection[str]) -> None:
    """Remove what an earlier, unfinished next state has and this one has not."""
    for folder, names, files in os.walk(fresh, topdown=False):
        for name in files:
            path = Path(folder, name)
            if path.relative_to(fresh).as_posix() not in wanted:
                _unlink(path)
        for name in names:
            with contextlib.suppress(OSError):
                Path(folder, name).rmdir()


def known_paths(bag: Path) -> frozenset[str]:
    """Paths in a bag that it lists itself, its own tag files, and what operating systems leave behind."""
    known = set(_FIXED)
    with contextlib.suppress(BagError):
        known.update(DATA + path for path in read_manifest(bag))
    with contextlib.suppress(OSError, ValueError):
        known.update(parse_manifest((bag / TAG_MANIFEST).read_bytes()))
    known.update(path.relative_to(bag).as_posix() for path in bag.rglob("*") if LITTER.fullmatch(path.name))
    return frozenset(known)
