"""The recogniser's output is decoded by the published rules."""

from __future__ import annotations

from itertools import pairwise, product

import numpy as np
import pytest

from evidence.model import OtherReading
from evidence.sight.ctc import decode

LETTERS = "-RSLab5/ "
"""Column by column; the first is the blank."""


def steps(*rows):
    """Each row gives the chances of some letters; `-` is the blank."""
    out = np.zeros((len(rows), len(LETTERS)), np.float32)
    for at, row in enumerate(rows):
        for letter, share in row.items():
            out[at, LETTERS.index(letter)] = share
    return out


def test_a_space_spread_over_several_steps_is_set():
    """A space of 0.4 and of 0.3 over two steps is there with 0.58; the best path alone would drop it."""
    read = decode(
        steps(
            {"R": 1}, {"-": 0.6, " ": 0.4}, {"-": 0.7, " ": 0.3}, {"S": 1}, {"-": 0.95, " ": 0.05}, {"L": 1}
        ),
        LETTERS,
    )
    assert read.text == "R SL"
    assert read.confidence == pytest.approx(1.0)


def test_repeated_letters_are_one_unless_a_blank_separates_them():
    """Connectionist temporal classification's rule (Graves et al. 2006, eq. 1): B(a-ab-) = B(-aa--abb) = aab."""
    for path in ("a-ab-", "-aa--abb"):
        read = decode(steps(*({letter: 1.0} for letter in path)), LETTERS)
        assert (read.text, read.also) == ("aab", ())


def test_other_readings_come_with_their_likelihoods_as_the_sum_over_all_their_paths():
    """By counting every path: two letters over four steps of chances drawn at random."""
    chances = np.random.default_rng(4).dirichlet(np.ones(3), 4).astype(np.float32)
    table = np.zeros((4, len(LETTERS)), np.float32)
    table[:, [0, 4, 5]] = chances
    sums: dict[str, float] = {}
    for path in product(range(3), repeat=4):
        kept = [path[0], *(b for a, b in pairwise(path) if a != b)]
        text = "".join("-ab"[at] for at in kept).replace("-", "")
        sums[text] = sums.get(text, 0.0) + float(np.prod([chances[k, at] for k, at in enumerate(path)]))
    read = decode(table, LETTERS)
    assert len(read.also) >= 2
    for other in read.also:
        assert other.share == pytest.approx(sums[other.text] / sums[read.text], abs=2e-3)
    shares = [other.share for other in read.also]
    assert shares == sorted(shares, reverse=True)


def test_a_nearly_equal_letter_gives_another_reading():
    read = decode(steps({"R": 1}, {"-": 1}, {"S": 0.6, "5": 0.35, "-": 0.05}), LETTERS)
    assert read.text == "RS"
    assert read.also[0] == OtherReading(text="R5", share=0.583)  # 0.35 / 0.6


def test_nothing_but_blanks_is_no_text():
    assert decode(steps({"-": 1}, {"-": 1}), LETTERS).text == ""
