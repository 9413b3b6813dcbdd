"""True shooting order: by numbers and times, and which of the two to trust."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from support_timeline import at, house, make_photo, order_of, sizes

from evidence.timeline import DayPhoto, plan_day
from evidence.timeline.order.numbers import number_order, numbers_are_reliable, outlier_stamps
from evidence.timeline.order.units import is_epoch, time_in_name, units_of


def placed(photos: list[DayPhoto]) -> list[str]:
    """Names in timeline order, of photos given in random order."""
    mixed = photos[:]
    random.Random(7).shuffle(mixed)
    names = {s.sha256: s.name for s in photos}
    return [names[sha] for sha in order_of(plan_day(mixed, []))]


def test_numbers_roll_over_from_9999_to_0001_into_the_next_folder():
    early = [make_photo(9990 + k, at(9, k), folder=100) for k in range(10)]
    late = [make_photo(1 + k, at(9, 10 + k), folder=101) for k in range(10)]
    assert placed(early + late) == [s.name for s in early + late]


@pytest.mark.parametrize("timed", [True, False], ids=["with times", "without times"])
def test_numbers_roll_over_within_one_folder(timed):
    photos = [make_photo((9990 + k) % 9999 + 1, at(9, k) if timed else None) for k in range(20)]
    assert placed(photos) == [s.name for s in photos]


def test_a_folder_with_a_hole_in_its_numbers_has_not_rolled_over_when_times_say_so():
    photos = [
        make_photo(5, at(9)),
        make_photo(6, at(9, 1)),
        make_photo(9001, at(9, 2)),
        make_photo(9002, at(9, 3)),
    ]
    assert placed(photos) == [s.name for s in photos]


def test_folder_numbers_wrap_from_999_to_100():
    photos = [make_photo(1 + k, at(9, k), folder=999 if k < 5 else 100) for k in range(10)]
    units = number_order(units_of(photos))
    assert [u.lead.sha256 for u in units] == [s.sha256 for s in photos]


def test_sub_seconds_order_a_burst_that_numbers_do_not():
    photos = [
        replace(make_photo(None, at(9, 0, 10 + k / 10), name=f"burst_{9 - k}.jpg"), dcf=None)
        for k in range(8)
    ]
    assert placed(photos) == [s.name for s in photos]


def test_a_clock_set_back_at_noon_keeps_the_order_of_the_numbers():
    morning = house(1, at(9), 40)
    noon = house(41, at(8, 20), 40)
    assert placed(morning + noon) == [s.name for s in morning + noon]


def test_a_clock_set_back_by_an_hour_is_found_and_the_morning_corrected():
    morning = house(1, at(10), 40)
    later = house(41, morning[-1].taken_local - timedelta(minutes=59, seconds=40), 40)
    plan = plan_day([*morning, *later], [])
    first = plan.placed[0]
    assert first.corrected == at(9)
    assert "1 h 0 min fast" in first.correction
    assert plan.placed[40].correction == ""
    assert len(plan.segments) == 1


@pytest.mark.parametrize(
    "epoch",
    [datetime(1980, 1, 1), datetime(2000, 1, 1), datetime(1970, 1, 1), datetime(2015, 1, 1)],
    ids=lambda d: str(d.year),
)
def test_a_battery_that_fell_out_neither_orders_nor_splits(epoch):
    before, after = house(1, at(9), 30, claim="AX-1"), house(61, at(9, 20), 30)
    lost = [
        replace(s, taken_local=epoch + timedelta(seconds=40 * k))
        for k, s in enumerate(house(31, at(9, 10), 30))
    ]
    plan = plan_day([*before, *lost, *after], [])
    assert order_of(plan) == [s.sha256 for s in [*before, *lost, *after]]
    assert sizes(plan) == [("AX-1", 90)]
    assert [p.corrected for p in plan.placed[30:60]] == [None] * 30
    assert "lost its date" in plan.placed[30].correction


def test_dates_of_an_epoch_do_not_split_even_when_they_run_for_hours():
    before = house(1, at(9), 30, claim="AX-1")
    lost = [make_photo(31 + k, datetime(2000, 1, 1) + timedelta(minutes=25 * k)) for k in range(12)]
    assert sizes(plan_day([*before, *lost], [])) == [("AX-1", 42)]


def test_a_sheet_still_splits_where_the_clock_is_lost():
    before = house(1, at(9), 30, claim="AX-1")
    lost = [
        replace(s, taken_local=datetime(2000, 1, 1) + timedelta(seconds=15 * k))
        for k, s in enumerate(house(31, at(9, 40), 30, claim="BX-2"))
    ]
    assert sizes(plan_day([*before, *lost], [])) == [("AX-1", 30), ("BX-2", 30)]


def test_the_same_holds_when_the_reader_gives_no_time_at_all():
    before = house(1, at(9), 30, claim="AX-1")
    lost = [replace(s, taken_local=None) for s in house(31, at(9, 40), 80, claim="BX-2")]
    plan = plan_day([*before, *lost], [])
    assert sizes(plan) == [("AX-1", 30), ("BX-2", 80)]
    assert order_of(plan) == [s.sha256 for s in [*before, *lost]]


def test_numbers_made_up_by_a_phone_are_not_trusted():
    photos = house(1, at(9), 60)
    numbers = random.Random(3).sample(range(1, 9999), 60)
    renamed = [
        replace(s, dcf=replace(s.dcf, file_number=n), name=f"IMG_{n:04d}.JPG")
        for s, n in zip(photos, numbers, strict=True)
    ]
    assert order_of(plan_day(renamed, [])) == [s.sha256 for s in photos]


def test_one_step_back_on_a_long_card_leaves_the_numbers_reliable_and_a_shuffle_does_not():
    card = units_of([*house(1, at(10), 40), *house(41, at(9), 40)])
    assert numbers_are_reliable(number_order(card))
    stamps = house(1, at(9), 40)
    random.Random(1).shuffle(stamps)
    mixed = units_of([replace(s, dcf=replace(s.dcf, file_number=k + 1)) for k, s in enumerate(stamps)])
    assert not numbers_are_reliable(number_order(mixed))


def test_one_photo_with_an_outlier_time_stays_with_its_number():
    photos = house(1, at(9), 30)
    photos[12] = replace(photos[12], taken_local=at(17))
    plan = plan_day(photos, [])
    assert order_of(plan) == [s.sha256 for s in photos]
    assert plan.placed[12].corrected is None
    assert "does not fit" in plan.placed[12].correction
    assert outlier_stamps([1, 2, 3, 90, 4, 5, 6]) == {3}


def test_two_cards_of_one_camera_make_one_order():
    day = house(1, at(9), 60)
    cards = [replace(s, card="first" if k < 33 else "second") for k, s in enumerate(day)]
    assert order_of(plan_day(cards[::-1], [])) == [s.sha256 for s in day]


def test_a_second_card_whose_clock_was_lost_continues_by_its_numbers():
    day = house(1, at(9), 60, claim="AX-1")
    second = [replace(s, card="second", taken_local=datetime(2000, 1, 1)) for s in day[40:]]
    plan = plan_day([*day[:40], *second], [])
    assert order_of(plan) == [s.sha256 for s in day]
    assert sizes(plan) == [("AX-1", 60)]


def test_a_time_in_a_file_name_is_used_where_the_photo_has_none():
    assert time_in_name("20260504_091530.jpg") == datetime(2026, 5, 4, 9, 15, 30)
    assert time_in_name("PXL_20260504_091530123.jpg") == datetime(2026, 5, 4, 9, 15, 30)
    assert time_in_name("IMG_0012.JPG") is None
    assert time_in_name("20261399_256199.jpg") is None
    bare = make_photo(None, None, name="20260504_090107.jpg")
    plan = plan_day([*house(1, at(9), 20), bare], [])
    assert plan.placed[[p.sha256 for p in plan.placed].index(bare.sha256)].corrected == at(9, 1, 7)


def test_file_stamps_are_used_only_on_a_card_where_they_agree_with_the_camera():
    zone = timedelta(hours=5)
    photos = [
        replace(s, file_modified=(s.taken_local + zone).replace(tzinfo=UTC)) for s in house(1, at(9), 20)
    ]
    bare = replace(photos[7], taken_local=None)
    plan = plan_day([*photos[:7], bare, *photos[8:]], [])
    assert plan.placed[7].corrected == photos[7].taken_local
    copied = [replace(s, file_modified=at(20, 0, k * k).replace(tzinfo=UTC)) for k, s in enumerate(photos)]
    bare = replace(copied[7], taken_local=None)
    assert plan_day([*copied[:7], bare, *copied[8:]], []).placed[7].corrected is None


def test_an_epoch_is_distinguished_from_a_date():
    assert is_epoch(datetime(1980, 1, 1, 0, 3))
    assert is_epoch(datetime(2000, 12, 31))
    assert is_epoch(datetime(9999, 12, 31, 23, 59, 59))
    assert is_epoch(datetime(2012, 1, 1, 0, 3), usual_year=2026)
    assert not is_epoch(datetime(2026, 1, 1, 10), usual_year=2026)
    assert not is_epoch(datetime(2026, 5, 4, 9))
