"""WindowDiff and Pk, as published, over boundary marks.

Beeferman, Berger and Lafferty, Machine Learning 34 (1999) 177-210 (Pk); Pevzner and Hearst,
Computational Linguistics 28(1) (2002) 19-36 (WindowDiff). Two conventions are in use and both
are here: over strings of n marks with n - k + 1 windows of k marks, and over n units with
n - k windows between units k apart.
"""

from __future__ import annotations

from collections.abc import Sequence


def windowdiff(reference: Sequence[bool], guess: Sequence[bool], k: int) -> float:
    """Share of windows of k marks in which the numbers of boundaries differ."""
    _check(reference, guess, k)
    spans = range(len(reference) - k + 1)
    return sum(sum(reference[i : i + k]) != sum(guess[i : i + k]) for i in spans) / len(spans)


def pk(reference: Sequence[bool], guess: Sequence[bool], k: int) -> float:
    """Share of windows of k marks that hold a boundary in one and none in the other."""
    _check(reference, guess, k)
    spans = range(len(reference) - k + 1)
    return sum(any(reference[i : i + k]) != any(guess[i : i + k]) for i in spans) / len(spans)


def marks_of(masses: Sequence[int]) -> list[bool]:
    """Marks between n units from segment sizes: n - 1 of them, True where a segment ends."""
    marks: list[bool] = []
    for size in masses:
        marks += [False] * (size - 1) + [True]
    return marks[:-1]


def half_mean(reference: Sequence[bool]) -> int:
    """The customary window: half the mean segment of the reference, in units, at least 1."""
    return max(1, round((len(reference) + 1) / (sum(reference) + 1) / 2))


def _check(reference: Sequence[bool], guess: Sequence[bool], k: int) -> None:
    if len(reference) != len(guess):
        raise ValueError("the two segmentations have different lengths")
    if not 1 <= k <= len(reference):
        raise ValueError("the window does not fit")
