"""The table of a claim's photos, through the command and as text."""

from __future__ import annotations

import csv
import io

import pytest
from support_board import facet_value, put_claim, put_photos
from support_board_fixtures import workspace
from support_cli import cli

from evidence.model import ClaimId, ClaimState, Facet, Finding, Sha256
from evidence.reports import table
from evidence.reports.views import PhotoView

__all__ = ["workspace"]  # fixtures


def test_the_table_carries_every_photo_and_column_and_reads_back(houses, tmp_path):
    cli("tag", "TEST0002.JPG", "--role", "elevation", "--face", "front", archive=houses, actor="R. Viewer")
    out = tmp_path / "t.csv"
    assert cli("table", "TC-1001", "--out", out, "--bom", archive=houses).status == 0
    raw = out.read_bytes()
    assert raw.startswith(b"\xef\xbb\xbf")
    assert raw.count(b"\r\n") >= 4
    rows = list(csv.DictReader(io.StringIO(raw.decode("utf-8-sig"), newline="")))
    data = cli("table", "TC-1001", "--json", archive=houses).data
    assert list(rows[0]) == list(data[0])
    for row, one in zip(rows, data, strict=True):
        assert (row["sha256"], row["name"], row["taken_at"]) == (
            one["sha256"],
            one["name"],
            one["taken_at"] or "",
        )
        assert row["role"] == (one["role"] or "")
        assert row["stated"].split("\n") == (one["stated"] or [""])
    assert cli("table", "TC-1001", archive=houses).out.encode() == raw[3:]


FORMULAS = [
    "=1+1",
    "+1",
    "-1",
    "@SUM(A1)",
    "\t=1",
    "\r=1",
    "\n=1",
    "\uff1d1",
    "\uff0b1",
    "\uff0d1",
    "\uff201",
    "  =1",
]


def view(text: str) -> PhotoView:
    return PhotoView(
        sha256=Sha256("0" * 64), name=text, card_path=text, taken_at=text, corrected_at=None, correction=text,
        claim=text, claim_confidence=1.0, to_confirm=False, role=None, face=None, component=text, condition=None,
        count=None, standing="stated", stated=[text], confidence={"role": 1.0}, reasons=[text, text],
        flags=[Finding(code=text, message=text)],
    )  # fmt: skip


@pytest.mark.parametrize("text", FORMULAS, ids=ascii)
def test_no_cell_begins_with_what_a_spreadsheet_runs(text):
    """The list is OWASP's (CSV Injection), with the full-width forms that some locales take for the same."""
    (row,) = csv.DictReader(io.StringIO(table.as_csv([view(text)]), newline=""))
    for column, cell in row.items():
        assert not cell.lstrip(" ").startswith(tuple("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")), column
    assert row["name"] == f"'{text}"


@pytest.mark.parametrize(
    "text", ["TEST0001.JPG", 'a "b", c', "two\r\nlines", "\u00e9\u05d0", "a=b", "'quoted", ""]
)
def test_any_other_cell_reads_back_as_it_was(text):
    (row,) = csv.DictReader(io.StringIO(table.as_csv([view(text)]), newline=""))
    assert row["name"] == text == row["correction"]


def test_photos_that_are_not_yet_reviewed_come_after_all_others_and_a_signed_claim_has_none(workspace):
    put_claim(workspace, "BD-1")
    put_photos(
        workspace,
        "BD-1",
        3,
        tags={
            0: (facet_value(Facet.FACE, "front", guess=0.9), facet_value(Facet.ROLE, "elevation")),
            1: (facet_value(Facet.FACE, "front"), facet_value(Facet.ROLE, "elevation")),
        },
    )
    rows = table.photo_table(workspace, "BD-1")
    assert [(row.name[-5], row.standing) for row in rows] == [
        ("1", "stated"),
        ("2", "without tags"),
        ("0", "not yet reviewed"),
    ]
    workspace.catalog.claims.set_state(ClaimId("BD-1"), ClaimState.SIGNED)
    assert "not yet reviewed" not in {row.standing for row in table.photo_table(workspace, "BD-1")}
