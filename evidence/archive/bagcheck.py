"""Checks a bag by reading every byte of it: RFC 8493, sections 2, 3, 5 and 6."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from evidence.archive.bagread import (
    DATA,
    NEWEST,
    SHA256_MANIFEST,
    Checksums,
    Declaration,
    FileTree,
    Findings,
    Manifests,
    is_forbidden,
    is_litter,
    is_tag_manifest,
    list_files,
    read_declaration,
    read_manifests,
    read_text,
)
from evidence.archive.names import decode_path, fold, original_of_sidecar, why_unsafe
from evidence.disk.hashing import checksums
from evidence.disk.parallel import FILES_AT_ONCE, in_parallel
from evidence.model import Finding, Sha256

_ATTEMPTS = 20
"""How often a check starts again because the bag was exchanged meanwhile."""

_FEW_FILES, _FEW_OCTETS = 32, 1 << 20
"""Files that one thread reads sooner than several threads start, and their bytes."""

_FETCH = re.compile(r"(?P<url>\S+)[ \t]+(?P<length>\d+|-)[ \t]+(?P<path>.*\S.*)")
_OXUM = re.compile(r"(?P<octets>\d+)\.(?P<files>\d+)")
OXUM_LITTER = "oxum_litter"
"""The code of the error for a Payload-Oxum that differs only by unlisted files of operating systems."""
_CHECKSUM_FINDINGS = frozenset({"mismatch", "oxum_mismatch", OXUM_LITTER})
"""Errors of a complete bag: a file has other bytes than listed."""
_ONCE = frozenset({"bagging-date", "bag-size", "bag-group-identifier", "bag-count"})
"""Labels that RFC 8493, 2.2.2, says should not be repeated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BagCheck:
    """What a check of one bag found."""

    checked: int
    """Files listed in the payload manifests that were found and read to their end."""
    octets: int = 0
    """Bytes of these files."""
    verified: frozenset[str] = frozenset()
    """Paths inside the bag of these files, for those that match every checksum listed."""
    unread: frozenset[str] = frozenset()
    """Paths inside the bag of payload files that were left out: not chosen, or the check was stopped."""
    bad: tuple[Finding, ...] = ()
    """Errors beside missing and unlisted files; the subject is the path inside the bag."""
    missing: tuple[str, ...] = ()
    """Paths inside the bag that a manifest lists and that do not exist, sorted."""
    unlisted: tuple[str, ...] = ()
    """Payload files that no manifest lists, sorted."""
    warnings: tuple[Finding, ...] = ()
    """What the standard allows but warns of."""

    @property
    def complete(self) -> bool:
        """Every file that must be there is there and listed; only checksums or sizes may differ (section 3)."""
        return not (self.missing or self.unlisted) and {one.code for one in self.bad} <= _CHECKSUM_FINDINGS

    @property
    def valid(self) -> bool:
        """Complete, and every checksum verified (section 3)."""
        return not (self.bad or self.missing or self.unlisted)


def _go_on() -> bool:
    return False


def _ignore(_octets: int) -> None:
    pass


@dataclass(frozen=True, slots=True, kw_only=True)
class PayloadReading:
    """How the payload of a bag is read. The manifests and tag files are always read whole."""

    only: Collection[str] | None = None
    """Paths below `data/` that are read, with the sidecars beside them; None for all."""
    stop: Callable[[], bool] = _go_on
    """Asked before each payload file, from several threads; once it is true, the other files are left out."""
    on_read: Callable[[int], None] = _ignore
    """Called with the bytes of each payload file after it was read."""
    at_once: int = FILES_AT_ONCE
    """Files read at the same time, unless there are few and small ones."""


WHOLE = PayloadReading()
"""Every file."""


def check_bag(
    bag: Path, *, expected: Mapping[str, Sha256] | None = None, reading: PayloadReading = WHOLE
) -> BagCheck:
    """Read a bag, from the disk where the system allows, and compare it with its manifests.

    `expected` (path below `data/` to digest) is what the manifest must say: it detects a manifest
    that was rewritten to fit altered photos. Sidecars beside expected files are allowed. When the
    bag is exchanged meanwhile, the check starts again, so that the result is about one state.
    Raises nothing for what a bag holds.
    """
    for _ in range(_ATTEMPTS):
        before = _state(bag)
        result = _inspect(bag, expected, reading)
        if result.valid or _state(bag) == before:
            break
    return result


def _state(bag: Path) -> tuple[int, ...]:
    try:
        own, manifest = bag.stat(), (bag / SHA256_MANIFEST).stat()
    except OSError:
        return ()
    return (own.st_dev, own.st_ino, manifest.st_ino, manifest.st_mtime_ns)


def _inspect(bag: Path, expected: Mapping[str, Sha256] | None, reading: PayloadReading) -> BagCheck:
    findings = Findings()
    read = _Read()
    declaration = read_declaration(bag, findings)
    if declaration:
        tree = list_files(bag, findings)
        manifests = read_manifests(bag, tree, declaration, findings)
        _check_structure(bag, tree, manifests, declaration, findings)
        _check_expected(manifests.payload, expected, findings)
        _check_fetch(bag, tree, manifests.payload, declaration, findings)
        _check_info(bag, tree, declaration, findings)
        wanted = _wanted(manifests.payload, manifests.tags)
        read = _check_digests(bag, tree, wanted, findings, reading)
    return BagCheck(
        checked=read.files,
        octets=read.octets,
        verified=frozenset(read.verified),
        unread=frozenset(read.unread),
        bad=tuple(findings.bad),
        missing=tuple(sorted(findings.missing)),
        unlisted=tuple(sorted(findings.unlisted)),
        warnings=tuple(findings.warnings),
    )


# --- checking ----------------------------------------------------------------------------


def _check_structure(
    bag: Path, tree: FileTree, manifests: Manifests, declaration: Declaration, findings: Findings
) -> None:
    """The required elements (2.1), and every file in every manifest (3)."""
    if not (bag / "data").is_dir():
        findings.error("no_payload_folder", "data", "The folder data is missing.")
    if not manifests.payload:
        findings.error("no_manifest", "", "There is no payload manifest.")
    listed = {path for listing in manifests.payload.values() for path in listing}
    tagged = {path for listing in manifests.tags.values() for path in listing}
    for path in sorted(listed | tagged):
        if tree.find(path) is None:
            findings.missing.add(path)
        elif path not in tree.files:
            findings.warn("unicode_form", path, f"{path} has another Unicode form on this disk.")
    if manifests.payload:
        found = {tree.find(path) or path for path in listed}
        findings.unlisted.update(p for p in tree.files if p.startswith(DATA) and p not in found)
    if declaration.version >= NEWEST:
        _check_every_list(listed, manifests, findings)
    _check_names(listed, findings)
    for path in sorted(tree.files):
        if manifests.tags and not path.startswith(DATA) and path not in tagged and not is_tag_manifest(path):
            findings.warn("untracked", path, f"{path} is in no tag manifest, so its bytes are not verified.")


def _check_every_list(listed: Iterable[str], manifests: Manifests, findings: Findings) -> None:
    for path in sorted(listed):
        lacking = [algorithm for algorithm, listing in manifests.payload.items() if path not in listing]
        if lacking:
            findings.error("not_in_every_manifest", path, f"{path} is not in manifest-{lacking[0]}.txt.")
    for algorithm, listing in manifests.tags.items():
        for name in (f"manifest-{each}.txt" for each in manifests.payload):
            if not any(path.lower() == name for path in listing):
                findings.error("tag_manifest_gap", name, f"tagmanifest-{algorithm}.txt does not list {name}.")


def _check_names(listed: Iterable[str], findings: Findings) -> None:
    """Names that 6.1 warns of: alike on some systems, not allowed on some, or created by the system itself."""
    seen: dict[str, str] = {}
    for path in sorted(listed):
        other = seen.setdefault(fold(path), path)
        if other != path:
            findings.warn("look_alike", path, f"{path} and {other} are the same name on some systems.")
        if reason := why_unsafe(path):
            findings.warn("not_portable", path, f"{path}: {reason}.")
        if is_litter(path):
            findings.warn("litter", path, f"{path} is a file that an operating system creates.")


def _check_expected(
    payload: Mapping[str, Checksums], expected: Mapping[str, Sha256] | None, findings: Findings
) -> None:
    if expected is None:
        return
    listing = payload.get("sha256", {})
    for path, digest in sorted(expected.items()):
        recorded = listing.get(DATA + path)
        if recorded is None:
            findings.error(
                "not_recorded", DATA + path, f"{path} should be in the bag but is not in its manifest."
            )
        elif recorded != digest:
            findings.error(
                "rewritten", DATA + path, f"{path}: the manifest records another digest than the archive."
            )
    for path in sorted(set(listing) - {DATA + name for name in expected}):
        if original_of_sidecar(path.removeprefix(DATA)) in expected:
            continue
        findings.error("not_expected", path, f"{path} is in the manifest but should not be in this bag.")


def _check_fetch(
    bag: Path, tree: FileTree, payload: Mapping[str, Checksums], declaration: Declaration, findings: Findings
) -> None:
    """fetch.txt (2.2.3): a bag whose files are still elsewhere is incomplete."""
    name = "fetch.txt"
    if name not in tree.files:
        return
    for number, line in enumerate(read_text(bag, name, declaration, findings), start=1):
        if not line.strip():
            continue
        match = _FETCH.fullmatch(line)
        if match is None:
            findings.error(
                "bad_line", name, f"{name}, line {number}: expected an address, a length and a path."
            )
            continue
        path = decode_path(match["path"], version=declaration.version).removeprefix("./")
        if is_forbidden(path, name, f"{name}, line {number}", findings):
            continue
        if any(path not in listing for listing in payload.values()):
            findings.error(
                "not_in_every_manifest", path, f"{path} is in fetch.txt but not in every manifest."
            )
        if tree.find(path) is None:
            findings.missing.add(path)
            findings.error(
                "not_fetched", path, f"{path} was not fetched from {match['url']}: the bag is incomplete."
            )


def _check_info(bag: Path, tree: FileTree, declaration: Declaration, findings: Findings) -> None:
    """bag-info.txt (2.2.2) and the count in its Payload-Oxum."""
    name = "bag-info.txt" if declaration.version >= (0, 96) else "package-info.txt"
    if name not in tree.files:
        return
    labels: list[tuple[str, str]] = []
    for number, line in enumerate(read_text(bag, name, declaration, findings), start=1):
        if not line.strip() or (line[0] in " \t" and labels):
            continue
        label, colon, value = line.partition(":")
        if not colon or not label.strip():
            findings.error("bad_line", name, f"{name}, line {number}: expected a label and a value.")
            continue
        labels.append((label.strip().casefold(), value.strip()))
    oxums = [value for label, value in labels if label == "payload-oxum"]
    if len(oxums) > 1:
        findings.error("oxum_repeated", name, f"{name}: Payload-Oxum is there more than once.")
    for label in sorted(_ONCE):
        if sum(each == label for each, _ in labels) > 1:
            findings.warn("label_repeated", name, f"{name}: {label} is there more than once.")
    if oxums:
        _check_oxum(oxums[0], tree, name, findings)


def _check_oxum(oxum: str, tree: FileTree, name: str, findings: Findings) -> None:
    sizes = [size for path, size in tree.files.items() if path.startswith(DATA)]
    match = _OXUM.fullmatch(oxum)
    if match is None:
        findings.error("bad_oxum", name, f"{name}: {oxum} is not a valid Payload-Oxum.")
    elif (int(match["octets"]), int(match["files"])) != (sum(sizes), len(sizes)):
        litter = [tree.files[path] for path in findings.unlisted if is_litter(path)]
        without = (sum(sizes) - sum(litter), len(sizes) - len(litter))
        findings.error(
            OXUM_LITTER if (int(match["octets"]), int(match["files"])) == without else "oxum_mismatch",
            name,
            f"{name} gives {match['files']} files and {match['octets']} bytes; "
            f"the bag has {len(sizes)} and {sum(sizes)}.",
        )


# --- digests ----------------------------------------------------------------------------


def _wanted(*groups: Mapping[str, Checksums]) -> dict[str, Checksums]:
    """The expected checksum of each path by algorithm."""
    wanted: dict[str, Checksums] = {}
    for group in groups:
        for algorithm, listing in group.items():
            for path, digest in listing.items():
                wanted.setdefault(path, {})[algorithm] = digest
    return wanted


@dataclass(slots=True)
class _Read:
    """The payload files that were read, and those that were not."""

    files: int = 0
    octets: int = 0
    verified: set[str] = field(default_factory=set)
    unread: set[str] = field(default_factory=set)


def _check_digests(
    bag: Path, tree: FileTree, wanted: Mapping[str, Checksums], findings: Findings, reading: PayloadReading
) -> _Read:
    """Read and compare the chosen files."""
    only = None if reading.only is None else frozenset(reading.only)
    read = _Read()
    chosen: list[tuple[str, str]] = []
    for path in sorted(wanted):
        name = tree.find(path)
        if name is None:
            continue
        if path.startswith(DATA) and not _is_chosen(path.removeprefix(DATA), only):
            read.unread.add(path)
        else:
            chosen.append((path, name))

    def examine(one: tuple[str, str]) -> tuple[dict[str, str], int] | OSError | None:
        path, name = one
        if path.startswith(DATA) and reading.stop():
            return None
        try:
            return checksums(bag / name, wanted[path], uncached=True)
        except OSError as error:
            return error

    octets = sum(tree.files[name] for _path, name in chosen)
    few = len(chosen) <= _FEW_FILES and octets <= _FEW_OCTETS
    results = in_parallel(examine, chosen, at_once=1 if few else reading.at_once)
    for (path, _name), found in zip(chosen, results, strict=True):
        if found is None:
            read.unread.add(path)
        elif isinstance(found, FileNotFoundError):
            findings.missing.add(path)
        elif isinstance(found, OSError):
            findings.error("unreadable", path, f"{path} cannot be read: {found.strerror}.")
        else:
            _compare(path, wanted[path], found, read, findings)
            if path.startswith(DATA):
                reading.on_read(found[1])
    return read


def _is_chosen(path: str, only: Collection[str] | None) -> bool:
    return only is None or path in only or original_of_sidecar(path) in only


def _compare(
    path: str, wanted: Checksums, found: tuple[dict[str, str], int], read: _Read, findings: Findings
) -> None:
    digests, octets = found
    wrong = [algorithm for algorithm, digest in wanted.items() if digests[algorithm] != digest]
    if wrong:
        findings.error("mismatch", path, f"{path} has changed: its {wrong[0]} differs from the manifest.")
    if path.startswith(DATA):
        read.files += 1
        read.octets += octets
        if not wrong:
            read.verified.add(path)
