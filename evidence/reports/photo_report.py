"""A claim as it is handed on: the photo report as a PDF, and the table of its photos."""

from __future__ import annotations

import csv
import dataclasses
import hashlib
import io
import json
from collections.abc import Iterable
from datetime import UTC
from pathlib import Path

from evidence.analysis import coverage as covering
from evidence.catalog.decisions import Sign, Verdict
from evidence.codec import to_json
from evidence.filing.originals import find_original
from evidence.lookup import known_claim, photos_of
from evidence.model import CONCLUDED, ClaimId, Finding
from evidence.paper.photo_report import Written, write_report
from evidence.paper.report_desk import ReportMatter, SignOff
from evidence.paper.report_pictures import PictureSource
from evidence.reports import views
from evidence.workspace import Workspace

BYTE_ORDER_MARK = "\ufeff"

RUN_BY_SPREADSHEETS = frozenset("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20|%")
"""A cell that begins with one of these may be run: OWASP, CSV Injection, with the full-width forms; `|` and `%`
from memory (DDE in old spreadsheets)."""


# --- the report --------------------------------------------------------------------------


def photo_report(workspace: Workspace, claim: str, out: Path, *, per_page: int = 2) -> Written:
    """Write the claim's photo report to `out` and note in the custody log that it was, with its digest.

    Raises BadInputError (no such claim, no photos, a bad place), DestinationError (the disk).
    """
    number = known_claim(workspace, claim)
    row = workspace.catalog.claims.get(number)
    assert row is not None
    records = tuple(workspace.catalog.photos.of_claim(number))
    written = write_report(
        ReportMatter(
            claim=row.claim,
            records=records,
            coverage=covering.coverage_of(workspace, number),
            words=workspace.vocabulary,
            pictures=PictureSource(
                thumbs=workspace.thumbs, original=lambda sha: find_original(workspace, sha)
            ),
            made_by=workspace.actor,
            made_at=workspace.now().astimezone(UTC),
            sign_off=sign_off(workspace, number) if row.state in CONCLUDED else None,
            per_page=per_page,
        ),
        out,
    )
    digest = hashlib.sha256(out.read_bytes()).hexdigest()
    workspace.record("report_written", number, name=out.name, sha256=digest, photos=written.photos)
    return written


def sign_off(workspace: Workspace, claim: ClaimId) -> SignOff | None:
    """The sign-off that stands; None when there is none or it was taken back."""
    verdicts = workspace.catalog.claims.decisions(Verdict, claim=claim)
    last = verdicts[-1] if verdicts else None
    if last is None or not isinstance(last.decision, Sign):
        return None
    return SignOff(by=last.actor, at=last.at.astimezone(UTC), note=last.decision.note)


# --- the table ---------------------------------------------------------------------------


def photo_table(workspace: Workspace, claim: str) -> list[views.PhotoView]:
    """All photos of the claim, or of the tray, in order."""
    return [views.photo_view(record) for record in photos_of(workspace, claim)]


def as_json(photos: Iterable[views.PhotoView]) -> str:
    """The table as a JSON array (RFC 8259)."""
    return json.dumps(to_json(list(photos)), ensure_ascii=False, indent=2) + "\n"


def as_csv(photos: Iterable[views.PhotoView], *, byte_order_mark: bool = False) -> str:
    """The table as CSV (RFC 4180) with a header line and no cell that a spreadsheet would run.

    Such a cell begins with an apostrophe more, which spreadsheets take for `this is text`. Lists are one value
    a line, confidences JSON.
    """
    out = io.StringIO(newline="")
    if byte_order_mark:
        out.write(BYTE_ORDER_MARK)
    rows = csv.writer(out, lineterminator="\r\n")
    columns = [field.name for field in dataclasses.fields(views.PhotoView)]
    rows.writerow(columns)
    for photo in photos:
        rows.writerow([_cell(getattr(photo, column)) for column in columns])
    return out.getvalue()


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return neutral("\n".join(_listed(one) for one in value))
    if isinstance(value, dict):
        return neutral(json.dumps(value, ensure_ascii=False, sort_keys=True) if value else "")
    return neutral(str(value))


def _listed(value: object) -> str:
    return neutral(f"{value.code}: {value.message}" if isinstance(value, Finding) else str(value))


def neutral(text: str) -> str:
    """The text as no spreadsheet runs it, also after blanks, which some skip."""
    seen = text.lstrip(" \u00a0\u3000")
    return f"'{text}" if seen[:1] in RUN_BY_SPREADSHEETS and seen else text
