"""Saying what is wrong with a bag, every byte of it read back: RFC 8493, sections 2, 3, 5 and 6."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from evidence.archive.bagread import (
    DATA,
    LITTER,
    NEWEST,
    SHA256_MANIFEST,
    Declaration,
    Listing,
    Lists,
    Notes,
    Tree,
    is_outside,
    is_tag_manifest,
    read_declaration,
    read_listings,
    read_text,
    walk,
)
from evidence.archive.names import beside, decode_path, fold, why_unsafe
from evidence.disk.hashing import CHUNK, drop_cache
from evidence.model import Finding, Sha256

_ATTEMPTS = 20
"""Times a check begins again because the bag was exchanged under it."""

_FETCH = re.compile(r"(?P<url>\S+)[ \t]+(?P<length>\d+|-)[ \t]+(?P<path>.*\S.*)")
_OXUM = re.compile(r"(?P<octets>\d+)\.(?P<files>\d+)")
_ONCE = frozenset({"bagging-date", "bag-size", "bag-group-identifier", "bag-count"})
"""Labels that 2.2.2 says should not stand twice."""

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
    itself must say: it catches a manifest that was rewritten to fit altered photos. Sidecars
    beside what is expected may be there too; they only repeat what the archive knows.

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
    notes = Notes()
    checked = 0
    declaration = read_declaration(bag, notes)
    if declaration:
        tree = walk(bag, notes)
        lists = read_listings(bag, tree, declaration, notes)
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


# --- judging -----------------------------------------------------------------------------


def _check_structure(bag: Path, tree: Tree, lists: Lists, declaration: Declaration, notes: Notes) -> None:
    """What must be there (2.1), and every file in every list (3)."""
    if not (bag / "data").is_dir():
        notes.wrong("no_payload_folder", "data", "The folder data is missing.")
    if not lists.payload:
        notes.wrong("no_manifest", "", "There is no payload manifest.")
    listed = {path for listing in lists.payload.values() for path in listing}
    tagged = {path for listing in lists.tags.values() for path in listing}
    for path in sorted(listed | tagged):
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
        if lists.tags and not path.startswith(DATA) and path not in tagged and not is_tag_manifest(path):
            notes.odd("untracked", path, f"{path} is in no tag manifest, so that nothing proves it.")


def _check_every_list(listed: Iterable[str], lists: Lists, notes: Notes) -> None:
    for path in sorted(listed):
        lacking = [algorithm for algorithm, listing in lists.payload.items() if path not in listing]
        if lacking:
            notes.wrong("not_in_every_manifest", path, f"{path} is not in manifest-{lacking[0]}.txt.")
    for algorithm, listing in lists.tags.items():
        for name in (f"manifest-{each}.txt" for each in lists.payload):
            if not any(path.lower() == name for path in listing):
                notes.wrong("tag_manifest_gap", name, f"tagmanifest-{algorithm}.txt does not list {name}.")


def _check_names(listed: Iterable[str], notes: Notes) -> None:
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
    payload: Mapping[str, Listing], expected: Mapping[str, Sha256] | None, notes: Notes
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
        if beside(path.removeprefix(DATA)) in expected:
            continue
        notes.wrong("not_expected", path, f"{path} is in the manifest and should not be in this bag.")


def _check_fetch(
    bag: Path, tree: Tree, payload: Mapping[str, Listing], declaration: Declaration, notes: Notes
) -> None:
    """fetch.txt (2.2.3): a bag whose files are still elsewhere is incomplete."""
    name = "fetch.txt"
    if name not in tree.files:
        return
    for number, line in enumerate(read_text(bag, name, declaration, notes), start=1):
        if not line.strip():
            continue
        match = _FETCH.fullmatch(line)
        if match is None:
            notes.wrong("bad_line", name, f"{name}, line {number}: not an address, a length and a path.")
            continue
        path = decode_path(match["path"], version=declaration.version).removeprefix("./")
        if is_outside(path, name, f"{name}, line {number}", notes):
            continue
        if any(path not in listing for listing in payload.values()):
            notes.wrong(
                "not_in_every_manifest", path, f"{path} is to be fetched but is not in every manifest."
            )
        if tree.find(path) is None:
            notes.missing.add(path)
            notes.wrong("not_fetched", path, f"{path} is still at {match['url']}: the bag is incomplete.")


def _check_info(bag: Path, tree: Tree, declaration: Declaration, notes: Notes) -> None:
    """bag-info.txt (2.2.2) and the count in its Payload-Oxum."""
    name = "bag-info.txt" if declaration.version >= (0, 96) else "package-info.txt"
    if name not in tree.files:
        return
    labels: list[tuple[str, str]] = []
    for number, line in enumerate(read_text(bag, name, declaration, notes), start=1):
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


def _check_oxum(oxum: str, tree: Tree, name: str, notes: Notes) -> None:
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
    bag: Path, tree: Tree, wanted: Mapping[str, Listing], notes: Notes, progress: Progress | None
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
