"""Gathers the rows of a catalog from the bags, the record files and the custody log, which are only read."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from evidence.archive.custody import CustodyLog
from evidence.archive.custody_key import log_of
from evidence.archive.custody_lines import Entry
from evidence.archive.places import place_id
from evidence.cards.files import kind_of
from evidence.catalog.base import to_text
from evidence.catalog.records import Kind, Row, RowsByTable
from evidence.disk.hashing import hash_file
from evidence.disk.objects import find_object
from evidence.errors import BagError, EvidenceError
from evidence.filing.bag_records import read_bag_records
from evidence.filing.findings import CollectsFindings
from evidence.filing.log_holds import hold_row
from evidence.filing.record_files import RecordFile, read_records
from evidence.filing.record_rows import claim_rows_of, original_row, sighting_row
from evidence.filing.records import MALFORMED, RECORD_FORMAT
from evidence.model import ClaimId, ClaimState, Finding, Sha256
from evidence.progress import Progress
from evidence.settings import ARCHIVE_PLACE
from evidence.workspace import bag_folders, bag_in

BAG_BEHIND = "bag_behind"
"""The code of the finding for a bag that lacks changes of its claim; the next command builds the bag again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchiveSource:
    """One archive's folder that is read."""

    root: Path
    archive: str = ""
    """Its id, where several stations share the catalog."""

    @property
    def log(self) -> CustodyLog:
        """Its custody log."""
        return log_of(self.root)


@dataclass(slots=True)
class Gathered(CollectsFindings):
    """Rows found so far, by the key of their table, and where each photo's record came from."""

    now: datetime
    places: dict[str, ArchiveSource] = field(default_factory=dict)
    """For each claim, the archive that has its bag."""
    claims: dict[str, Row] = field(default_factory=dict)
    originals: dict[str, Row] = field(default_factory=dict)
    newest: dict[str, int] = field(default_factory=dict)
    """For each photo, the custody log's length when the bag that describes it was built."""
    tags: dict[str, list[Row]] = field(default_factory=dict)
    seen: dict[str, list[Row]] = field(default_factory=dict)
    held_in: list[Row] = field(default_factory=list)
    bags: dict[str, Row] = field(default_factory=dict)
    copies: dict[tuple[str, str], Row] = field(default_factory=dict)
    holds: dict[int, Row] = field(default_factory=dict)
    decisions: dict[int, Row] = field(default_factory=dict)
    waivers: dict[tuple[str, str, str], Row] = field(default_factory=dict)
    debts: dict[tuple[str, str], Row] = field(default_factory=dict)
    intakes: dict[str, Row] = field(default_factory=dict)
    sightings: list[Row] = field(default_factory=list)
    segments: dict[str, Row] = field(default_factory=dict)
    lost: set[str] = field(default_factory=set)
    """Digests of files that are missing from a bag or have another size."""
    seqs: dict[str, int] = field(default_factory=dict)
    """For each claim, the custody log's length when its bag was built."""
    waiting: list[Row] = field(default_factory=list)
    """Originals in the intake areas of stations."""
    users: dict[str, Row] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)


def gather(sources: Sequence[ArchiveSource], now: datetime, progress: Progress, *, arrived: bool) -> Gathered:
    """Read every bag, record file and log of these archives; what cannot be read is a finding.

    With `arrived` no file of the first of them is read back.
    """
    found = Gathered(now=now)
    records = [(source, one) for source in sources for one in read_records(source.root)]
    owed = _bags_owed(one for _, one in records)
    folders = [
        (source, bag)
        for source in sources
        for bag in bag_folders(source.root)
        if (source.archive, bag.name) not in owed
    ]
    for number, (source, bag) in enumerate(folders):
        progress("Reading bags", number, len(folders))
        try:
            _add_bag(found, source, bag)
        except (EvidenceError, OSError, *MALFORMED) as trouble:
            found.add_finding("bag_unreadable", bag.name, f"{bag.name} could not be read: {trouble}")
    progress("Reading bags", len(folders), len(folders))
    for source, one in records:
        if one.rows:
            _add_record(found, source, one)
        else:
            found.add_finding("record_unreadable", one.path.name, f"{one.path} could not be read.")
    _read_back(found, progress, arrived=sources[0] if arrived else None)
    _add_unfiled(found, sources)
    for source in sources:
        _add_holds_of_the_log(found, source)
    return found


def _bags_owed(records: Iterable[RecordFile]) -> set[tuple[str, str]]:
    """The bags of purged claims that a station is still to remove: the archive's id and the folder's name."""
    rows = [row for one in records for row in one.rows.get("station_debt", ())]
    return {(row["station"], str(json.loads(row["part"]).get("bag"))) for row in rows}


def _add_bag(found: Gathered, source: ArchiveSource, bag: Path) -> None:
    """Add what one bag holds. Raises when nothing tells its claim: nothing of it was added then."""
    records = read_bag_records(bag)
    about, listed, manifest = records.about, records.photos, records.manifest
    if about["format"] > RECORD_FORMAT:
        raise BagError(
            f"{bag.name}: its records are of format {about['format']}, newer than this program knows.",
            "Use the program version that wrote it, or a newer one.",
        )
    claim = ClaimId(about["claim"]["claim"]) if about["claim"] else ClaimId("")
    if claim in found.places and found.places[claim] != source:
        raise BagError(
            f"The bag stands in {found.places[claim].root} too.", "Check both, and move one of them away."
        )
    seq = int(about["custody"]["seq"])
    embeddings = records.embeddings
    originals = [(one, original_row(one, claim, embeddings)) for one in listed]
    claim_rows = claim_rows_of(about, bag.name, at=to_text(found.now)) if claim else {}
    current = about["format"] == RECORD_FORMAT and not records.lacking
    if records.lacking:
        found.add_finding(
            "records_damaged",
            bag.name,
            f"{', '.join(records.lacking)} of the bag {bag.name} is damaged or missing; what it recorded was made "
            "anew from the rest as far as possible. The files themselves are in the catalog.",
        )
    found.seqs[claim], found.places[claim] = seq, source
    found.bags[claim] = {
        "claim": claim,
        "dirty": not current,
        "built_at": None,
        "station": source.archive,
        "changes": int(about.get("changes") or 0),
    }
    _add_claim(found, claim_rows)
    for one, row in originals:
        sha = row["sha256"]
        found.held_in.append({"sha256": sha, "claim": claim, "payload_path": one["payload_path"]})
        if seq < found.newest.get(sha, -1):
            continue
        found.newest[sha], found.originals[sha] = seq, row
        found.tags[sha], found.seen[sha] = one["said"], one["seen"]
    _check_payload(found, bag, listed, manifest)


def _check_payload(
    found: Gathered, bag: Path, listed: list[dict[str, Any]], manifest: Mapping[str, Sha256]
) -> None:
    """Find files that are missing or have another size than recorded; their bytes are left to `verify`."""
    for one in listed:
        path, sha = one["payload_path"], one["record"]["sha256"]
        file = bag / "data" / path
        sound = file.is_file() and file.stat().st_size == one["size"] and manifest.get(path) == sha
        if not sound:
            found.add_finding("missing", f"{bag.name}/data/{path}", f"{path} is missing or has another size.")
            found.lost.add(sha)


def _add_claim(found: Gathered, rows: RowsByTable) -> None:
    for row in rows.get("claim", ()):
        found.claims[row["claim"]] = row
    found.holds.update((row["id"], row) for row in rows.get("hold", ()))
    found.decisions.update((row["id"], row) for row in rows.get("decision", ()))
    found.debts.update(((row["station"], row["claim"]), row) for row in rows.get("station_debt", ()))
    found.waivers.update(
        ((row["claim"], row["requirement"], row["place"]), row) for row in rows.get("waiver", ())
    )


def _add_record(found: Gathered, source: ArchiveSource, one: RecordFile) -> None:
    """Add the rows of one record file. One about a claim counts unless the claim's bag is newer."""
    key, rows = one.key, one.rows
    match one.kind:
        case Kind.CLAIM:
            if _is_newer(found, source, one):
                _replace_claim(found, key, rows)
                if key in found.bags:
                    found.bags[key]["changes"] = max(one.changes, found.bags[key]["changes"])
        case Kind.INTAKE:
            found.intakes.update((row["intake"], row) for row in rows["intake"])
            found.sightings += rows.get("sighting", [])
        case Kind.DAY:
            found.segments.update((row["segment"], row) for row in rows["segment"])
        case Kind.BAG:
            _add_copies(found, key, rows)
        case Kind.OFFICE:
            found.users.update((row["name"], row) for row in rows.get("board_user", ()))
            _add_claim(found, {name: rows.get(name, []) for name in ("decision", "hold")})


def _is_newer(found: Gathered, source: ArchiveSource, one: RecordFile) -> bool:
    """True when a record file about a claim is newer than the claim's bag.

    Lengths of one custody log can be compared; where the bag is at another station, how often it was marked as outdated.
    """
    if found.places.get(one.key, source) == source:
        return one.seq >= found.seqs.get(one.key, 0)
    behind: bool = one.changes > found.bags[one.key]["changes"]
    return behind


def _replace_claim(found: Gathered, claim: str, rows: RowsByTable) -> None:
    """A claim changed after its bag was built, or it has no bag."""
    found.holds = {number: row for number, row in found.holds.items() if row["claim"] != claim}
    found.decisions = {number: row for number, row in found.decisions.items() if row["claim"] != claim}
    found.waivers = {each: row for each, row in found.waivers.items() if row["claim"] != claim}
    _add_claim(found, rows)
    if claim in found.bags:
        found.bags[claim]["dirty"] = True
        found.add_finding(
            BAG_BEHIND, claim, f"The bag of claim {claim} lacks its latest changes; it will be built again."
        )


def _add_copies(found: Gathered, claim: str, rows: RowsByTable) -> None:
    if claim in found.bags and rows.get("bag"):
        noted = rows["bag"][0]
        found.bags[claim]["built_at"] = noted["built_at"]
        found.bags[claim]["changes"] = max(noted.get("changes") or 0, found.bags[claim]["changes"])
    for row in rows.get("copy", ()):
        if row["sha256"] not in found.originals:
            continue
        found.copies[row["sha256"], row["place"]] = {**row, "claim": claim}


def _read_back(found: Gathered, progress: Progress, *, arrived: ArchiveSource | None) -> None:
    """The archives' own copies: missing ones are bad, and those of which no date is recorded are read now.

    Those of an archive that `arrived` were read just now.
    """
    now = to_text(found.now)
    disks = {source: place_id(source.root) for source in {*found.places.values()}}
    for number, held in enumerate(found.held_in):
        sha, claim = held["sha256"], held["claim"]
        row, source = found.copies.get((sha, ARCHIVE_PLACE)), found.places[claim]
        if row and source != arrived and sha not in found.lost:
            continue
        progress("Reading files back", number, len(found.held_in))
        row = row or {"sha256": sha, "place": ARCHIVE_PLACE, "off_computer": False, "claim": claim}
        row |= {
            "place_id": disks[source],
            "found_bad_at": row.get("found_bad_at"),
            "verified_at": row.get("verified_at"),
        }
        good = sha not in found.lost and (source == arrived or _matches(found, source, held))
        row |= {"verified_at": now, "found_bad_at": None} if good else {"found_bad_at": now}
        found.copies[sha, ARCHIVE_PLACE] = row


def _matches(found: Gathered, source: ArchiveSource, held: Row) -> bool:
    folder = found.claims[held["claim"]]["folder"] if held["claim"] else None
    path = bag_in(source.root, ClaimId(held["claim"]), folder) / "data" / held["payload_path"]
    try:
        sound = bool(hash_file(path, uncached=True) == held["sha256"])
    except OSError:
        sound = False
    if not sound:
        found.add_finding(
            "mismatch", f"{path.relative_to(source.root)}", f"{path.name} has changed or cannot be read."
        )
    return sound


def _add_unfiled(found: Gathered, sources: Sequence[ArchiveSource]) -> None:
    """Kept files that are in no bag yet: the next intake analyses and files them."""
    names = {
        row["sha256"]: row["card_path"] for row in found.sightings if row["sha256"] not in found.originals
    }
    for source in sources:
        store = source.root / "intake"
        for sha, card_path in names.items():
            stored = find_object(store, Sha256(sha))
            if stored is None:
                continue
            found.originals[sha] = {
                "sha256": sha,
                "size": stored.stat().st_size,
                "suffix": Path(card_path).suffix.lower(),
                "kind": kind_of(card_path).value,
            }
            found.add_finding(
                "in_no_bag", card_path, f"{card_path} is in no bag yet; the next intake files it."
            )
        if not source.archive:
            continue
        stored_here = {path.name.partition(".")[0] for path in store.glob("??/*") if path.is_file()}
        found.waiting += [
            {"sha256": sha, "station": source.archive} for sha in sorted(stored_here & found.originals.keys())
        ]


def _add_holds_of_the_log(found: Gathered, source: ArchiveSource) -> None:
    """Holds that the custody log records and no bag or record file does: a hold is never lost."""
    for entry in source.log.entries():
        number = entry.details.get("hold")
        if not isinstance(number, int):
            continue
        if entry.action == "hold_placed" and number not in found.holds:
            _add_hold_of_the_log(found, number, entry)
        elif (
            entry.action == "hold_lifted"
            and number in found.holds
            and not found.holds[number].get("lifted_at")
        ):
            found.add_finding(
                "hold_stays",
                entry.subject,
                f"The log says that hold {number} was lifted; lift it again if it may end.",
            )


def _add_hold_of_the_log(found: Gathered, number: int, entry: Entry) -> None:
    row = hold_row(number, entry)
    if row["claim"] and row["claim"] not in found.claims:
        return
    found.holds[number] = row
    on = f" of claim {row['claim']}" if row["claim"] else ""
    found.add_finding("hold_of_log", entry.subject, f"Hold {number}{on} was taken from the custody log.")
    if row["claim"] and row["claim"] in found.bags:
        found.bags[row["claim"]]["dirty"] = True


# --- rows --------------------------------------------------------------------------------


def as_rows(found: Gathered) -> RowsByTable:
    """The rows of every table but the caches."""
    sightings = [row for row in found.sightings if row["sha256"] in found.originals]
    known = {(row["intake"], row["card_path"]) for row in sightings}
    lacking = [
        sighting_row(one)
        for sha in sorted(found.seen)
        for one in found.seen[sha]
        if (one["intake"], one["card_path"]) not in known
    ]
    number = max((row["id"] for row in sightings), default=0)
    for row in sorted(lacking, key=lambda row: (row["intake"], row["card_path"])):
        number += 1
        sightings.append({**row, "id": number})
    for claim, row in found.claims.items():
        if row["state"] == ClaimState.PURGED.value and claim in found.bags:
            found.add_finding("purged_bag", claim, f"Claim {claim} was purged, but its bag is there.")
    return {
        "claim": list(found.claims.values()),
        "intake": list(found.intakes.values()),
        "original": [_UNDESCRIBED | row for row in found.originals.values()],
        "sighting": sightings,
        "segment": list(found.segments.values()),
        "decision": list(found.decisions.values()),
        "tag": [row for rows in found.tags.values() for row in rows],
        "bag": list(found.bags.values()),
        "held_in": found.held_in,
        "copy": list(found.copies.values()),
        "hold": list(found.holds.values()),
        "waiver": list(found.waivers.values()),
        "station_debt": list(found.debts.values()),
        "board_user": list(found.users.values()),
    }


_UNDESCRIBED: Row = {
    "facts": None,
    "look": None,
    "embedding": None,
    "phash": None,
    "corrected": None,
    "correction": "",
    "utc": None,
    "claim": None,
    "position": 0,
    "segment": "",
    "claim_confidence": 0.0,
    "to_confirm": False,
    "claim_reasons": "[]",
    "tag_flags": "[]",
}
"""What the catalog holds of a file that nothing was read from yet."""
