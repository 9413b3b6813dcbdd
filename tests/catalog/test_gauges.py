"""The counts for the metrics are those of the rows, on both databases."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

from sqlalchemy import update
from support_catalog import copied, placing

from evidence.catalog import tables as t
from evidence.catalog.intakes import IntakeRow
from evidence.catalog.segments import SegmentRow
from evidence.model import CameraFacts, Claim, ClaimId, ClaimState, IntakeId, Look, Sha256

AT = datetime(2026, 5, 14, 9, tzinfo=UTC)


def run(number, **more):
    row = IntakeRow(
        intake=IntakeId(f"20260514-09000{number}-aaaa"),
        source="/media/card",
        label="card",
        actor="Dana",
        started_at=AT,
        finished_at=AT,
        refused=(),
    )
    return replace(row, **more)


def sha(number):
    return Sha256(f"{number:064x}")


def test_an_empty_catalog_counts_nothing(catalog):
    assert catalog.gauges.intakes() == {"safe": 0, "not_safe": 0, "unfinished": 0}
    assert catalog.gauges.claims() == {}
    assert catalog.gauges.photos() == {"settled": 0, "to_confirm": 0, "unassigned": 0}
    assert catalog.gauges.waiting_for_analysis() == 0


def test_cards_are_counted_by_the_last_run_of_each(catalog):
    rows = [
        run(1, told_safe=True, safe_told_at=AT),
        run(2),
        run(3),
        run(4, finished_at=None),
        run(5, finished_at=None),
        run(6, told_safe=True, safe_told_at=AT),
    ]
    for row in rows:
        catalog.photos.put_intake(row)
        catalog.photos.put_verdict(row)
    with catalog._database.transaction() as db:
        later = [rows[4].intake, rows[5].intake]
        db.execute(update(t.intake).where(t.intake.c.intake.in_(later)).values(superseded_by=rows[0].intake))
    assert catalog.gauges.intakes() == {"safe": 1, "not_safe": 2, "unfinished": 1}


def test_claims_photos_and_what_waits_are_counted_by_state(catalog):
    catalog.claims.put([Claim(claim=ClaimId(one)) for one in ("A", "B", "C")], at=AT)
    catalog.claims.set_state(ClaimId("C"), ClaimState.CLOSED, closed_on=date(2026, 5, 20))
    unfinished = run(1, finished_at=None)
    catalog.photos.put_intake(unfinished)
    catalog.photos.add_originals(unfinished.intake, [copied(f"DCIM/{one}.JPG", sha(one)) for one in range(6)])
    for claim, digests, unsure in (("A", (0, 1), False), ("B", (2,), True)):
        segment = SegmentRow(
            segment=f"2026-05-14/{claim}", claim=claim, unknown=False, first=sha(digests[0]), photos=len(digests),
            day="2026-05-14", position=0, probability=1.0, to_confirm=unsure, reasons=(),
        )  # fmt: skip
        placed = [
            placing(sha(one), claim, one, segment=segment.segment, to_confirm=unsure) for one in digests
        ]
        catalog.photos.place(placed, [segment])
    assert catalog.gauges.claims() == {"open": 2, "closed": 1}
    assert catalog.gauges.photos() == {"settled": 2, "to_confirm": 1, "unassigned": 3}
    assert catalog.gauges.waiting_for_analysis() == 6
    catalog.photos.describe([(sha(one), CameraFacts(), Look()) for one in range(4)])
    assert catalog.gauges.waiting_for_analysis() == 2
    catalog.photos.put_intake(replace(unfinished, finished_at=AT))
    assert catalog.gauges.waiting_for_analysis() == 0
