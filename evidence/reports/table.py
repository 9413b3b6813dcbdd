"""The table of a claim's photos, as CSV and as JSON."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
from collections.abc import Iterable

from evidence.codec import to_json
from evidence.errors import printable_json, visible
from evidence.lookup import photos_of
from evidence.model import Finding
from evidence.reports import views
from evidence.tags.standing import Standing
from evidence.workspace import Workspace

BYTE_ORDER_MARK = "\ufeff"

FORMULA_STARTS = frozenset("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20|%")
"""A spreadsheet may run a cell that begins with one of these: OWASP, CSV Injection, with the full-width forms; `|`
and `%` from memory (DDE in old spreadsheets)."""


def photo_table(workspace: Workspace, claim: str) -> list[views.PhotoView]:
    """All photos of the claim, or of the unassigned tray, in order, those that are not yet reviewed after all others.

    Raises BadInputError for an unknown claim.
    """
    found = views.photo_views(workspace, photos_of(workspace, claim))
    return sorted(found, key=lambda photo: photo.standing == Standing.NOT_REVIEWED)


def as_json(photos: Iterable[views.PhotoView]) -> str:
    """The table as a JSON array (RFC 8259)."""
    return printable_json(json.dumps(to_json(list(photos)), ensure_ascii=False, indent=2)) + "\n"


def as_csv(photos: Iterable[views.PhotoView], *, byte_order_mark: bool = False) -> str:
    """The table as CSV (RFC 4180) with a header line; no spreadsheet runs any of its cells as a formula.

    A cell that one would run begins with an apostrophe, which marks text. Lists have one value on each line,
    confidences are JSON.
    """
    out = io.StringIO(newline="")
    if byte_order_mark:
        out.write(BYTE_ORDER_MARK)
    lines = csv.writer(out, lineterminator="\r\n")
    columns = [field.name for field in dataclasses.fields(views.PhotoView)]
    lines.writerow(columns)
    for photo in photos:
        lines.writerow([_cell(getattr(photo, column)) for column in columns])
    return out.getvalue()


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return as_text_cell("\n".join(_item(one) for one in value))
    if isinstance(value, dict):
        return as_text_cell(json.dumps(value, ensure_ascii=False, sort_keys=True) if value else "")
    return as_text_cell(visible(str(value)))


def _item(value: object) -> str:
    return as_text_cell(
        visible(f"{value.code}: {value.message}" if isinstance(value, Finding) else str(value))
    )


def as_text_cell(text: str) -> str:
    """The text with an apostrophe before it if a spreadsheet would run it; some skip spaces first."""
    start = text.lstrip(" \u00a0\u3000")
    return f"'{text}" if start[:1] in FORMULA_STARTS and start else text
