"""A clock that jumped or went back is noticed, also when later entries of the same clock hide it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evidence.retention.clock import JUMP, LoggedTime, clock_trouble

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


def times(*days_before, confirms=(), newest_file=None):
    return [
        LoggedTime(at=NOW - timedelta(days=n), confirms=n in confirms, newest_file=newest_file)
        for n in days_before
    ]


def test_a_used_archive_under_a_right_clock_has_no_trouble():
    assert clock_trouble(NOW, times(80, 55, 30, 1, 0), newest_file=NOW) is None
    assert clock_trouble(NOW, []) is None
    assert clock_trouble(NOW, times(30)) is None


@pytest.mark.parametrize(
    ("logged", "words"),
    [
        pytest.param(times(31), "31 days after", id="the-clock-is-ahead"),
        pytest.param(times(5000, 1, 0), "4999 days after", id="later-entries-of-the-same-clock-hide-nothing"),
        pytest.param(times(0, -5000, 0), "5000 days after", id="it-was-ahead-in-between"),
        pytest.param(times(1, -2), "earlier entry of 2026-11-27", id="the-clock-went-back"),
        pytest.param(times(0, 2, 0), "earlier entry", id="it-had-gone-back-in-between"),
    ],
)
def test_a_jump_or_a_step_back_is_named(logged, words):
    assert words in clock_trouble(NOW, logged)


def test_a_file_from_the_future_shows_a_clock_that_went_back():
    ahead = NOW + timedelta(days=2)
    assert "a file of the archive" in clock_trouble(NOW, times(0), newest_file=ahead)
    confirmed = times(3, 0, confirms=(0,), newest_file=ahead)
    assert clock_trouble(NOW, confirmed, newest_file=ahead) is None
    assert clock_trouble(NOW, confirmed, newest_file=ahead + timedelta(days=1)) is not None


def test_a_confirmed_date_settles_what_was_before_it_and_nothing_after():
    assert clock_trouble(NOW, times(5000, 10, confirms=(10,))) is None
    assert clock_trouble(NOW, times(5000, 40, confirms=(40,))) is not None
    assert clock_trouble(NOW, times(10, -3, 0, confirms=(0,))) is None


@given(st.lists(st.integers(0, 400), min_size=1), st.integers(31, 40_000))
def test_whatever_was_logged_a_clock_ahead_by_more_than_thirty_days_is_trouble(ages, days):
    logged = times(*sorted(ages, reverse=True))
    later = logged[-1].at + timedelta(days=days)
    assert clock_trouble(later, logged)
    assert clock_trouble(later, [*logged, LoggedTime(at=later)])
    assert timedelta(days=30) == JUMP
