"""Refuses to work with a catalog of which a table was emptied although the bags or the record files fill it.

At every opening this asks the catalog which of its tables are empty, and compares the answer with a small file that
the last opening left. Only a table that is newly empty makes it read the records of the bags.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from evidence.catalog.faults import REBUILD
from evidence.catalog.records import Kind
from evidence.disk.durable import replace_file
from evidence.errors import CatalogError
from evidence.filing.record_files import read_records
from evidence.filing.records import CLAIM_RECORD, PHOTO_RECORD
from evidence.model import ClaimId, ClaimState
from evidence.workspace import Workspace, bag_folders, holds_bags

EMPTY_TABLES = "empty_tables.json"
"""The file, at the top of an archive, with the names of the catalog's tables that hold no row."""
_LASTING = frozenset({"claim", "original", "sighting", "bag"})
"""Tables that keep their rows as long as there is a bag with files, whether or not it is out of date."""

_ELSEWHERE = frozenset({"board_user", "station_debt"})
"""Tables of which others tell what is missing: the log about people, which `evidence custody --verify` compares, and
the bags of purged claims that still stand."""


def refuse_emptied_tables(workspace: Workspace) -> None:
    """Raise CatalogError when a table is empty although the archive has bags, and one of them or a record
    file has rows for it.
    """
    empty, known = workspace.catalog.records.empty_tables(), _known(workspace.root)
    suspects = empty - (known or frozenset()) - _ELSEWHERE
    if not suspects or not holds_bags(workspace.root):
        _note(workspace.root, empty, known)
        return
    for where, filled in _filled(workspace, suspects):
        lost = suspects & filled & workspace.catalog.records.empty_tables()
        if lost:
            raise CatalogError(
                f"The catalog's table '{min(lost)}' is empty, but {where} has entries for it.", REBUILD
            )
    note_empty_tables(workspace)


def note_empty_tables(workspace: Workspace) -> None:
    """Keep the names of the empty tables for the next opening."""
    _note(workspace.root, workspace.catalog.records.empty_tables(), _known(workspace.root))


def _note(root: Path, empty: frozenset[str], known: frozenset[str] | None) -> None:
    if known != empty:
        with contextlib.suppress(OSError):  # an archive that cannot be written can still be read
            replace_file(root / EMPTY_TABLES, (json.dumps(sorted(empty)) + "\n").encode())


def _known(root: Path) -> frozenset[str] | None:
    """What the last opening noted; None when it noted nothing that can be read."""
    try:
        return frozenset(map(str, json.loads((root / EMPTY_TABLES).read_bytes())))
    except (OSError, ValueError, TypeError):
        return None


def _filled(workspace: Workspace, suspects: frozenset[str]) -> Iterator[tuple[str, frozenset[str]]]:
    """Each bag and record file that is up to date, with the tables for which it has rows."""
    catalog = workspace.catalog
    due = {(one.kind, one.key) for one in catalog.records.due()}
    bags = frozenset(catalog.keeping.bags())
    for record in read_records(workspace.root):
        if (record.kind, record.key) in due or (record.kind is Kind.BAG and record.key not in bags):
            continue
        filled = frozenset(name for name, rows in record.rows.items() if rows)
        yield f"the record file {record.path.name}", filled - {"sighting"}  # of files that were lost, too
    current = bags - frozenset(catalog.keeping.dirty())
    for bag in bag_folders(workspace.root):
        about = _parsed(bag / CLAIM_RECORD)
        claim = ClaimId(about["claim"]["claim"]) if about and about["claim"] else ClaimId("")
        row = catalog.claims.get(claim) if claim else None
        if about is None or (row is not None and row.state is ClaimState.PURGED):
            continue
        filled = _of_claim(about) | (_of_photos(bag) if suspects - _of_claim(about) else frozenset())
        yield f"the bag {bag.name}", filled if claim in current else filled & _LASTING


def _of_claim(about: Mapping[str, Any]) -> frozenset[str]:
    parts = {"claim": "claim", "holds": "hold", "waivers": "waiver", "decisions": "decision"}
    return frozenset(table for part, table in parts.items() if about.get(part))


def _of_photos(bag: Path) -> frozenset[str]:
    photos = _parsed(bag / PHOTO_RECORD) or []
    found = {"bag", "original", "held_in"} if photos else set()
    if any(one.get("seen") for one in photos):
        found.add("sighting")
    if any(one.get("said") for one in photos):
        found.add("tag")
    if any(one.get("described", True) for one in photos):
        found.add("described")
    if any(one.get("embedding") for one in photos):
        found.add("embedding")
    return frozenset(found)


def _parsed(path: Path) -> Any:
    """A record of a bag; None for one that is missing or damaged, which `evidence verify` finds."""
    try:
        return json.loads(path.read_bytes())
    except (OSError, ValueError):
        return None
