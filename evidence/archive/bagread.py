"""Reading what a bag says of itself: its declaration, its manifests and the files it has (RFC 8493, section 2).

Bags of earlier drafts (0.93 to 0.97) are read by their own, milder rules.
"""

from __future__ import annotations

import codecs
import hashlib
import os
import re
import stat
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from evidence.archive.names import decode_path, fold
from evidence.errors import BagError
from evidence.model import Finding, Sha256

DATA = "data/"
SHA256_MANIFEST = "manifest-sha256.txt"
LITTER = re.compile(r"(?:\.DS_Store|\._.*|Thumbs\.db|desktop\.ini)", re.IGNORECASE)
"""What operating systems leave in folders they show (RFC 8493, 6.1, warns of the same)."""

OLDEST, NEWEST = (0, 93), (1, 0)
"""Versions of BagIt that are read."""

_MANIFEST = re.compile(r"(?P<tag>tag)?manifest-(?P<algorithm>[A-Za-z0-9_-]+)\.txt")
_LINE_END = re.compile(r"\r\n|\n|\r")
_DECLARATION = re.compile(
    r"BagIt-Version(?P<gap1>[ \t]*:[ \t]*)(?P<major>\d+)\.(?P<minor>\d+)(?:\r\n|\n|\r)"
    r"Tag-File-Character-Encoding(?P<gap2>[ \t]*:[ \t]*)(?P<encoding>[\w.:-]+)[ \t]*(?:\r\n|\n|\r)?"
)
_ENTRY = re.compile(r"(?P<digest>[0-9A-Fa-f]+)[ \t]+(?P<star>\*?)(?P<path>.*\S.*)")

Listing = dict[str, str]
"""Path inside the bag to lower-case hexadecimal checksum."""


@dataclass(slots=True)
class Notes:
    """What a reading or a check has found so far."""

    bad: list[Finding] = field(default_factory=list)
    warnings: list[Finding] = field(default_factory=list)
    missing: set[str] = field(default_factory=set)
    unlisted: set[str] = field(default_factory=set)

    def wrong(self, code: str, subject: str, message: str) -> None:
        """Note what makes the bag invalid."""
        self.bad.append(Finding(code=code, message=message, subject=subject))

    def odd(self, code: str, subject: str, message: str) -> None:
        """Note what the standard warns of."""
        self.warnings.append(Finding(code=code, message=message, subject=subject))


@dataclass(frozen=True, slots=True)
class Declaration:
    """What bagit.txt says."""

    version: tuple[int, int]
    encoding: str


@dataclass(frozen=True, slots=True)
class Lists:
    """Payload manifests and tag manifests, by algorithm."""

    payload: dict[str, Listing] = field(default_factory=dict)
    tags: dict[str, Listing] = field(default_factory=dict)


@dataclass(slots=True)
class Tree:
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


def read_manifest(bag: Path) -> Mapping[str, Sha256]:
    """The SHA-256 that a bag's manifest records for each payload file, by path below `data/`.

    Nothing but the manifest is read. Raises BagError when there is none, or when it does not
    conform.
    """
    notes = Notes()
    declaration = read_declaration(bag, notes)
    listing: Listing = {}
    if declaration:
        listing = read_listing(bag, SHA256_MANIFEST, "sha256", declaration, notes)
    if notes.bad:
        raise BagError(
            f"The bag {bag.name} cannot be read: {notes.bad[0].message}",
            "Leave it as it is and bring it back from a backup.",
        )
    return {path.removeprefix(DATA): Sha256(digest) for path, digest in listing.items()}


# --- reading -----------------------------------------------------------------------------


def read_declaration(bag: Path, notes: Notes) -> Declaration | None:
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
    return Declaration(version, encoding)


def walk(bag: Path, notes: Notes) -> Tree:
    """Every regular file below the bag; links and special files are findings, and are not followed."""
    tree = Tree()
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
            try:
                mode = entry.stat(follow_symlinks=False)
            except FileNotFoundError:
                continue  # gone since: what lists it will miss it
            if stat.S_ISDIR(mode.st_mode):
                pending.append(f"{path}/")
            elif stat.S_ISREG(mode.st_mode):
                tree.files[path] = mode.st_size
                tree.folded.setdefault(fold(path), []).append(path)
            else:
                notes.wrong("not_a_file", path, f"{path} is a link or a special file; it was not followed.")
    return tree


def read_listings(bag: Path, tree: Tree, declaration: Declaration, notes: Notes) -> Lists:
    """All manifests at the top of the bag; one whose checksums cannot be computed here is a finding."""
    lists = Lists()
    for name in sorted(path for path in tree.files if "/" not in path):
        match = _MANIFEST.fullmatch(name)
        if not match:
            continue
        algorithm = match["algorithm"].lower()
        if algorithm not in hashlib.algorithms_guaranteed or algorithm.startswith("shake"):
            notes.wrong("unknown_algorithm", name, f"{name}: checksums of that kind cannot be computed here.")
            continue
        listing = read_listing(bag, name, algorithm, declaration, notes)
        (lists.tags if match["tag"] else lists.payload)[algorithm] = listing
    return lists


def read_text(bag: Path, name: str, declaration: Declaration, notes: Notes) -> list[str]:
    """The lines of a tag file."""
    try:
        text = (bag / name).read_bytes().decode(declaration.encoding)
    except (OSError, UnicodeDecodeError) as error:
        notes.wrong("unreadable", name, f"{name} cannot be read: {error}.")
        return []
    if text.startswith("\ufeff"):
        notes.odd("byte_order_mark", name, f"{name} begins with a byte order mark.")
    return _LINE_END.split(text.removeprefix("\ufeff"))


def read_listing(bag: Path, name: str, algorithm: str, declaration: Declaration, notes: Notes) -> Listing:
    """One manifest (2.1.3, 2.2.1)."""
    listing: Listing = {}
    length = hashlib.new(algorithm, usedforsecurity=False).digest_size * 2
    for number, line in enumerate(read_text(bag, name, declaration, notes), start=1):
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
        if is_outside(path, name, where, notes):
            continue
        digest = match["digest"].lower()
        if path in listing:
            _note_twice(path, listing[path] == digest, where, declaration, notes)
        listing.setdefault(path, digest)
    return listing


def is_outside(path: str, name: str, where: str, notes: Notes) -> bool:
    """True, and a finding, when a manifest names a file that it may not (2.1.3, 2.2.1, 5.1)."""
    payload = not name.startswith("tag")
    if payload != path.startswith(DATA) or ".." in path.split("/") or path.startswith(("/", "~")):
        notes.wrong("outside", path, f"{where}: {path} is not a path that this manifest may name.")
        return True
    if not payload and is_tag_manifest(path):
        notes.wrong("outside", path, f"{where}: a tag manifest may not list a tag manifest.")
        return True
    return False


def is_tag_manifest(path: str) -> bool:
    """True for the name of a tag manifest."""
    match = _MANIFEST.fullmatch(path)
    return bool(match and match["tag"])


def _note_twice(path: str, same: bool, where: str, declaration: Declaration, notes: Notes) -> None:
    if same and declaration.version < NEWEST:
        notes.odd("listed_twice", path, f"{where}: {path} is listed twice.")
    else:
        notes.wrong("listed_twice", path, f"{where}: {path} is listed twice.")
