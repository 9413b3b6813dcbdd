"""What must be true of an archive and its target after any fault and one more run: a list of what is not."""

from __future__ import annotations

import hashlib
import json
import logging
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path

import bagit
from fault_worlds import World

from evidence.archive.bagcheck import check_bag
from evidence.archive.bagread import read_manifest
from evidence.filing.catalog_check import refuse_emptied_tables
from evidence.filing.custody_report import custody_report
from evidence.settings import ARCHIVE_PLACE
from evidence.workspace import Workspace

LOST, DOUBLED = "lost", "doubled"
_MAY_BE = frozenset({"damaged"})
"""Folders of bad bytes that were replaced and kept."""
_LITTER = ("*.part", ".*.next", ".*.old", ".*.gone", "building.mark")


@dataclass(frozen=True)
class Expected:
    """What an undisturbed run comes to."""

    filed: Mapping[str, tuple[str, str]]
    """Digest -> (claim, name) of every original."""
    purged: frozenset[str]
    """Digests of which no file may exist."""
    card: Mapping[str, str]
    """Digest -> name of the files on the cards, which nothing may change."""
    top: Mapping[str, frozenset[str]]
    """Names directly below the archive and below the target."""


@dataclass(frozen=True)
class Problem:
    """One thing that is not as it must be."""

    code: str
    text: str


def filed_in(archive: Path) -> dict[str, list[tuple[str, str]]]:
    """Digest -> (claim, name) of each original, by the bags' own records and the bytes on the disk."""
    found: dict[str, list[tuple[str, str]]] = {}
    for bag in bags_below(archive):
        about = json.loads((bag / "records" / "claim.json").read_bytes())
        claim = about["claim"]["claim"] if about["claim"] else "unassigned"
        for one in json.loads((bag / "records" / "photos.json").read_bytes()):
            path = bag / "data" / one["payload_path"]
            digest = hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "absent"
            found.setdefault(digest, []).append((claim, path.name))
    return found


def bags_below(archive: Path) -> list[Path]:
    """The folders of the archive's bags."""
    places = [*(archive / "claims").iterdir(), archive / "unassigned"]
    return sorted(one for one in places if (one / "bagit.txt").is_file() and not one.name.startswith("."))


def names_in(folder: Path) -> frozenset[str]:
    """Names of entries; the catalog's own files count as one."""
    if not folder.is_dir():
        return frozenset()
    found = {one.name.removesuffix("-wal").removesuffix("-shm") for one in folder.iterdir()}
    return frozenset(one for one in found - _MAY_BE if ".lock" not in one)


def expected_of(world: World, *, home: str, cards: tuple[str, ...], purged: frozenset[str]) -> Expected:
    """What the world holds now, after an undisturbed run."""
    from fault_worlds import digests_of

    filed = {digest: places[0] for digest, places in filed_in(world.base / home).items()}
    card = digests_of(*(world.base / one for one in cards))
    assert set(filed) == set(card) - purged, "the undisturbed run does not hold what is on the cards"
    top = {name: names_in(world.base / name) for name in (home, "target", "target2")}
    return Expected(filed=filed, purged=purged, card=card, top=top)


def judge(world: World, expected: Expected, *, home: str, cards: tuple[str, ...]) -> list[Problem]:
    """All that is wrong."""
    archive = world.base / home
    with Workspace(archive, actor="Judge") as workspace:
        refuse_emptied_tables(workspace)
        return [
            *_originals(archive, expected),
            *_bags(archive),
            *_targets(workspace),
            *_nothing_left(world, home, expected),
            *_log(workspace),
            *_catalog(workspace),
            *_cards(world, cards, expected),
        ]


def _originals(archive: Path, expected: Expected) -> Iterator[Problem]:
    found = filed_in(archive)
    for digest, place in expected.filed.items():
        places = found.pop(digest, [])
        if not places:
            yield Problem(LOST, f"{place[1]} of {place[0]} is in no bag")
        elif len(places) > 1:
            yield Problem(DOUBLED, f"{place[1]} is in {places}")
        elif places[0] != place:
            yield Problem("misplaced", f"{place[1]} is at {places[0]} and not in {place[0]}")
    for digest, places in found.items():
        yield Problem("unexpected", f"{places} holds {digest[:12]}, which is on no card")


def _bags(root: Path) -> Iterator[Problem]:
    bags = bags_below(root) if (root / "claims").is_dir() else _bags_at_target(root)
    for bag in bags:
        if why := outside_verdict(bag):
            yield Problem("invalid", f"{bag.name}: {why}")
        own = check_bag(bag)
        if not own.valid:
            yield Problem("invalid", f"{bag.name}: {own.bad} {own.missing} {own.unlisted}")
        elif own.unlisted:
            yield Problem("invalid", f"{bag.name}: unlisted {own.unlisted}")
        if (bag / "strays").exists():
            yield Problem("strays", f"{bag.name} has strays: {sorted((bag / 'strays').rglob('*'))}")


def _bags_at_target(root: Path) -> list[Path]:
    return sorted(one for one in root.iterdir() if (one / "bagit.txt").is_file())


def outside_verdict(bag: Path) -> str:
    """What the bagit library (Library of Congress) finds wrong with a bag; empty when it is valid."""
    logging.getLogger("bagit").setLevel(logging.CRITICAL)
    try:
        bagit.Bag(str(bag)).validate()
    except (bagit.BagError, OSError, UnicodeDecodeError) as error:
        return str(error) or type(error).__name__
    return ""


def _targets(workspace: Workspace) -> Iterator[Problem]:
    wanted = {bag.name: read_manifest(bag) for bag in bags_below(workspace.root)}
    for name, root in ((one.name, Path(one.path)) for one in workspace.settings.target):
        yield from _bags(root)
        present = {bag.name: read_manifest(bag) for bag in _bags_at_target(root)}
        for bag in wanted.keys() - present.keys():
            yield Problem("target", f"{name} lacks the bag {bag}")
        for bag in present.keys() - wanted.keys():
            yield Problem("target", f"{name} holds {bag}, and the archive does not")
        for bag in wanted.keys() & present.keys():
            if wanted[bag] != present[bag]:
                yield Problem("target", f"{bag} at {name} is not the archive's")


def _nothing_left(world: World, home: str, expected: Expected) -> Iterator[Problem]:
    for folder, folders, files in os.walk(world.base):
        for name in (*folders, *files):
            if name == "custody.jsonl.head.part":
                continue  # at most one, and the next entry of the log replaces it
            if any(fnmatchcase(name, pattern) for pattern in _LITTER):
                yield Problem("litter", f"{(Path(folder) / name).relative_to(world.base)}")
    for name, names in expected.top.items():
        for extra in names_in(world.base / name) - names:
            yield Problem("litter", f"{name}/{extra} is there and was not after an undisturbed run")
        for lacking in names - names_in(world.base / name):
            yield Problem("missing", f"{name}/{lacking} is not there and was after an undisturbed run")
    for path in (world.base / home / "intake").glob("??/*"):
        yield Problem("litter", f"{path.name} is left in the intake area")
    if expected.purged:
        for place in (world.base / home, world.base / "target", world.base / "target2"):
            for path in place.rglob("*") if place.is_dir() else ():
                if path.is_file() and not path.is_symlink():
                    digest = hashlib.sha256(path.read_bytes()).hexdigest()
                    if digest in expected.purged or path.name[:64] in expected.purged:
                        yield Problem("not purged", f"{path.relative_to(world.base)}")


def _log(workspace: Workspace) -> Iterator[Problem]:
    proved = custody_report(workspace, check=True, last=1)
    if not proved.valid:
        yield Problem("log", f"the custody log: {proved.findings}")


def _catalog(workspace: Workspace) -> Iterator[Problem]:
    bags = {bag.name: read_manifest(bag) for bag in bags_below(workspace.root)}
    keeping = workspace.catalog.keeping
    if dirty := keeping.dirty():
        yield Problem("catalog", f"bags are out of date: {dirty}")
    if unfiled := workspace.catalog.photos.unfiled():
        yield Problem("catalog", f"{len(unfiled)} photos are not filed")
    roots = {one.name: Path(one.path) for one in workspace.settings.target}
    known = set()
    for claim in keeping.bags():
        row = workspace.catalog.claims.get(claim) if claim else None
        bag = workspace.bag_of(claim, row.folder if row else None)
        known.add(bag.name)
        listed = bags.get(bag.name, {})
        payload = keeping.payload(claim)
        for sha, path in payload.items():
            if listed.get(path) != sha:
                yield Problem("catalog", f"{bag.name}: the catalog holds {path}, the bag does not")
        for sha, rows in keeping.copies(list(payload)).items():
            for copy in rows:
                retired = copy.place != ARCHIVE_PLACE and copy.place not in roots
                if copy.claim != claim or copy.found_bad_at is not None or retired:
                    continue
                root = bag if copy.place == ARCHIVE_PLACE else roots[copy.place] / bag.name
                path = root / "data" / payload[sha]
                if not path.is_file() or hashlib.sha256(path.read_bytes()).hexdigest() != sha:
                    yield Problem("catalog", f"{path} counts as verified, and is not what it should be")
    for name in bags.keys() - known:
        yield Problem("catalog", f"the catalog does not know the bag {name}")


def _cards(world: World, cards: tuple[str, ...], expected: Expected) -> Iterator[Problem]:
    from fault_worlds import digests_of

    if digests_of(*(world.base / one for one in cards)) != expected.card:
        yield Problem("card", "a card was changed")
