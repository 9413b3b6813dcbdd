"""Load the office's list of claims from a CSV file, and remove a claim that was loaded by mistake.

A list is loaded whole, or not at all when a line is wrong.
"""

from __future__ import annotations

import csv
import difflib
import io
import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from evidence.catalog.claims import PARTIES
from evidence.catalog.decisions import Decision, SplitCorrection
from evidence.errors import BadInputError, counted
from evidence.filing.bags import file_away
from evidence.lookup import UNASSIGNED, require_claim
from evidence.model import Claim, ClaimId, ClaimState, GeoPoint
from evidence.office.holds import cover_arrivals
from evidence.office.retention import facts_of
from evidence.workspace import Workspace

COLUMNS = (
    "claim", "insured", "address", "lat", "lon", "loss_date", "peril", "jurisdiction", "line", "stories",
    "policy_number", "carrier", "adjuster", "inspector", "inspection_start", "inspection_end",
)  # fmt: skip
MAX_BYTES = 20_000_000
"""Far more than any office's list needs; a larger file is refused."""
MAX_CLAIM = 100
"""Characters of a claim number; a longer one fits neither the code on a divider sheet nor a folder name."""

MAX_WORD = 60
"""Characters of a peril, a jurisdiction or a line of business."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RefusedRow:
    """A line whose claim was not loaded, and why."""

    line: int
    claim: ClaimId
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadResult:
    """How many claims were added, updated and refused."""

    added: int
    updated: int
    refused: tuple[RefusedRow, ...]


def load_assignments(workspace: Workspace, path: Path) -> LoadResult:
    """Add the claims of a CSV file, and update those that the catalog has already.

    A purged claim is refused and the others are loaded. An error in the file itself raises BadInputError with the
    line and changes nothing.
    """
    claims = read_assignments(path)
    with workspace.locked(), workspace.catalog.transaction():
        purged = {row.claim.claim for row in workspace.catalog.claims.all() if row.state is ClaimState.PURGED}
        refused = tuple(
            RefusedRow(line=line, claim=one.claim, reason="purged: its number cannot be used again")
            for line, one in claims.items()
            if one.claim in purged
        )
        kept = [one for one in claims.values() if one.claim not in purged]
        added, updated = workspace.catalog.claims.put(kept, at=workspace.now())
        workspace.catalog.keeping.mark_dirty([one.claim for one in kept])
        cover_arrivals(workspace, kept)
        workspace.record("assignments_loaded", path.name, added=added, updated=updated, refused=len(refused))
    if updated:
        with workspace.locked():
            file_away(workspace, wait=False)  # updates the records in the bags
    return LoadResult(added=added, updated=updated, refused=refused)


def remove_assignment(workspace: Workspace, claim: ClaimId) -> None:
    """Remove a claim that was loaded by mistake; the custody log keeps that it was there.

    Raises BadInputError when it is unknown or purged, has photos or a hold, or anything was decided about it.
    """
    with workspace.locked(), workspace.catalog.transaction():
        if why := why_not_removed(workspace, claim):
            raise BadInputError(
                f"Claim {claim} cannot be removed: {why}.", "Only a claim loaded by mistake can be removed."
            )
        workspace.record("assignment_removed", claim)
        workspace.catalog.claims.drop(claim)


def why_not_removed(workspace: Workspace, claim: ClaimId) -> str:
    """What keeps the claim from being removed, in words; empty when nothing does. Raises BadInputError for an unknown one."""
    require_claim(workspace, claim)
    catalog = workspace.catalog
    files = len(set(catalog.keeping.payload(claim)) | {one.sha256 for one in catalog.photos.of_claim(claim)})
    if files:
        return f"it has {counted(files, 'photo or other file', 'photos or other files')}"
    if claim in catalog.keeping.bags():
        return "it has a bag"
    if facts_of(workspace, claim).holds:
        return "it is held"
    if catalog.claims.decisions(Decision, claim=claim, in_force_only=False):
        return "people have decided about it; its history shows what"
    return "photos were once placed in it" if _was_placed_in(workspace, claim) else ""


def _was_placed_in(workspace: Workspace, claim: ClaimId) -> bool:
    """True when a correction of the split names the claim: the next split would place photos in it."""
    corrections = workspace.catalog.claims.decisions(SplitCorrection)
    return any(claim in one.decision.assigns().values() for one in corrections)


def read_assignments(path: Path) -> dict[int, Claim]:
    """The claims of a CSV file by line number.

    Raises BadInputError when the file is missing or not UTF-8, its header is wrong, a claim appears twice, or a
    cell is not a valid number, date or position.
    """
    reader = csv.reader(io.StringIO(_text(path), newline=""), strict=True)
    claims: dict[int, Claim] = {}
    lines: dict[str, int] = {}
    try:
        header = _header(path, next(reader, []))
        for row in reader:
            if not any(cell.strip() for cell in row):
                continue
            where = f"{path.name}, line {reader.line_num}"
            if len(row) > len(header):
                raise BadInputError(
                    f"{where}: {len(row)} cells under {len(header)} headings.",
                    "Put commas inside a cell in quotes.",
                )
            cells = dict(zip(header, (cell.strip() for cell in row), strict=False))
            claim = _claim(cells, where)
            if claim.claim in lines:
                raise BadInputError(
                    f"{where}: claim {claim.claim} is already on line {lines[claim.claim]}.",
                    "Keep one of the two.",
                )
            lines[claim.claim] = reader.line_num
            claims[reader.line_num] = claim
    except csv.Error as trouble:
        raise BadInputError(
            f"{path.name}, line {reader.line_num}: {trouble}.",
            "Fix the quotes on that line and load the file again.",
        ) from None
    if not claims:
        raise BadInputError(f"{path.name} lists no claims.", "Add one line for each claim below the header.")
    return claims


def _text(path: Path) -> str:
    try:
        if path.stat().st_size > MAX_BYTES:
            raise BadInputError(
                f"{path.name} is too large for a list of claims.", "Check that it is the right file."
            )
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as trouble:
        raise BadInputError(
            f"{path.name} is not UTF-8 text (byte {trouble.start}).",
            "Save it as 'CSV UTF-8' and load it again.",
        ) from None
    except FileNotFoundError:
        raise BadInputError(
            f"There is no file {path}.", "Give the path of the CSV file with the claims."
        ) from None
    except OSError as trouble:
        raise BadInputError(
            f"{path} cannot be read: {trouble.strerror}.", "Check that you may read this file."
        ) from None


def _header(path: Path, row: list[str]) -> list[str]:
    header = [cell.strip().casefold() for cell in row]
    for name in header:
        if name not in COLUMNS:
            near = difflib.get_close_matches(name, COLUMNS, n=1, cutoff=0.5)
            hint = f"Did you mean '{near[0]}'?" if near else f"The columns are {', '.join(COLUMNS)}."
            raise BadInputError(f"{path.name}: unknown column '{name}'.", hint)
        if header.count(name) > 1:
            raise BadInputError(f"{path.name}: column '{name}' appears twice.", "Delete one of the two.")
    if "claim" not in header:
        raise BadInputError(f"{path.name}: no column 'claim'.", f"The columns are {', '.join(COLUMNS)}.")
    return header


def _claim(cells: Mapping[str, str], where: str) -> Claim:
    number = cells.get("claim", "")
    if not number:
        raise BadInputError(f"{where}: no claim number.", "Add one; every line needs it.")
    if len(number) > MAX_CLAIM or not number.isprintable():
        raise BadInputError(
            f"{where}: the claim number is too long or not printable.",
            f"Use at most {MAX_CLAIM} printable characters.",
        )
    if number.casefold() == UNASSIGNED:
        raise BadInputError(
            f"{where}: '{number}' is the name for photos without a claim.", "Use the claim's own number."
        )
    for name in ("insured", "address", *PARTIES):
        if not cells.get(name, "").isprintable():
            raise BadInputError(
                f"{where}: {name} holds a line break or a control character.", "Write it on one line."
            )
    for name in ("peril", "jurisdiction", "line"):
        word = cells.get(name, "")
        if len(word) > MAX_WORD or not word.isprintable():
            raise BadInputError(
                f"{where}: {name} is too long or not printable.",
                f"Use at most {MAX_WORD} printable characters.",
            )
    start, end = _inspection(cells, where)
    return Claim(
        claim=ClaimId(number),
        insured=cells.get("insured", ""),
        address=cells.get("address", ""),
        place=_place(cells, where),
        loss_date=_date(cells.get("loss_date", ""), where),
        peril=cells.get("peril", "").casefold(),
        jurisdiction=cells.get("jurisdiction", ""),
        line=cells.get("line", "").casefold(),
        stories=_stories(cells.get("stories", ""), where),
        policy_number=cells.get("policy_number", ""),
        carrier=cells.get("carrier", ""),
        adjuster=cells.get("adjuster", ""),
        inspector=cells.get("inspector", ""),
        inspection_start=start,
        inspection_end=end,
    )


def _place(cells: Mapping[str, str], where: str) -> GeoPoint | None:
    lat, lon = cells.get("lat", ""), cells.get("lon", "")
    if not lat and not lon:
        return None
    if not lat or not lon:
        raise BadInputError(f"{where}: lat and lon go together.", "Give both or neither.")
    return GeoPoint(lat=_degrees(lat, 90, "lat", where), lon=_degrees(lon, 180, "lon", where))


def _degrees(text: str, limit: int, name: str, where: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not abs(value) <= limit:  # NaN fails too
        raise BadInputError(
            f"{where}: {name} '{text}' is not between -{limit} and {limit}.",
            "Write decimal degrees, such as 39.7392.",
        )
    return value


def _date(text: str, where: str) -> date | None:
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise BadInputError(
            f"{where}: loss_date '{text}' is not a date.", "Write it as 2026-05-14."
        ) from None


def _inspection(cells: Mapping[str, str], where: str) -> tuple[datetime | None, datetime | None]:
    start, end = (_local_time(cells, name, where) for name in ("inspection_start", "inspection_end"))
    if start and end and end < start:
        raise BadInputError(
            f"{where}: inspection_end {end} is before inspection_start {start}.", "Exchange or fix the two."
        )
    return start, end


def _local_time(cells: Mapping[str, str], name: str, where: str) -> datetime | None:
    text = cells.get(name, "")
    if not text:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is not None or len(text) <= len("2026-05-14"):
        raise BadInputError(
            f"{where}: {name} '{text}' is not a local day and time.", "Write it as 2026-05-14 09:30."
        )
    return moment


def _stories(text: str, where: str) -> int | None:
    if not text:
        return None
    if not text.isascii() or not text.isdigit() or not 1 <= int(text) <= 200:
        raise BadInputError(
            f"{where}: stories '{text}' is not a whole number from 1 to 200.",
            "Write 1, 2, 3 or leave it empty.",
        )
    return int(text)
