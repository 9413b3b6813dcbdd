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
"""Probability that a photo inside a house shows another paper that looks like a sheet."""
RETAKE = 0.15
"""Either probability right before or after another sheet: people photograph a sheet twice."""
RETAKE_WITHIN = 120.0
"""Seconds between two photos of the same sheet."""
WRONG_SHEET = 1e-7
"""Probability of another claim's code in a photo of this house. A divider is nearly certain."""
ERRAND_PAPER = 0.01
"""Probability that a photo on an errand shows a paper."""
FALSE_PAPER = 0.01
"""Likelihood of a detected sheet where there is none."""
SEEN_UNREAD = 0.75
"""Share of sheets without a readable code that are still recognised as a sheet."""
FEW_SHEETS = 0.7
"""Share of houses with a sheet on a careless day."""
TEXT_FOR, TEXT_AGAINST = 3.0, -1.0
"""Log-likelihood (nats) for the claim that a sheet's text names, and for the others; OCR alone never files."""

_MODES: tuple[tuple[SheetAt | None, str, float], ...] = (
    (SheetAt.START, "kept", 0.62),
    (SheetAt.START, "few", 0.15),
    (SheetAt.START, "unread", 0.03),
    (SheetAt.END, "kept", 0.08),
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

    @property
    def is_sheet(self) -> bool:
        """Whether there is a code or a probable sheet."""
        return bool(self.claims) or self.confidence >= 0.5


Mode = tuple[SheetAt | None, str]
"""Where in a house the sheet is photographed, and how reliably that day."""


def sheet_modes(options: SplitOptions) -> tuple[tuple[Mode, ...], Floats]:
    """The ways in which sheets may be used on a day, and their log priors."""
    allowed = [m for m in _MODES if m[0] is None or options.sheet_at in (SheetAt.DETECT, m[0])]
    prior = np.array([m[2] for m in allowed])
    return tuple((m[0], m[1]) for m in allowed), np.log(prior / prior.sum())


def _rates(thorough: str, options: SplitOptions) -> tuple[float, float, float]:
    """Probabilities that the opening (or closing) photo of a house is a read sheet, an unread one, no sheet."""
    kept = {"kept": options.sheet_kept, "few": FEW_SHEETS, "unread": options.sheet_kept, "none": 0.02}[
        thorough
    ]
    read = 0.1 if thorough == "unread" else options.sheet_read
    unread = (1 - read) * SEEN_UNREAD
    return kept * read, kept * unread, 1 - kept * (read + unread)


def sheet_log_likelihoods(
    rows: Sequence[SheetReading],
    near: Sequence[bool],
    states: Sequence[ClaimId],
    modes: Sequence[Mode],
    options: SplitOptions,
) -> tuple[Floats, Floats, Floats]:
    """`inside` (N, S), `first` (N, M, S) and `last` (N, M, S) of `Scores`.

    The states are the claims, then an unknown house, then an errand. `near` marks the photos right
    before or after another sheet.
    """
    photos, count = len(rows), len(states) + 2
    inside = np.zeros((photos, count))
    first = np.zeros((photos, len(modes), count))
    last = np.zeros_like(first)
    rates = np.array([_rates(thorough, options) for _, thorough in modes])
    edge = [first if place is SheetAt.START or place is None else last for place, _ in modes]
    column = {claim: k for k, claim in enumerate(states)}
    plain_first = np.log(rates[:, 2] / (1 - MID_READ - MID_PAPER))
    for m in range(len(modes)):
        edge[m][:, m, :-1] = plain_first[m]
    for i, row in enumerate(rows):
        if not row.claims and row.confidence <= 0.0:
            continue
        base = RETAKE if near[i] else None
        for m in range(len(modes)):
            edge[m][i, m, :-1] = 0.0
        if row.claims:
            mid = base or MID_READ
            inside[i, :] = log(WRONG_SHEET)
            for claim in row.claims:
                k = column[claim]
                inside[i, k] = log(mid / len(row.claims))
                for m in range(len(modes)):
                    edge[m][i, m, k] = log(rates[m, 0] / mid)
            continue
        q = row.confidence
        mid = base or MID_PAPER
        likelihood = mid * q + FALSE_PAPER * (1 - q)
        inside[i, :-1] = log(likelihood)
        inside[i, -1] = log(ERRAND_PAPER * q + FALSE_PAPER * (1 - q))
        for m in range(len(modes)):
            edge[m][i, m, :-1] = log(rates[m, 1] * q + rates[m, 2] * FALSE_PAPER * (1 - q)) - log(likelihood)
        if row.named is not None:
            inside[i, :-2] += TEXT_AGAINST
            inside[i, column[row.named]] += TEXT_FOR - TEXT_AGAINST
    return inside, first, last
