"""Days are split by the sheets in them, whole, and never against what people decided."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from support_analysis import DAY, Described
from support_board import put_claim

from evidence.analysis.split_input import read_split
from evidence.analysis.splitting import split_days
from evidence.catalog.decisions import Move
from evidence.catalog.intakes import IntakeRow
from evidence.model import ClaimState, IntakeId, Sha256


@pytest.fixture
def card(workspace):
    for number in ("AN-1", "AN-2"):
        put_claim(workspace, number)
    return Described(workspace)


def claims_of(workspace, shas) -> list[str | None]:
    found = {record.sha256: record.claim for record in workspace.catalog.photos.records(shas)}
    return [found[sha] for sha in shas]


def test_each_house_goes_to_the_claim_of_its_sheet_in_the_order_the_photos_were_taken(workspace, card):
    first, second = card.house("AN-1", 6), card.house("AN-2", 5)
    touched, findings = split_days(workspace, card.enter())
    assert touched == {None, "AN-1", "AN-2"}  # the photos left the tray
    assert findings == ()
    photos = workspace.catalog.photos
    assert [record.sha256 for record in photos.of_claim("AN-1")] == first
    assert [record.sha256 for record in photos.of_claim("AN-2")] == second
    rows = photos.segments()
    assert [(row.segment, row.claim, row.first, row.photos) for row in rows] == [
        (named_by(workspace, first[0]), "AN-1", first[0], 6),
        (named_by(workspace, second[0]), "AN-2", second[0], 5),
    ]


def named_by(workspace, first) -> str:
    """The name of the segment that begins with this photo."""
    (record,) = workspace.catalog.photos.records([first])
    return f"{record.corrected:%Y-%m-%d/%H%M%S}"


@pytest.mark.parametrize("later", [timedelta(hours=-3), timedelta(hours=9)], ids=["earlier", "later"])
def test_another_card_of_the_day_touches_only_the_claim_that_it_belongs_to(workspace, card, later):
    """The order and the names of the photos of the other houses stay, so their claims are not tagged anew."""
    put_claim(workspace, "AN-3")
    for claim in ("AN-1", "AN-2"):
        card.house(claim, 6, later=timedelta(minutes=40))
    split_days(workspace, card.enter())
    photos = workspace.catalog.photos
    before = {claim: photos.of_claim(claim) for claim in ("AN-1", "AN-2")}
    names = [row.segment for row in photos.segments()]
    other = Described(workspace, name="b")
    shas = other.house("AN-3", 5, later=later)
    touched, _ = split_days(workspace, other.enter())
    assert touched == {None, "AN-3"}
    assert [record.sha256 for record in photos.of_claim("AN-3")] == shas
    now = {claim: photos.of_claim(claim) for claim in before}
    assert now == before
    assert set(names) < {row.segment for row in photos.segments()}


def test_a_photo_carries_the_reasons_of_its_segment(workspace, card):
    card.house("AN-1", 4)
    split_days(workspace, card.enter())
    (row,) = workspace.catalog.photos.segments()
    assert row.reasons
    assert {r.claim_reasons for r in workspace.catalog.photos.of_claim("AN-1")} == {row.reasons}


def test_a_day_split_again_changes_nothing(workspace, card):
    card.house("AN-1", 6)
    card.house("AN-2", 5)
    shas = card.enter()
    split_days(workspace, shas)
    assert split_days(workspace, shas) == (set(), ())


def test_one_photo_stands_for_its_whole_day(workspace, card):
    first, second = card.house("AN-1", 6), card.house("AN-2", 5)
    card.enter()
    split_days(workspace, second[-1:])
    assert claims_of(workspace, first + second) == ["AN-1"] * 6 + ["AN-2"] * 5


def test_another_card_of_another_day_is_left_alone(workspace, card):
    here = card.house("AN-1", 4)
    other = Described(workspace, name="b", moment=card.moment + timedelta(days=1))
    there = other.house("AN-2", 4)
    other.enter()
    split_days(workspace, card.enter())
    assert claims_of(workspace, here + there) == ["AN-1"] * 4 + [None] * 4


def test_a_sheet_alone_makes_a_claim_known_and_says_so(workspace, card):
    card.house("AN-9", 4)
    _, findings = split_days(workspace, card.enter())
    assert [(one.code, one.subject) for one in findings] == [("claim_not_assigned", "AN-9")]
    assert workspace.catalog.claims.get("AN-9").state is ClaimState.OPEN
    assert len(workspace.catalog.photos.of_claim("AN-9")) == 4


def test_photos_with_the_sheet_of_a_purged_claim_wait_unassigned_and_go_to_no_neighbour(workspace, card):
    card.house("AN-1", 5)
    purged = card.house("AN-2", 5)
    workspace.catalog.claims.set_state("AN-2", ClaimState.PURGED)
    _, findings = split_days(workspace, card.enter())
    assert ("sheet_of_a_purged_claim", "AN-2") in {(one.code, one.subject) for one in findings}
    assert claims_of(workspace, purged) == [None] * 5
    (row,) = [row for row in workspace.catalog.photos.segments() if row.first == purged[0]]
    assert (row.claim, row.unknown) == (None, True)
    assert "claim AN-2 was purged" in row.reasons


def test_photos_that_come_to_a_signed_claim_are_reported(workspace, card):
    workspace.catalog.claims.set_state("AN-1", ClaimState.SIGNED)
    card.house("AN-1", 3)
    _, findings = split_days(workspace, card.enter())
    (late,) = findings
    assert (late.code, late.subject) == ("claim_is_settled", "AN-1")
    assert late.message.startswith("3 photos came to claim AN-1, which is signed already")


def test_a_persons_move_stands_in_every_later_split(workspace, card):
    first = card.house("AN-1", 6)
    card.house("AN-2", 5)
    shas = card.enter()
    split_days(workspace, shas)
    moved = first[3]
    decision = Move(photos=(moved,), claim="AN-2", replaced={moved: "AN-1"})
    workspace.catalog.claims.record(decision, claim="AN-2", at=workspace.now(), actor="Rita")
    split_days(workspace, shas)
    assert claims_of(workspace, first) == ["AN-1"] * 3 + ["AN-2"] + ["AN-1"] * 2


def test_a_signed_claim_keeps_its_photos_when_a_later_card_is_of_the_same_hour(workspace, card):
    first = card.house("AN-1", 6)
    shas = card.enter()
    split_days(workspace, shas)
    workspace.catalog.claims.set_state("AN-1", ClaimState.SIGNED)
    later = Described(workspace, name="b", moment=card.moment, count=0)
    later.house("AN-2", 4, later=timedelta(seconds=20))
    split_days(workspace, later.enter())
    assert claims_of(workspace, first) == ["AN-1"] * 6


def phone_and_camera_without_a_date(workspace) -> tuple[Described, Described]:
    """Three houses: a phone with the sheets, and a camera of the same houses whose clock shows the year 2000."""
    phone, camera = Described(workspace, name="p"), Described(workspace, name="c", model="T-2", years=-26)
    for claim in ("AN-1", "AN-2", "AN-3"):
        phone.house(claim, 15)
        camera.house(None, 15)
    return phone, camera


def taken_in(workspace, one: Described, moment: datetime) -> list[Sha256]:
    """Store the card with its intake at this moment; returns the digests."""
    workspace.catalog.photos.put_intake(
        IntakeRow(
            intake=IntakeId(f"20260514-180000-{one.name}"),
            source="card",
            label="",
            actor="Ada",
            started_at=moment,
            finished_at=moment,
            refused=(),
        )
    )
    return one.enter()


@pytest.mark.parametrize("order", ["phone first", "camera first"])
def test_a_camera_without_a_date_joins_the_day_of_the_card_that_was_taken_in_with_it(workspace, card, order):
    put_claim(workspace, "AN-3")
    phone, camera = phone_and_camera_without_a_date(workspace)
    evening = datetime(2026, 5, 14, 18, tzinfo=UTC)
    cards = [phone, camera] if order == "phone first" else [camera, phone]
    for minutes, one in enumerate(cards):
        split_days(workspace, taken_in(workspace, one, evening + timedelta(minutes=10 * minutes)))
    expected = [claim for claim in ("AN-1", "AN-2", "AN-3") for _ in range(15)]
    assert claims_of(workspace, camera.shas) == expected
    assert {r.corrected.date().isoformat() for r in workspace.catalog.photos.records(camera.shas)} == {DAY}


def test_a_camera_without_a_date_does_not_join_a_day_whose_cards_were_taken_in_long_before(workspace, card):
    phone, camera = phone_and_camera_without_a_date(workspace)
    evening = datetime(2026, 5, 14, 18, tzinfo=UTC)
    split_days(workspace, taken_in(workspace, phone, evening))
    split_days(workspace, taken_in(workspace, camera, evening + timedelta(days=3)))
    assert claims_of(workspace, camera.shas) == [None] * 45


def test_each_photo_of_a_day_is_read_once(workspace, card, monkeypatch):
    card.house("AN-1", 6)
    shas = card.enter()
    split_days(workspace, shas)
    photos, read = type(workspace.catalog.photos), []
    real = photos.records
    monkeypatch.setattr(
        photos, "records", lambda self, digests, **more: read.extend(digests) or real(self, digests, **more)
    )
    found = read_split(workspace, shas[:1])
    assert sorted(found.records) == sorted(shas)
    assert sorted(read) == sorted(shas)
