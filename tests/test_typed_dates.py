"""Dates that people type."""

from __future__ import annotations

from datetime import date

import pytest

from evidence.errors import BadInputError
from evidence.typed_dates import typed_date, typed_date_or_none


def test_a_typed_date_is_the_calendar_day_of_an_iso_8601_text():
    assert typed_date("2028-02-29", "--on") == date(2028, 2, 29)
    assert typed_date_or_none("2028-02-29") == date(2028, 2, 29)
    assert typed_date_or_none(None) is None


@pytest.mark.parametrize("text", ["", "31.12.2026", "2026-02-29", "soon"])
def test_another_text_is_refused_with_the_option_that_held_it(text):
    with pytest.raises(BadInputError, match=f"^--on: '{text}' is not a date. Write it as 2026-05-14.$"):
        typed_date_or_none(text, "--on")
    with pytest.raises(BadInputError, match=f"^'{text}' is not a date"):
        typed_date(text)
