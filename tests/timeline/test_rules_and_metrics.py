"""The baseline rules and the measures of the split report, against published values."""

from __future__ import annotations

import sys
from itertools import pairwise
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
from split_baselines import adaptive_log_gap, file_by_dividers, plain_gap
from split_metrics import half_mean, marks_of, pk, windowdiff


def marks(text: str) -> list[bool]:
    return [c == "1" for c in text]


def walk(gaps: list[float]) -> list[float]:
    times = [0.0]
    for gap in gaps:
        times.append(times[-1] + gap)
    return times


@pytest.mark.parametrize(("gap", "cut"), [(391.0, False), (392.0, True)])
def test_the_adaptive_rule_cuts_from_20_times_17_to_the_21_20ths_seconds(gap, cut):
    # Derived: 12 gaps of 20 s, one gap G, 12 of 20 s, d = 10: boundary when G >= 20 * 17**(21/20) = 391.743 s.
    assert adaptive_log_gap(walk([20.0] * 12 + [gap] + [20.0] * 12))[12] is cut
    assert sum(adaptive_log_gap(walk([20.0] * 12 + [gap] + [20.0] * 12))) == int(cut)


def test_the_plain_rule_cuts_above_its_gap():
    assert plain_gap([0, 900, 1801]) == [False, True]


def test_baselines_file_by_the_first_divider_of_a_segment():
    claims, used = file_by_dividers(
        [False, True, False], [None, "A", None, None], cut_at_dividers=True, carry_on=True
    )
    assert claims == [None, "A", "A", "A"]
    assert used == [True, True, False]
    claims, _ = file_by_dividers(
        [False, True, False], ["A", None, None, None], cut_at_dividers=True, carry_on=False
    )
    assert claims == ["A", "A", None, None]


@pytest.mark.parametrize(
    ("a", "b", "value"),
    [
        ("000100000010", "000100000010", 0.0),
        ("000100000010", "000010000100", 0.30),
        ("000010000100", "100000010000", 0.80),
    ],
)
def test_windowdiff_equals_the_values_in_nltk(a, b, value):
    # NLTK nltk/metrics/segmentation.py, k = 3.
    assert windowdiff(marks(a), marks(b), 3) == pytest.approx(value)


@pytest.mark.parametrize(("other", "value"), [("1", 0.498747), ("0", 0.501253)])
def test_pk_equals_the_values_in_nltk(other, value):
    # NLTK nltk/metrics/segmentation.py: pk('0100'*100, '1'*400, 2) and '0'*400, both 0.50.
    assert pk(marks("0100" * 100), marks(other * 400), 2) == pytest.approx(value, abs=1e-6)
    assert pk(marks("0100" * 100), marks("0100" * 100), 2) == 0.0


@pytest.mark.parametrize(
    ("guess", "wrong"), [([12], 3), ([5, 7], 2), ([1, 5, 6], 1), ([5, 1, 1, 5], 5)], ids=str
)
def test_windowdiff_equals_the_values_in_segeval(guess, wrong):
    # cfournie/segmentation.evaluation windowdiff_test.py: reference [6, 6], windows between units 3 apart.
    assert windowdiff(marks_of([6, 6]), marks_of(guess), 3) == pytest.approx(wrong / 9)


def test_pk_and_windowdiff_equal_the_values_in_segeval():
    # pk_test.py and windowdiff_test.py: masses [2, 3, 6] against [2, 2, 7]: 1 - 0.7778 for both.
    a, b = marks_of([2, 3, 6]), marks_of([2, 2, 7])
    assert pk(a, b, 2) == pytest.approx(2 / 9)
    assert windowdiff(a, b, 2) == pytest.approx(2 / 9)


@pytest.mark.parametrize(
    ("x", "y", "p", "w"),
    [("a", "b", 2, 2), ("a", "c", 1, 2), ("b", "c", 3, 3)],
)
def test_both_equal_the_values_in_segeval_for_positions(x, y, p, w):
    # segeval, n = 13, k = 2, 11 windows.
    texts = {"a": "1111122233333", "b": "1111222233333", "c": "1111123344444"}
    one, two = ([a != b for a, b in pairwise(t)] for t in (texts[x], texts[y]))
    assert pk(one, two, 2) == pytest.approx(p / 11)
    assert windowdiff(one, two, 2) == pytest.approx(w / 11)


def test_the_customary_window_is_half_a_mean_segment():
    assert half_mean(marks_of([6, 6])) == 3
    assert half_mean(marks_of([9])) in {4, 5}


def test_a_window_that_does_not_fit_is_refused():
    with pytest.raises(ValueError, match="window"):
        pk([True], [True], 2)
    with pytest.raises(ValueError, match="lengths"):
        windowdiff([True], [True, False], 1)
