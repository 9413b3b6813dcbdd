"""The claims of a list, or every fault in it, by line."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path

from evidence.catalog.claims import PARTIES
from evidence.errors import BadInputError, counted
from evidence.lookup import UNASSIGNED
from evidence.model import Claim, ClaimId, GeoPoint
from evidence.office.claim_list.days import DayOrder, order_of, read_day, read_moment
from evidence.office.claim_list.headings import Headings, column_of, read_headings
from evidence.office.claim_list.table_file import Row, TableFile, read_table
from evidence.retention.persons import folded

MAX_CLAIM = 100
"""Characters of a claim number; a longer one fits neither the code on a divider sheet nor a folder name."""
MAX_NAME = 300
"""Characters of an insured, an address, a carrier or another name: no page has room for more."""
MAX_WORD = 60
"""Characters of a peril, a jurisdiction or a line of business."""
FAULTS_SHOWN = 50
"""Faults of one file in the message; the others are counted."""
DATE_COLUMNS = ("loss_date", "inspection_start", "inspection_end")


class AmbiguousDatesError(BadInputError):
    """No date of a column tells month and day apart; the user has to."""

    def __init__(self, file: str, heading: str, example: str) -> None:
        self.heading, self.example = heading, example
        super().__init__(
            f"{file}: '{example}' under '{heading}' can be two days, and no other date in that column tells which.",
            "Add --dates month-first or --dates day-first.",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedClaims:
    """The claims of a file by line, and what a person should know about how it was read."""

    claims: dict[int, Claim]
    notes: tuple[str, ...]


@dataclass(slots=True)
class _Reader:
    """One file on its way to claims: its faults are collected, not raised one by one."""

    file: str
    headings: Headings
    decimal_comma: bool
    orders: dict[str, DayOrder | None] = field(default_factory=dict)
    unread: set[str] = field(default_factory=set)
    """Date columns whose own fault is told once, so their cells are not read."""
    faults: list[tuple[int, str]] = field(default_factory=list)

    def fault(self, line: int, message: str) -> None:
        self.faults.append((line, message))


def read_claim_list(path: Path, *, dates: DayOrder | None = None) -> ListedClaims:
    """Read a list of claims. `dates` states the order of month and day for all of its columns.

    Raises BadInputError with every fault of the file, by line, and AmbiguousDatesError when only the user can tell
    which day a date is.
    """
    table = read_table(path, lambda heading: column_of(heading) is not None)
    if not table.rows:
        raise BadInputError(f"{path.name} lists no claims.", "Add one line for each claim below the header.")
    headings = read_headings(table.rows[0].cells)
    reader = _Reader(path.name, headings, table.decimal_comma)
    for text in headings.faults:
        reader.fault(table.rows[0].line, text)
    claims: dict[int, Claim] = {}
    if not headings.faults:
        cells = _cells(reader, table)
        _find_orders(reader, cells, dates)
        claims = _claims(reader, cells)
    if reader.faults:
        raise _refusal(reader)
    if not claims:
        raise BadInputError(f"{path.name} lists no claims.", "Add one line for each claim below the header.")
    return ListedClaims(claims=claims, notes=(*table.notes, *headings.notes))


def _refusal(reader: _Reader) -> BadInputError:
    """One error for all faults, in the order of the lines; a single fault is a single line."""
    faults = sorted(reader.faults, key=lambda one: one[0])
    if len(faults) == 1:
        line, text = faults[0]
        return BadInputError(f"{reader.file}, line {line}: {text}", "Nothing was loaded.")
    shown = [f"line {line}: {text}" for line, text in faults[:FAULTS_SHOWN]]
    if len(faults) > FAULTS_SHOWN:
        shown.append(f"and {counted(len(faults) - FAULTS_SHOWN, 'more fault')}")
    refusal = BadInputError(
        f"{reader.file} has {counted(len(faults), 'fault')}:",
        "Nothing was loaded. Fix these lines and load the file again.",
    )
    refusal.details = tuple(shown)
    return refusal


def _cells(reader: _Reader, table: TableFile) -> list[tuple[int, dict[str, str]]]:
    found = []
    for row in table.rows[1:]:
        if _is_too_long(reader, row):
            continue
        pairs = zip(reader.headings.columns, row.cells, strict=False)
        found.append((row.line, {column: cell for column, cell in pairs if column}))
    return found


def _is_too_long(reader: _Reader, row: Row) -> bool:
    headed = len(reader.headings.columns)
    if not any(row.cells[headed:]):
        return False
    reader.fault(
        row.line, f"{len(row.cells)} cells under {headed} headings. Put commas inside a cell in quotes."
    )
    return True


def _find_orders(reader: _Reader, cells: list[tuple[int, dict[str, str]]], stated: DayOrder | None) -> None:
    """Tell month and day apart in each date column. Raises AmbiguousDatesError."""
    for column in DATE_COLUMNS:
        found = order_of([(line, one[column]) for line, one in cells if one.get(column)])
        reader.orders[column] = stated or found.order
        if stated:
            continue
        heading = reader.headings.written.get(column, column)
        if found.contradiction:
            month, day = found.contradiction
            reader.fault(
                max(month, day),
                f"the dates under '{heading}' contradict each other: line {month} has the month first, line {day} "
                "the day. Write all of them as 2026-05-14.",
            )
            reader.unread.add(column)
        elif found.ambiguous:
            raise AmbiguousDatesError(reader.file, heading, found.ambiguous)


def _claims(reader: _Reader, cells: list[tuple[int, dict[str, str]]]) -> dict[int, Claim]:
    claims: dict[int, Claim] = {}
    lines: dict[str, int] = {}
    for line, one in cells:
        before = len(reader.faults)
        claim = _claim(reader, line, one)
        key = folded(claim.claim)
        if key and key in lines:
            reader.fault(line, f"claim {claim.claim} is already on line {lines[key]}. Keep one of the two.")
        lines.setdefault(key, line)
        if len(reader.faults) == before:
            claims[line] = claim
    return claims


def _claim(reader: _Reader, line: int, cells: Mapping[str, str]) -> Claim:
    _check_number(reader, line, cells.get("claim", ""))
    for name in ("insured", "address", *PARTIES):
        if len(cells.get(name, "")) > MAX_NAME:
            reader.fault(line, f"{name} is too long. Use at most {MAX_NAME} characters.")
        if not cells.get(name, "").isprintable():
            reader.fault(
                line, f"{name} holds a line break, a control or an invisible character. Write it on one line."
            )
    for name in ("peril", "jurisdiction", "line"):
        word = cells.get(name, "")
        if len(word) > MAX_WORD or not word.isprintable():
            reader.fault(
                line, f"{name} is too long or not printable. Use at most {MAX_WORD} printable characters."
            )
    start, end = (
        _moment(reader, line, cells, "inspection_start"),
        _moment(reader, line, cells, "inspection_end"),
    )
    if start and end and end < start:
        reader.fault(
            line, f"inspection_end {end} is before inspection_start {start}. Exchange or fix the two."
        )
    return Claim(
        claim=ClaimId(cells.get("claim", "")),
        insured=cells.get("insured", ""),
        address=cells.get("address", ""),
        place=_place(reader, line, cells),
        loss_date=_loss_date(reader, line, cells.get("loss_date", "")),
        peril=cells.get("peril", "").casefold(),
        jurisdiction=cells.get("jurisdiction", ""),
        line=cells.get("line", "").casefold(),
        stories=_stories(reader, line, cells.get("stories", "")),
        inspection_start=start,
        inspection_end=end,
        **{name: cells.get(name, "") for name in PARTIES},
    )


def _check_number(reader: _Reader, line: int, number: str) -> None:
    if not number:
        reader.fault(line, "no claim number. Add one; every line needs it.")
    elif len(number) > MAX_CLAIM or not number.isprintable():
        reader.fault(
            line,
            f"the claim number is too long or not printable. Use at most {MAX_CLAIM} printable characters.",
        )
    elif number.casefold() == UNASSIGNED:
        reader.fault(line, f"'{number}' is the name for photos without a claim. Use the claim's own number.")


def _place(reader: _Reader, line: int, cells: Mapping[str, str]) -> GeoPoint | None:
    lat, lon = cells.get("lat", ""), cells.get("lon", "")
    if not lat and not lon:
        return None
    if not lat or not lon:
        reader.fault(line, "lat and lon go together. Give both or neither.")
        return None
    north, east = _degrees(reader, line, lat, 90, "lat"), _degrees(reader, line, lon, 180, "lon")
    return None if north is None or east is None else GeoPoint(lat=north, lon=east)


def _degrees(reader: _Reader, line: int, text: str, limit: int, name: str) -> float | None:
    plain = text.replace(",", ".") if reader.decimal_comma and re.fullmatch(r"-?\d+,\d+", text) else text
    try:
        value = float(plain)
    except ValueError:
        value = math.nan
    if abs(value) <= limit:
        return value
    reader.fault(
        line,
        f"{name} '{text}' is not between -{limit} and {limit}. Write decimal degrees, such as 39.7392.",
    )
    return None


def _loss_date(reader: _Reader, line: int, text: str) -> date | None:
    if not text or "loss_date" in reader.unread:
        return None
    try:
        return read_day(text, reader.orders["loss_date"])
    except ValueError:
        reader.fault(
            line,
            f"loss_date '{text}' is not a date{_as_stated(reader, 'loss_date')}. Write it as 2026-05-14.",
        )
        return None


def _moment(reader: _Reader, line: int, cells: Mapping[str, str], name: str) -> datetime | None:
    text = cells.get(name, "")
    if not text or name in reader.unread:
        return None
    try:
        return read_moment(text, reader.orders[name])
    except ValueError:
        reader.fault(
            line,
            f"{name} '{text}' is not a local day and time{_as_stated(reader, name)}. Write it as 2026-05-14 09:30.",
        )
        return None


def _as_stated(reader: _Reader, column: str) -> str:
    order = reader.orders[column]
    return f" with the {order.value.partition('-')[0]} first" if order else ""


def _stories(reader: _Reader, line: int, text: str) -> int | None:
    if not text:
        return None
    if not text.isascii() or not text.isdigit() or not 1 <= int(text[:9]) <= 200:
        reader.fault(
            line,
            f"stories '{text}' is not a whole number from 1 to 200. Write 1, 2, 3 or leave it empty.",
        )
        return None
    return int(text)
