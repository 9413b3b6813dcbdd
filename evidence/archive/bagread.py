"""Reads a bag: its declaration, its manifests, its tag files and the list of its files (RFC 8493, section 2).

Bags of the earlier drafts 0.93 to 0.97 are read by the rules of their draft.
"""

from __future__ import annotations

import codecs
import contextlib
import hashlib
import os
import re
import stat
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from evidence.archive.names import decode_path, fold, leaves_folder, why_unsafe
from evidence.errors import BagError
from evidence.model import Finding, Sha256

DATA = "data/"
SHA256_MANIFEST = "manifest-sha256.txt"
TAG_MANIFEST = "tagmanifest-sha256.txt"
LITTER = re.compile(r"(?:\.DS_Store|\._.*|Thumbs\.db|desktop\.ini)", re.IGNORECASE)
"""Files that operating systems create in folders they display (RFC 8493, 6.1)."""

OLDEST, NEWEST = (0, 93), (1, 0)
"""Versions of BagIt that are read."""

_MANIFEST = re.compile(r"(?P<tag>tag)?manifest-(?P<algorithm>[A-Za-z0-9_-]+)\.txt")
_LINE_END = re.compile(r"\r\n|\n|\r")
_DECLARATION = re.compile(
    r"BagIt-Version(?P<gap1>[ \t]*:[ \t]*)(?P<major>\d+)\.(?P<minor>\d+)(?:\r\n|\n|\r)"
    r"Tag-File-Character-Encoding(?P<gap2>[ \t]*:[ \t]*)(?P<encoding>[\w.:-]+)[ \t]*(?:\r\n|\n|\r)?"
)
_ENTRY = re.compile(r"(?P<digest>[0-9A-Fa-f]+)[ \t]+(?P<star>\*?)(?P<path>.*\S.*)")

Checksums = dict[str, str]
"""Path inside the bag to lower-case hexadecimal checksum."""


@dataclass(slots=True)
class Findings:
    """The errors and warnings collected while a bag is read."""

    bad: list[Finding] = field(default_factory=list)
    warnings: list[Finding] = field(default_factory=list)
    missing: set[str] = field(default_factory=set)
    unlisted: set[str] = field(default_factory=set)

    def error(self, code: str, subject: str, message: str) -> None:
        """Add an error: it makes the bag invalid."""
        self.bad.append(Finding(code=code, message=message, subject=subject))

    def warn(self, code: str, subject: str, message: str) -> None:
        """Add a warning: the standard allows it."""
        self.warnings.append(Finding(code=code, message=message, subject=subject))


@dataclass(frozen=True, slots=True)
class Declaration:
    """The content of bagit.txt."""

    version: tuple[int, int]
    encoding: str


@dataclass(frozen=True, slots=True)
class Manifests:
    """Payload manifests and tag manifests, by algorithm."""

    payload: dict[str, Checksums] = field(default_factory=dict)
    tags: dict[str, Checksums] = field(default_factory=dict)


@dataclass(slots=True)
class FileTree:
    """The regular files of a bag, by path with forward slashes, and their sizes in bytes."""

    files: dict[str, int] = field(default_factory=dict)
    folded: dict[str, list[str]] = field(default_factory=dict)

    def find(self, path: str) -> str | None:
        """The file with this name, else the only one that differs from it in Unicode form alone."""
        if path in self.files:
            return path
        composed = unicodedata.normalize("NFC", path)
        candidates = self.folded.get(fold(path), [])
        same = [name for name in candidates if unicodedata.normalize("NFC", name) == composed]
        return same[0] if len(same) == 1 else None


def read_manifest(bag: Path) -> Mapping[str, Sha256]:
    """The SHA-256 that a bag's manifest records for each payload file, by path below `data/`.

    Only the manifest is read. Raises BagError when it is missing or not valid.
    """
    findings = Findings()
    declaration = read_declaration(bag, findings)
    listing: Checksums = {}
    if declaration:
        listing = read_checksums(bag, SHA256_MANIFEST, "sha256", declaration, findings)
    if findings.bad:
        raise BagError(
            f"The bag {bag.name} cannot be read: {findings.bad[0].message}",
            "Leave it as it is and run `evidence repair --all`.",
        )
    return {path.removeprefix(DATA): Sha256(digest) for path, digest in listing.items()}


def read_tags(bag: Path) -> Mapping[str, bytes]:
    """The tag files of one state of a bag by path, verified by its tag manifest, which is included.

    Raises BagError when a file does not match.
    """
    for _ in range(5):  # the bag may be exchanged between two readings
        with contextlib.suppress(OSError, ValueError):  # ValueError: the tag manifest is no manifest
            tags = _read_tags_once(bag)
            if tags is not None:
                return tags
    raise BagError(
        f"The records of the bag {bag.name} do not match its tag manifest.",
        "Run `evidence repair --all`.",
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


def read_sound_tags(bag: Path) -> dict[str, bytes]:
    """The tag files of a damaged bag that match its tag manifest, by path.

    Without a tag manifest that can be read, every tag file at its usual place is returned, unproved.
    """
    try:
        listed: Mapping[str, str] = parse_manifest((bag / TAG_MANIFEST).read_bytes())
    except (OSError, ValueError):
        usual = [*bag.glob("*.txt"), *(bag / "records").glob("*")]
        listed = {path.relative_to(bag).as_posix(): "" for path in usual}
    sound = {}
    for path, digest in listed.items():
        place = bag / path
        with contextlib.suppress(OSError, ValueError):
            if why_unsafe(path) or place.is_symlink() or path.startswith(DATA):
                continue
            content = place.read_bytes()
            if not digest or hashlib.sha256(content).hexdigest() == digest:
                sound[path] = content
    return sound


def parse_manifest(manifest: bytes) -> dict[str, Sha256]:
    """Digests by path inside the bag, from a manifest that this program wrote: digest, two blanks, path.

    Raises ValueError for other text, and for a path that leads out of the bag: somebody else wrote that.
    """
    lines = manifest.decode("utf-8").split("\n")
    from_line = (line.split("  ", 1) for line in lines if line)
    listed = {decode_path(path): Sha256(digest) for digest, path in from_line}
    if any(map(leaves_folder, listed)):
        raise ValueError("a path leads out of the folder")
    return listed


# --- one part ------------------------------------------------------------------------------


def read_declaration(bag: Path, findings: Findings) -> Declaration | None:
    """bagit.txt (2.1.1): two lines, in order, UTF-8 without a byte order mark."""
    name = "bagit.txt"
    try:
        raw = (bag / name).read_bytes()
    except OSError:
        findings.error("no_declaration", name, "bagit.txt is missing or cannot be read: this is not a bag.")
        return None
    text = raw.decode("utf-8", errors="replace")
    match = _DECLARATION.fullmatch(text)
    if match is None:
        findings.error("bad_declaration", name, "bagit.txt is not the two lines that RFC 8493 requires.")
        return None
    version = (int(match["major"]), int(match["minor"]))
    if not OLDEST <= version <= NEWEST:
        findings.error("unknown_version", name, f"BagIt version {version[0]}.{version[1]} is not supported.")
        return None
    if version >= NEWEST and {match["gap1"], match["gap2"]} != {": "}:
        findings.error("bad_declaration", name, "bagit.txt has blanks where RFC 8493 allows none.")
    try:
        encoding = codecs.lookup(match["encoding"]).name
    except LookupError:
        findings.error("unknown_encoding", name, f"{match['encoding']} is not a known encoding.")
        return None
    return Declaration(version, encoding)


def list_files(bag: Path, findings: Findings) -> FileTree:
    """Every regular file below the bag. Links and special files are errors and are not followed."""
    tree = FileTree()
    pending = [""]
    while pending:
        prefix = pending.pop()
        try:
            with os.scandir(bag / prefix) as listing:
                entries = sorted(listing, key=lambda entry: entry.name)
        except OSError as error:
            findings.error("unreadable", prefix, f"{prefix or 'The bag'} cannot be read: {error.strerror}.")
            continue
        for entry in entries:
            path = prefix + entry.name
            try:
                mode = entry.stat(follow_symlinks=False)
            except FileNotFoundError:
                continue  # deleted meanwhile; if a manifest lists it, it is reported as missing
            if stat.S_ISDIR(mode.st_mode):
                pending.append(f"{path}/")
            elif stat.S_ISREG(mode.st_mode):
                tree.files[path] = mode.st_size
                tree.folded.setdefault(fold(path), []).append(path)
            else:
                findings.error(
                    "not_a_file", path, f"{path} is a link or a special file; it was not followed."
                )
    return tree


def read_manifests(bag: Path, tree: FileTree, declaration: Declaration, findings: Findings) -> Manifests:
    """All manifests at the top of the bag; one with an unsupported algorithm is an error."""
    manifests = Manifests()
    for name in sorted(path for path in tree.files if "/" not in path):
        match = _MANIFEST.fullmatch(name)
        if not match:
            continue
        algorithm = match["algorithm"].lower()
        if algorithm not in hashlib.algorithms_guaranteed or algorithm.startswith("shake"):
            findings.error("unknown_algorithm", name, f"{name}: checksums of that kind are not supported.")
            continue
        listing = read_checksums(bag, name, algorithm, declaration, findings)
        (manifests.tags if match["tag"] else manifests.payload)[algorithm] = listing
    return manifests


def read_text(bag: Path, name: str, declaration: Declaration, findings: Findings) -> list[str]:
    """The lines of a tag file."""
    try:
        text = (bag / name).read_bytes().decode(declaration.encoding)
    except OSError as error:
        findings.error("unreadable", name, f"{name} cannot be read: {error.strerror}.")
        return []
    except UnicodeDecodeError as error:
        findings.error("unreadable", name, f"{name} cannot be read: {error}.")
        return []
    if text.startswith("\ufeff"):
        findings.warn("byte_order_mark", name, f"{name} begins with a byte order mark.")
    return _LINE_END.split(text.removeprefix("\ufeff"))


def read_checksums(
    bag: Path, name: str, algorithm: str, declaration: Declaration, findings: Findings
) -> Checksums:
    """One manifest (2.1.3, 2.2.1)."""
    listing: Checksums = {}
    length = hashlib.new(algorithm, usedforsecurity=False).digest_size * 2
    for number, line in enumerate(read_text(bag, name, declaration, findings), start=1):
        if not line.strip():
            continue
        where = f"{name}, line {number}"
        match = _ENTRY.fullmatch(line)
        if match is None or len(match["digest"]) != length:
            findings.error("bad_line", name, f"{where}: expected a checksum and a path.")
            continue
        if match["star"]:
            findings.warn("binary_mark", name, f"{where}: a '*' before the path is not part of the standard.")
        path = decode_path(match["path"], version=declaration.version)
        if path.startswith("./"):
            findings.warn("dot_path", name, f"{where}: the path begins with './'.")
            path = path.removeprefix("./")
        if is_forbidden(path, name, where, findings):
            continue
        digest = match["digest"].lower()
        if path in listing:
            _report_duplicate(path, listing[path] == digest, where, declaration, findings)
        listing.setdefault(path, digest)
    return listing


def is_litter(path: str) -> bool:
    """True for a file that an operating system created, by its name alone."""
    return LITTER.fullmatch(path.rsplit("/", 1)[-1]) is not None


def is_forbidden(path: str, name: str, where: str, findings: Findings) -> bool:
    """True, and an error, when a manifest lists a path that it must not list (2.1.3, 2.2.1, 5.1)."""
    payload = not name.startswith("tag")
    if payload != path.startswith(DATA) or ".." in path.split("/") or path.startswith(("/", "~")):
        findings.error("outside", path, f"{where}: {path} is not a path that this manifest may list.")
        return True
    if not payload and is_tag_manifest(path):
        findings.error("outside", path, f"{where}: a tag manifest may not list a tag manifest.")
        return True
    return False


def is_tag_manifest(path: str) -> bool:
    """True for the name of a tag manifest."""
    match = _MANIFEST.fullmatch(path)
    return bool(match and match["tag"])


def _report_duplicate(
    path: str, same: bool, where: str, declaration: Declaration, findings: Findings
) -> None:
    if same and declaration.version < NEWEST:
        findings.warn("listed_twice", path, f"{where}: {path} is listed twice.")
    else:
        findings.error("listed_twice", path, f"{where}: {path} is listed twice.")
