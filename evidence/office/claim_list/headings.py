"""The columns of a list of claims: which heading is which column, however the office spells it."""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass

COLUMNS = (
    "claim", "insured", "address", "lat", "lon", "loss_date", "peril", "jurisdiction", "line", "stories",
    "policy_number", "carrier", "adjuster", "inspector", "inspection_start", "inspection_end",
)  # fmt: skip

SYNONYMS: dict[str, tuple[str, ...]] = {
    "claim": ("claim number", "claim no", "claim num", "claim id", "claim reference", "file number", "file no"),
    "insured": ("insured name", "named insured", "name of insured", "policyholder", "policy holder"),
    "address": ("loss address", "loss location", "property address", "risk address", "address of loss",
                "location of loss", "risk location"),
    "lat": ("latitude",),
    "lon": ("longitude", "lng", "long"),
    "loss_date": ("date of loss", "dol", "date loss"),
    "peril": ("cause of loss", "type of loss", "loss type"),
    "jurisdiction": ("state", "loss state", "state of loss"),
    "line": ("line of business", "lob", "policy type"),
    "stories": ("storeys", "number of stories", "no of stories"),
    "policy_number": ("policy", "policy no", "policy num", "policy id"),
    "carrier": ("insurer", "insurance company", "insurance carrier"),
    "adjuster": ("adjuster name", "assigned adjuster"),
    "inspector": ("inspector name", "inspected by"),
    "inspection_start": ("inspection from", "inspection begins", "appointment start"),
    "inspection_end": ("inspection to", "inspection until", "appointment end"),
}  # fmt: skip
"""Other words for a column, as offices head them: common practice in the trade, no source."""

SIMILAR = 0.85
"""Similarity (0 to 1) from which an unknown heading is taken for a misspelt one and refused instead of left out."""


def plain(heading: str) -> str:
    """A heading in lower case, with one blank for underscores, hyphens, points and signs."""
    return " ".join(re.sub(r"[^\w]|_", " ", heading.casefold()).split())


_COLUMN_OF = {plain(word): column for column in COLUMNS for word in (column, *SYNONYMS[column])}


def column_of(heading: str) -> str | None:
    """The column that a heading names; None for another column of the office."""
    return _COLUMN_OF.get(plain(heading))


@dataclass(frozen=True, slots=True, kw_only=True)
class Headings:
    """What each column of the file is, in the file's order; None for one that is left out."""

    columns: tuple[str | None, ...]
    written: dict[str, str]
    """Column to the heading in the file."""
    notes: tuple[str, ...]
    faults: tuple[str, ...]


def read_headings(cells: Sequence[str]) -> Headings:
    """Find the column of each heading, and what is wrong with the headings."""
    columns = tuple(column_of(cell) for cell in cells)
    written: dict[str, str] = {}
    faults, extra = [], []
    for heading, column in zip(cells, columns, strict=True):
        if column is None:
            near = _misspelt(heading, {one for one in columns if one})
            if near:
                faults.append(f"unknown column '{heading}'. Did you mean '{near}'?")
            elif heading:
                extra.append(heading)
        elif column in written:
            faults.append(
                f"column '{column}' appears twice, as '{written[column]}' and as '{heading}'. Delete one of the two."
            )
        else:
            written[column] = heading
    if "claim" not in written and not any("'claim'?" in fault for fault in faults):
        faults.append(f"no column 'claim'. The columns are {', '.join(COLUMNS)}.")
    notes = (f"Left out: {_listed(extra)}.",) if extra else ()
    return Headings(columns=columns, written=written, notes=notes, faults=tuple(faults))


def _misspelt(heading: str, present: set[str]) -> str | None:
    """The column that a heading probably means, if the file has no other heading for it."""
    missing = {word: column for word, column in _COLUMN_OF.items() if column not in present}
    near = difflib.get_close_matches(plain(heading), missing, n=1, cutoff=SIMILAR)
    return missing[near[0]] if near else None


def _listed(headings: Sequence[str]) -> str:
    quoted = ", ".join(f"'{one}'" for one in headings)
    return f"the {'column' if len(headings) == 1 else 'columns'} {quoted}"
