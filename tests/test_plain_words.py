"""Times, sizes, dates and the order of names, as people read and type them."""

from __future__ import annotations

from datetime import date

import pytest

from evidence.errors import BadInputError
from evidence.plain_words import (
    duration,
    guess_percent,
    natural_key,
    size_text,
    typed_date,
    typed_date_or_none,
    typed_size,
    typed_span,
)


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


@pytest.mark.parametrize(
    ("octets", "text"),
    [
        (0, "0 bytes"),
        (999, "999 bytes"),
        (1_000, "1.0 kB"),
        (4_130_000, "4.1 MB"),
        (12_400_000, "12 MB"),
        (999_600_000, "1.0 GB"),
        (1_400_000_000_000, "1.4 TB"),
    ],
)
def test_a_size_is_written_in_decimal_units(octets, text):
    assert size_text(octets) == text


@pytest.mark.parametrize(
    ("text", "octets"), [("500M", 500_000_000), ("1.5 g", 0), ("1.5gb", 1_500_000_000), ("2T", 2 * 10**12)]
)
def test_a_typed_size_has_decimal_units(text, octets):
    if octets:
        assert typed_size(text, "--bytes") == octets
    else:
        with pytest.raises(BadInputError, match=f"^--bytes: '{text}' is not a size"):
            typed_size(text, "--bytes")


def test_a_typed_time_span_names_hours_minutes_and_seconds():
    assert [typed_span(text, "--for") for text in ("90s", "30m", "1h30m")] == [90, 1800, 5400]
    for text in ("", "soon", "30", "m"):
        with pytest.raises(BadInputError, match=f"^--for: '{text}' is not a time"):
            typed_span(text, "--for")


def test_names_are_sorted_by_the_numbers_in_them():
    assert sorted(["IMG_10.jpg", "img_9.jpg", "IMG_100.jpg"], key=natural_key) == [
        "img_9.jpg",
        "IMG_10.jpg",
        "IMG_100.jpg",
    ]


def test_a_digit_that_is_no_decimal_is_a_letter_of_the_name():
    """`'²'.isdigit()` holds, and `int('²')` fails: such a name once ended the split of its day."""
    assert natural_key("IMG1²2.jpg") == ((1, 0, "img"), (0, 1, ""), (1, 0, "²"), (0, 2, ""), (1, 0, ".jpg"))


@pytest.mark.parametrize(
    ("seconds", "text"), [(0.2, "0 s"), (89, "89 s"), (150, "2 min"), (7500, "2 h 5 min")]
)
def test_a_time_span_is_written_in_its_two_largest_units(seconds, text):
    assert duration(seconds) == text


def test_no_guess_is_rounded_up_to_certainty():
    assert [guess_percent(p) for p in (1.0, 0.9999, 0.896, 0.5, 0.0)] == [99, 99, 90, 50, 0]
