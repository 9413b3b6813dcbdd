"""Loading a list of claims in a terminal: the question about dates, and what is printed."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from evidence.errors import BadInputError, counted

if TYPE_CHECKING:
    from evidence.office.assignments import ClaimChange, LoadResult
    from evidence.office.claim_list.days import DayOrder
    from evidence.workspace import Workspace


def load_asking(here: Workspace, file: Path, *, dates: str | None, dry_run: bool, ask: bool) -> LoadResult:
    """Load the list; when only a person can tell month and day apart, ask on a terminal.

    Raises BadInputError as the load does, and for an order that does not exist.
    """
    from evidence.office.assignments import load_assignments
    from evidence.office.claim_list.days import DayOrder
    from evidence.office.claim_list.reading import AmbiguousDatesError

    order = _order(dates) if dates else None
    try:
        return load_assignments(here, file, dates=order, dry_run=dry_run)
    except AmbiguousDatesError as doubt:
        if not (ask and sys.stdin.isatty() and sys.stderr.isatty()):
            raise
        question = f"Under '{doubt.heading}' stands {doubt.example}. Which number is the month? 1: the first, 2: the second"
        answer = typer.prompt(question, type=int, err=True)
        if answer not in {1, 2}:
            raise
        order = DayOrder.MONTH_FIRST if answer == 1 else DayOrder.DAY_FIRST
    return load_assignments(here, file, dates=order, dry_run=dry_run)


def _order(text: str) -> DayOrder:
    from evidence.office.claim_list.days import DayOrder

    try:
        return DayOrder(text.strip().casefold().replace("_", "-"))
    except ValueError:
        raise BadInputError(
            f"--dates: '{text}' is not an order of month and day.", "Write month-first or day-first."
        ) from None


def loaded_lines(loaded: LoadResult) -> Iterable[str]:
    """What loading a list did, or would do."""
    would = "would be " if loaded.dry_run else ""
    yield f"{loaded.added} {would}added, {loaded.updated} {would}updated, {len(loaded.refused)} refused."
    yield from (f"  line {row.line}: {row.claim}: {row.reason}" for row in loaded.refused)
    for change in loaded.changes:
        yield from _change_lines(change)
    yield from (f"Note: {note}" for note in loaded.notes)
    if loaded.dry_run:
        yield f"Nothing was changed. {counted(len(loaded.changes), 'claim')} would change."


def _change_lines(change: ClaimChange) -> Iterable[str]:
    if not change.fields:
        yield f"  line {change.line}: {change.claim} is new"
    for name, (now, listed) in change.fields.items():
        yield f"  line {change.line}: {change.claim}: {name}: {now or 'empty'} -> {listed or 'empty'}"
