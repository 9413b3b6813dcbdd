"""Reading a bag back and saying what is wrong with it: RFC 8493, sections 2, 3, 5 and 6.

Bags of earlier drafts (0.93 to 0.97) are read by their own, milder rules.
"""

from __future__ import annotations

import codecs
import hashlib
import os
import re
import stat
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from evidence.archive.names import decode_path, fold, why_unsafe
from evidence.cards.durable import CHUNK, drop_cache
from evidence.errors import BagError
from evidence.model import Finding, Sha256

DATA = "data/"
SHA256_MANIFEST = "manifest-sha256.txt"
LITTER = re.compile(r"(?:\.DS_Store|\._.*|Thumbs\.db|desktop\.ini)", re.IGNORECASE)
"""What operating systems leave in folders they show (RFC 8493, 6.1, warns of the same)."""

OLDEST, NEWEST = (0, 93), (1, 0)
_ATTEMPTS = 5
"""Times a check begins again because the bag was exchanged under it."""

_MANIFEST = re.compile(r"(?P<tag>tag)?manifest-(?P<algorithm>[A-Za-z0-9_-]+)\.txt")
_LINE_END = re.compile(r"\r\n|\n|\r")
_DECLARATION = re.compile(
    r"BagIt-Version(?P<gap1>[ \t]*:[ \t]*)(?P<major>\d+)\.(?P<minor>\d+)(?:\r\n|\n|\r)"
    r"Tag-File-Character-Encoding(?P<gap2>[ \t]*:[ \t]*)(?P<encoding>[\w.:-]+)[ \t]*(?:\r\n|\n|\r)?"
)
_ENTRY = re.compile(r"(?P<digest>[0-9A-Fa-f]+)[ \t]+(?P<star>\*?)(?P<path>.*\S.*)")
_FETCH = re.compile(r"(?P<url>\S+)[ \t]+(?P<length>\d+|-)[ \t]+(?P<path>.*\S.*)")
_OXUM = re.compile(r"(?P<octets>\d+)\.(?P<files>\d+)")
_ONCE = frozenset({"bagging-date", "bag-size", "bag-group-identifier", "bag-count"})

Listing = dict[str, str]
"""Path inside the bag to lower-case hexadecimal checksum."""

Progress = Callable[[int, int], None]
"""Told how many files were read, and how many there are to read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BagCheck:
    """What a check of one bag found."""

    checked: int
    """Files listed in the payload manifests that were there and were read to their end (not in a fast check)."""
    bad: tuple[Finding, ...] = ()
    """What makes the bag invalid beyond missing and unlisted files; the subject is the path inside the bag."""
    missing: tuple[str, ...] = ()
    """Paths inside the bag that a manifest lists and that are not there, sorted."""
    unlisted: tuple[str, ...] = ()
    """Payload files that no manifest lists, sorted."""
    warnings: tuple[Finding, ...] = ()
    """What the standard warns of but allows."""

    @property
    def valid(self) -> bool:
        """Complete, and every checksum verified (section 3)."""
        return not (self.bad or self.missing or self.unlisted)


@dataclass(slots=True)
class _Notes:
    bad: list[Finding] = field(default_factory=list)
    warnings: list[Finding] = field(default_factory=list)
    missing: set[str] = field(default_factory=set)
    unlisted: set[str] = field(default_factory=set)

    def wrong(self, code: str, subject: str, message: str) -> None:
        self.bad.append(Finding(code=code, message=message, subject=subject))

    def odd(self, code: str, subject: str, message: str) -> None:
        self.warnings.append(Finding(code=code, message=message, subject=subject))


@dataclass(frozen=True, slots=True)
class _Declaration:
    version: tuple[int, int]
    encoding: str


@dataclass(frozen=True, slots=True)
class _Lists:
    """Payload manifests and tag manifests, by algorithm."""

    payload: dict[str, Listing] = field(default_factory=dict)
    tags: dict[str, Listing] = field(default_factory=dict)


@dataclass(slots=True)
class _Tree:
    """The regular files of a bag, by path with forward slashes, and their sizes in bytes."""

    files: dict[str, int] = field(default_factory=dict)
    folded: dict[str, list[str]] = field(default_factory=dict)

    def find(self, path: str) -> str | None:
        """The file that a manifest means: the exact name, else the one that differs in Unicode form only."""
        if path in self.files:
            return path
        composed = unicodedata.normalize("NFC", path)
        candidates = self.folded.get(fold(path), [])
        same = [name for name in candidates if unicodedata.normalize("NFC", name) == composed]
        return same[0] if len(same) == 1 else None


# --- the two questions -------------------------------------------------------------------


def read_manifest(bag: Path) -> Mapping[str, Sha256]:
    """The SHA-256 that a bag's manifest records for each payload file, by path below `data/`.

    Nothing but the manifest is read. Raises BagError when there is none, or when it does not
    conform.
    """
    notes = _Notes()
    declaration = _read_declaration(bag, notes)
    listing: Listing = {}
    if declaration:
        listing = _read_listing(bag, SHA256_MANIFEST, "sha256", declaration, notes)
    if notes.bad:
        raise BagError(
            f"The bag {bag.name} cannot be read: {notes.bad[0].message}",
            "Leave it as it is and bring it back from a backup.",
        )
    return {path.removeprefix(DATA): Sha256(digest) for path, digest in listing.items()}


def check_bag(
    bag: Path,
    *,
    fast: bool = False,
    expected: Mapping[str, Sha256] | None = None,
    progress: Progress | None = None,
) -> BagCheck:
    """Read a whole bag again, from the disk where the system allows, and compare it with its manifests.

    `fast` reads only the tag files and counts the payload against Payload-Oxum, which proves
    nothing about its bytes. `expected` (path below `data/` to digest) is what the manifest
    itself must say: it catches a manifest that was rewritten to fit altered photos.

    The bag may be exchanged for its next state meanwhile: then the check begins again, so
    that what it reports is true of one state. Never raises for what a bag holds: all is in
    the result.
    """
    for _ in range(_ATTEMPTS):
        before = _state(bag)
        result = _inspect(bag, fast=fast, expected=expected, progress=progress)
        if result.valid or _state(bag) == before:
            break
    return result


def _state(bag: Path) -> tuple[int, ...]:
    try:
        own, manifest = bag.stat(), (bag / SHA256_MANIFEST).stat()
    except OSError:
        return ()
    return (own.st_dev, own.st_ino, manifest.st_ino, manifest.st_mtime_ns)


def _inspect(
    bag: Path, *, fast: bool, expected: Mapping[str, Sha256] | None, progress: Progress | None
) -> BagCheck:
    notes = _Notes()
    checked = 0
    declaration = _read_declaration(bag, notes)
    if declaration:
        tree = _walk(bag, notes)
        lists = _read_listings(bag, tree, declaration, notes)
        _check_structure(bag, tree, lists, declaration, notes)
        _check_expected(lists.payload, expected, notes)
        _check_fetch(bag, tree, lists.payload, declaration, notes)
        _check_info(bag, tree, declaration, notes)
        wanted = _wanted({} if fast else lists.payload, lists.tags)
        checked = _check_digests(bag, tree, wanted, notes, progress)
    return BagCheck(
        checked=checked,
        bad=tuple(notes.bad),
        missing=tuple(sorted(notes.missing)),
        unlisted=tuple(sorted(notes.unlisted)),
        warnings=tuple(notes.warnings),
    )


# --- reading -----------------------------------------------------------------------------


def _read_declaration(bag: Path, notes: _Notes) -> _Declaration | None:
    """bagit.txt (2.1.1): two lines, in order, UTF-8 without a byte order mark."""
    name = "bagit.txt"
    try:
        raw = (bag / name).read_bytes()
    except OSError:
        notes.wrong("no_declaration", name, "bagit.txt is missing or cannot be read: this is no bag.")
        return None
    text = raw.decode("utf-8", errors="replace")
    match = _DECLARATION.fullmatch(text)
    if match is None:
        notes.wrong("bad_declaration", name, "bagit.txt is not the two lines that RFC 8493 asks for.")
        return None
    version = (int(match["major"]), int(match["minor"]))
    if not OLDEST <= version <= NEWEST:
        notes.wrong("unknown_version", name, f"BagIt version {version[0]}.{version[1]} is not one we know.")
        return None
    if version >= NEWEST and {match["gap1"], match["gap2"]} != {": "}:
        notes.wrong("bad_declaration", name, "bagit.txt has blanks where RFC 8493 allows none.")
    try:
        encoding = codecs.lookup(match["encoding"]).name
    except LookupError:
        notes.wrong("unknown_encoding", name, f"{match['encoding']} is not an encoding we know.")
        return None
    return _Declaration(version, encoding)


def _walk(bag: Path, notes: _Notes) -> _Tree:
    """Every regular file below the bag; links and special files are findings, and are not followed."""
    tree = _Tree()
    pending = [""]
    while pending:
        prefix = pending.pop()
        try:
            with os.scandir(bag / prefix) as listing:
                entries = sorted(listing, key=lambda entry: entry.name)
        except OSError as error:
            notes.wrong("unreadable", prefix, f"{prefix or 'The bag'} cannot be read: {error.strerror}.")
            continue
        for entry in entries:
            path = prefix + entry.name
            mode = entry.stat(follow_symlinks=False)
            if stat.S_ISDIR(mode.st_mode):
                pending.append(f"{path}/")
            elif stat.S_ISREG(mode.st_mode):
                tree.files[path] = mode.st_size
                tree.folded.setdefault(fold(path), []).append(path)
            else:
                notes.wrong("not_a_file", path, f"{path} is a link or a special file; it was not followed.")
    return tree


def _read_listings(bag: Path, tree: _Tree, declaration: _Declaration, notes: _Notes) -> _Lists:
    lists = _Lists()
    for name in sorted(path for path in tree.files if "/" not in path):
        match = _MANIFEST.fullmatch(name)
        if not match:
            continue
        algorithm = match["algorithm"].lower()
        if algorithm not in hashlib.algorithms_guaranteed or algorithm.startswith("shake"):
            notes.wrong("unknown_algorithm", name, f"{name}: checksums of that kind cannot be computed here.")
            continue
        listing = _read_listing(bag, name, algorithm, declaration, notes)
        (lists.tags if match["tag"] else lists.payload)[algorithm] = listing
    return lists


def _read_text(bag: Path, name: str, declaration: _Declaration, notes: _Notes) -> list[str]:
    """The lines of a tag file."""
    try:
        text = (bag / name).read_bytes().decode(declaration.encoding)
    except (OSError, UnicodeDecodeError) as error:
        notes.wrong("unreadable", name, f"{name} cannot be read: {error}.")
        return []
    if text.startswith("\ufeff"):
        notes.odd("byte_order_mark", name, f"{name} begins with a byte order mark.")
    return _LINE_END.split(text.removeprefix("\ufeff"))


def _read_listing(bag: Path, name: str, algorithm: str, declaration: _Declaration, notes: _Notes) -> Listing:
    """One manifest (2.1.3, 2.2.1)."""
    listing: Listing = {}
    length = hashlib.new(algorithm, usedforsecurity=False).digest_size * 2
    for number, line in enumerate(_read_text(bag, name, declaration, notes), start=1):
        if not line.strip():
            continue
        where = f"{name}, line {number}"
        match = _ENTRY.fullmatch(line)
        if match is None or len(match["digest"]) != length:
            notes.wrong("bad_line", name, f"{where}: not a checksum and a path.")
            continue
        if match["star"]:
            notes.odd("binary_mark", name, f"{where}: a '*' before the path is another tool's habit.")
        path = decode_path(match["path"], version=declaration.version)
        if path.startswith("./"):
            notes.odd("dot_path", name, f"{where}: the path begins with './'.")
            path = path.removeprefix("./")
        if _outside(path, name, where, notes):
            continue
        digest = match["digest"].lower()
        if path in listing:
            _note_twice(path, listing[path] == digest, where, declaration, notes)
        listing.setdefault(path, digest)
    return listing


def _outside(path: str, name: str, where: str, notes: _Notes) -> bool:
    """True, and a finding, when a manifest names a file that it may not (2.1.3, 2.2.1, 5.1)."""
    payload = not name.startswith("tag")
    if payload != path.startswith(DATA) or ".." in path.split("/") or path.startswith(("/", "~")):
        notes.wrong("outside", path, f"{where}: {path} is not a path that this manifest may name.")
        return True
    if not payload and _is_tag_manifest(path):
        notes.wrong("outside", path, f"{where}: a tag manifest may not list a tag manifest.")
        return True
    return False


def _is_tag_manifest(path: str) -> bool:
    match = _MANIFEST.fullmatch(path)
    return bool(match and match["tag"])


def _note_twice(path: str, same: bool, where: str, declaration: _Declaration, notes: _Notes) -> None:
    if same and declaration.version < NEWEST:
        notes.odd("listed_twice", path, f"{where}: {path} is listed twice.")
    else:
        notes.wrong("listed_twice", path, f"{where}: {path} is listed twice.")


# --- judging -----------------------------------------------------------------------------


def _check_structure(bag: Path, tree: _Tree, lists: _Lists, declaration: _Declaration, notes: _Notes) -> None:
    """What must be there (2.1), and every file in every list (3)."""
    if not (bag / "data").is_dir():
        notes.wrong("no_payload_folder", "data", "The folder data is missing.")
    if not lists.payload:
        notes.wrong("no_manifest", "", "There is no payload manifest.")
    listed = {path for listing in lists.payload.values() for path in listing}
    tagged = {path for listing in lists.tags.values() for path in listing}
    for path in listed | tagged:
        if tree.find(path) is None:
            notes.missing.add(path)
        elif path not in tree.files:
            notes.odd("unicode_form", path, f"{path} is spelled in another Unicode form on this disk.")
    if lists.payload:
        found = {tree.find(path) or path for path in listed}
        notes.unlisted.update(p for p in tree.files if p.startswith(DATA) and p not in found)
    if declaration.version >= NEWEST:
        _check_every_list(listed, lists, notes)
    _check_names(listed, notes)
    for path in sorted(tree.files):
        if lists.tags and not path.startswith(DATA) and path not in tagged and not _is_tag_manifest(path):
            notes.odd("untracked", path, f"{path} is in no tag manifest, so that nothing proves it.")


def _check_every_list(listed: Iterable[str], lists: _Lists, notes: _Notes) -> None:
    for path in sorted(listed):
        lacking = [algorithm for algorithm, listing in lists.payload.items() if path not in listing]
        if lacking:
            notes.wrong("not_in_every_manifest", path, f"{path} is not in manifest-{lacking[0]}.txt.")
    for algorithm, listing in lists.tags.items():
        for name in (f"manifest-{each}.txt" for each in lists.payload):
            if not any(path.lower() == name for path in listing):
                notes.wrong("tag_manifest_gap", name, f"tagmanifest-{algorithm}.txt does not list {name}.")


def _check_names(listed: Iterable[str], notes: _Notes) -> None:
    """What 6.1 warns of: names that some systems confuse, cannot hold, or leave behind by themselves."""
    seen: dict[str, str] = {}
    for path in sorted(listed):
        other = seen.setdefault(fold(path), path)
        if other != path:
            notes.odd("look_alike", path, f"{path} and {other} are one name to some systems.")
        if reason := why_unsafe(path):
            notes.odd("not_portable", path, f"{path}: {reason}.")
        if LITTER.fullmatch(path.rsplit("/", 1)[-1]):
            notes.odd("litter", path, f"{path} is a file that an operating system leaves behind.")


def _check_expected(
    payload: Mapping[str, Listing], expected: Mapping[str, Sha256] | None, notes: _Notes
) -> None:
    if expected is None:
        return
    listing = payload.get("sha256", {})
    for path, digest in sorted(expected.items()):
        recorded = listing.get(DATA + path)
        if recorded is None:
            notes.wrong(
                "not_recorded", DATA + path, f"{path} should be in the bag and is not in its manifest."
            )
        elif recorded != digest:
            notes.wrong(
                "rewritten", DATA + path, f"{path}: the manifest records another digest than the archive."
            )
    for path in sorted(set(listing) - {DATA + name for name in expected}):
        notes.wrong("not_expected", path, f"{path} is in the manifest and should not be in this bag.")


def _check_fetch(
    bag: Path, tree: _Tree, payload: Mapping[str, Listing], declaration: _Declaration, notes: _Notes
) -> None:
    """fetch.txt (2.2.3): a bag whose files are still elsewhere is incomplete."""
    name = "fetch.txt"
    if name not in tree.files:
        return
    for number, line in enumerate(_read_text(bag, name, declaration, notes), start=1):
        if not line.strip():
            continue
        match = _FETCH.fullmatch(line)
        if match is None:
            notes.wrong("bad_line", name, f"{name}, line {number}: not an address, a length and a path.")
            continue
        path = decode_path(match["path"], version=declaration.version).removeprefix("./")
        if _outside(path, name, f"{name}, line {number}", notes):
            continue
        if any(path not in listing for listing in payload.values()):
            notes.wrong(
                "not_in_every_manifest", path, f"{path} is to be fetched but is not in every manifest."
            )
        if tree.find(path) is None:
            notes.missing.add(path)
            notes.wrong("not_fetched", path, f"{path} is still at {match['url']}: the bag is incomplete.")


def _check_info(bag: Path, tree: _Tree, declaration: _Declaration, notes: _Notes) -> None:
    """bag-info.txt (2.2.2) and the count in its Payload-Oxum."""
    name = "bag-info.txt" if declaration.version >= (0, 96) else "package-info.txt"
    if name not in tree.files:
        return
    labels: list[tuple[str, str]] = []
    for number, line in enumerate(_read_text(bag, name, declaration, notes), start=1):
        if not line.strip() or (line[0] in " \t" and labels):
            continue
        label, colon, value = line.partition(":")
        if not colon or not label.strip():
            notes.wrong("bad_line", name, f"{name}, line {number}: not a label and a value.")
            continue
        labels.append((label.strip().casefold(), value.strip()))
    oxums = [value for label, value in labels if label == "payload-oxum"]
    if len(oxums) > 1:
        notes.wrong("oxum_repeated", name, f"{name}: Payload-Oxum stands there more than once.")
    for label in sorted(_ONCE):
        if sum(each == label for each, _ in labels) > 1:
            notes.odd("label_repeated", name, f"{name}: {label} stands there more than once.")
    if oxums:
        _check_oxum(oxums[0], tree, name, notes)


def _check_oxum(oxum: str, tree: _Tree, name: str, notes: _Notes) -> None:
    sizes = [size for path, size in tree.files.items() if path.startswith(DATA)]
    match = _OXUM.fullmatch(oxum)
    if match is None:
        notes.wrong("bad_oxum", name, f"{name}: {oxum} is not a Payload-Oxum.")
    elif (int(match["octets"]), int(match["files"])) != (sum(sizes), len(sizes)):
        notes.wrong(
            "oxum_mismatch",
            name,
            f"{name} speaks of {match['files']} files and {match['octets']} bytes; "
            f"there are {len(sizes)} and {sum(sizes)}.",
        )


# --- every byte --------------------------------------------------------------------------


def _wanted(*groups: Mapping[str, Listing]) -> dict[str, Listing]:
    """For each path, the checksum that each algorithm's lists give it."""
    wanted: dict[str, Listing] = {}
    for group in groups:
        for algorithm, listing in group.items():
            for path, digest in listing.items():
                wanted.setdefault(path, {})[algorithm] = digest
    return wanted


def _check_digests(
    bag: Path, tree: _Tree, wanted: Mapping[str, Listing], notes: _Notes, progress: Progress | None
) -> int:
    """Read and compare; how many payload files were read to their end."""
    checked = 0
    present = [(path, name) for path in sorted(wanted) if (name := tree.find(path)) is not None]
    for count, (path, name) in enumerate(present, start=1):
        try:
            digests = _digests(bag / name, wanted[path])
        except FileNotFoundError:
            notes.missing.add(path)
            continue
        except OSError as error:
            notes.wrong("unreadable", path, f"{path} cannot be read: {error.strerror}.")
            continue
        wrong = [algorithm for algorithm, digest in wanted[path].items() if digests[algorithm] != digest]
        if wrong:
            notes.wrong("mismatch", path, f"{path} is not what was stored: its {wrong[0]} differs.")
        checked += path.startswith(DATA)
        if progress:
            progress(count, len(present))
    return checked


def _digests(path: Path, algorithms: Iterable[str]) -> dict[str, str]:
    """Checksums of a file in one reading, from the disk where the system allows. Raises OSError."""
    running = {name: hashlib.new(name, usedforsecurity=False) for name in algorithms}
    with path.open("rb", buffering=0) as handle:
        drop_cache(handle)
        while chunk := handle.read(CHUNK):
            for digest in running.values():
                digest.update(chunk)
    return {name: digest.hexdigest() for name, digest in running.items()}
