"""Log-likelihood of sheets: which claim's sheet a photo shows, and where in a house sheets are photographed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log

import numpy as np

from evidence.forward_backward import Floats
from evidence.model import ClaimId
from evidence.timeline.values import SheetAt, SplitOptions

MID_READ = 0.001
"""Probability that a photo inside a house shows that claim's sheet again: once in about ten houses."""
MID_PAPER = 0.001
"""Prior probability that a photo inside a house shows another paper that looks like a sheet."""
PAPER_WEIGHT = 100.0
"""Weight of that prior, as a number of photos; the day's own papers adjust it."""
MOST_PAPER = 0.3
"""Highest share of papers among the photos inside houses."""
SHORTEST_DRIVE, SURE_DRIVE = 240.0, 480.0
"""Seconds: a page that names no claim begins or ends no house beside a shorter gap, and counts fully beside a
longer one, on a day on which sheets are read."""
COMMON_PAGE = 0.02
"""Share of a day's photos from which pages of a sort, blank or with text, are no sign of a house on such a day."""
BESIDE_PAUSE = 120.0
"""Seconds; a paper with shorter gaps on both sides was taken in the middle of a walk."""
RETAKE = 0.15
"""Either probability right before or after another sheet: people photograph a sheet twice."""
RETAKE_WITHIN = 120.0
"""Seconds between two photos of the same sheet."""
WRONG_SHEET = -60.0
"""Log-likelihood (nats) of another claim's code in a photo of this house: more than places and gaps can say."""
ERRAND_PAPER = 0.01
"""Probability that a photo on an errand shows a paper."""
FALSE_PAPER = 0.01
"""Likelihood of a detected sheet where there is none."""
SEEN_UNREAD = 0.75
"""Share of sheets without a readable code that are still recognised as a sheet."""
SHEET_ALONE = 0.02
"""Probability that no other photo of a house follows the sheet that opens it, or precedes the one that closes it."""
FEW_SHEETS = 0.7
"""Share of houses with a sheet on a careless day."""
ALWAYS = 0.985
"""Share of houses with a sheet, and of sheets that are read, on a careful day."""
TEXT_FOR, TEXT_CLEAR, TEXT_AGAINST = 5.5, 5.0, -3.0
"""Log-likelihood (nats) for the claim that a sheet's text names, what a perfect text adds to it, and that for the other
claims; OCR alone never files without a mark.
Made-up sheets named a wrong claim of the list in fewer than 1 of 1,000, and a claim that is on no list in 24."""
SIMILAR_BY_CHANCE = 0.5
"""Similarity of a text to a claim from which it counts as more than any other that names a claim."""

_MODES: tuple[tuple[SheetAt | None, str, float], ...] = (
    (SheetAt.START, "always", 0.2),
    (SheetAt.START, "kept", 0.42),
    (SheetAt.START, "few", 0.15),
    (SheetAt.START, "unread", 0.03),
    (SheetAt.END, "always", 0.03),
    (SheetAt.END, "kept", 0.05),
    (SheetAt.END, "few", 0.03),
    (SheetAt.END, "unread", 0.01),
    (None, "none", 0.08),
)


@dataclass(frozen=True, slots=True)
class SheetReading:
    """What was read of a sheet in one unit."""

    claims: tuple[ClaimId, ...] = ()
    confidence: float = 0.0
    """Probability of a sheet without a readable code."""
    named: ClaimId | None = None
    """The claim its text names."""
    has_text: bool = False
    """Whether any text was read on it."""
    similarity: float = 0.0
    """How similar the text is to all that is known of the claim it names, 0 to 1."""
    of_another: bool = False
    """Whether it reads like the sheet of a claim that is not among the day's."""

    @property
    def is_paper(self) -> bool:
        """Whether it is a page without a code and without the name of a claim."""
        return not self.claims and self.named is None and self.confidence > 0.0

    @property
    def is_sheet(self) -> bool:
        """Whether there is a code or a probable sheet."""
        return bool(self.claims) or self.confidence >= 0.5


Mode = tuple[SheetAt | None, str]
"""Where in a house the sheet is photographed, and how reliably that day."""


def sheet_modes(options: SplitOptions, *, checked: bool) -> tuple[tuple[Mode, ...], Floats]:
    """The ways in which sheets may be used on a day, and their log priors.

    `checked` says that positions or pictures can show a house without a sheet. Without them no day counts
    as one on which every house has its sheet.
    """
    allowed = [
        m
        for m in _MODES
        if (m[0] is None or options.sheet_at in (SheetAt.DETECT, m[0])) and (checked or m[1] != "always")
    ]
    prior = np.array([m[2] for m in allowed])
    return tuple((m[0], m[1]) for m in allowed), np.log(prior / prior.sum())


def rates(thorough: str, options: SplitOptions) -> tuple[float, float, float]:
    """Probabilities that the opening (or closing) photo of a house is a read sheet, an unread one, no sheet."""
    kept = {"always": ALWAYS, "few": FEW_SHEETS, "none": 0.02}.get(thorough, options.sheet_kept)
    read = {"always": ALWAYS, "unread": 0.1}.get(thorough, options.sheet_read)
    unread = (1 - read) * SEEN_UNREAD
    return kept * read, kept * unread, 1 - kept * (read + unread)


@dataclass(frozen=True, slots=True)
class PaperRates:
    """Probability that a photo inside a house shows a page that names no claim, on this day."""

    with_text: float = MID_PAPER
    blank: float = MID_PAPER

    def of(self, row: SheetReading) -> float:
        """The rate for a page like this one; a page that names a claim is as rare as ever."""
        if row.named is not None or row.of_another:
            return MID_PAPER
        return self.with_text if row.has_text else self.blank


def paper_rates(rows: Sequence[SheetReading], inside: Floats) -> PaperRates:
    """The rates of a day, from its pages; `inside` (N,) is the probability that a house continues at each photo."""
    found = []
    for has_text in (True, False):
        pages = [
            row.confidence * weight
            for row, weight in zip(rows, inside, strict=True)
            if row.is_paper and row.has_text == has_text and not row.of_another
        ]
        share = (sum(pages) + PAPER_WEIGHT * MID_PAPER) / (float(inside.sum()) + PAPER_WEIGHT)
        found.append(min(MOST_PAPER, share))
    return PaperRates(*found)


def sheet_log_likelihoods(
    rows: Sequence[SheetReading],
    near: Sequence[bool],
    states: Sequence[ClaimId],
    modes: Sequence[Mode],
    options: SplitOptions,
    papers: PaperRates,
    drives: tuple[Floats, Floats] | None = None,
) -> tuple[Floats, Floats, Floats]:
    """`inside` (N, S), `first` (N, M, S) and `last` (N, M, S) of `Scores`.

    The states are the claims, then an unknown house, then an errand. `near` marks the photos right
    before or after another sheet. `drives` (two of (N,), from 0 to 1) says how far the gap before, and
    after, each photo can be a drive; a page that names no claim counts that far as the sheet of a house.
    """
    photos, count = len(rows), len(states) + 2
    inside = np.zeros((photos, count))
    first = np.zeros((photos, len(modes), count))
    last = np.zeros_like(first)
    shares = np.array([rates(thorough, options) for _, thorough in modes])
    edge = [first if place is SheetAt.START or place is None else last for place, _ in modes]
    other_edge = [
        last if place is SheetAt.START else first if place is SheetAt.END else None for place, _ in modes
    ]
    column = {claim: k for k, claim in enumerate(states)}
    plain_first = np.log(shares[:, 2])
    for m in range(len(modes)):
        edge[m][:, m, :-1] = plain_first[m]
    for i, row in enumerate(rows):
        if not row.claims and row.confidence <= 0.0:
            continue
        base = RETAKE if near[i] else None
        if row.claims:
            mid = base or MID_READ
            inside[i, :] = WRONG_SHEET
            for m in range(len(modes)):
                edge[m][i, m, :-1] = 0.0
            for k in (column[claim] for claim in row.claims):
                inside[i, k] = log(mid / len(row.claims))
                for m, other in enumerate(other_edge):
                    edge[m][i, m, k] = log(shares[m, 0] / mid)
                    if other is not None:
                        other[i, m, k] = log(SHEET_ALONE)
            continue
        inside[i, :-1], inside[i, -1], gains = _page(row, papers.of(row), base or 0.0, shares)
        for m in range(len(modes)):
            gain = float(gains[m])
            if drives is not None and row.named is None:
                common = papers.of(row) > COMMON_PAGE
                drive = 0.0 if common else float(drives[0 if edge[m] is first else 1][i])
                drive = float(drive > 0.0) if row.of_another else drive
                gain = drive * gain + (1.0 - drive) * min(gain, float(plain_first[m]))
            edge[m][i, m, :-1] = gain
        if row.named is not None:
            inside[i, :-2] += TEXT_AGAINST
            gain = TEXT_FOR + TEXT_CLEAR * (row.similarity - SIMILAR_BY_CHANCE) / (1.0 - SIMILAR_BY_CHANCE)
            inside[i, column[row.named]] += gain - TEXT_AGAINST
        elif row.of_another:
            inside[i, :-2] += TEXT_AGAINST
    return inside, first, last


def _page(row: SheetReading, rate: float, least: float, shares: Floats) -> tuple[float, float, Floats]:
    """The log-likelihood of a page inside a house and on an errand, and (M,) what each mode adds at a house's edge.

    A page at the edge of a house is its sheet, or one of the pages that turn up anywhere.
    """
    q = row.confidence
    mid, none = max(rate, least), max(rate, FALSE_PAPER)
    likelihood = mid * q + none * (1 - q)
    errand = max(rate, ERRAND_PAPER) * q + none * (1 - q)
    opening = (shares[:, 1] + shares[:, 2] * rate) * q + shares[:, 2] * none * (1 - q)
    return log(likelihood), log(errand), np.log(opening) - log(likelihood)
