"""Guesses on held-out claims: accuracy, comparison of two models, and calibration."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from evidence.model import Facet
from evidence.tags.walk.plan import Calibration

FACETS = (Facet.ROLE, Facet.FACE, Facet.COMPONENT)
"""Facets that are measured."""

_WORSE = 0.002
"""Loss of held-out accuracy, averaged over the facets, that is never significant."""

_CORRELATION = 0.1
"""Correlation of correctness between two guesses of one claim; chosen by hand on simulated walks."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldOut:
    """Accuracy on photos whose confirmed tags the models had not seen."""

    asked: Mapping[Facet, int] = field(default_factory=dict)
    right: Mapping[Facet, int] = field(default_factory=dict)
    calibration_error: Mapping[Facet, float] = field(default_factory=dict)

    def accuracy(self, facet: Facet) -> float | None:
        """Share of correct guesses; None when nothing was asked."""
        return self.right.get(facet, 0) / self.asked[facet] if self.asked.get(facet) else None

    @property
    def mean(self) -> float:
        """Accuracy averaged over the facets that were asked; 0 when none was."""
        shares = [share for facet in FACETS if (share := self.accuracy(facet)) is not None]
        return sum(shares) / len(shares) if shares else 0.0


@dataclass(frozen=True, slots=True)
class HeldOutFacet:
    """One held-out facet: the raw share of the guess, its calibrated probability, and whether it was right."""

    facet: Facet
    raw: float
    confidence: float
    right: bool
    answered: bool
    walk: int = 0
    """Number of the held-out claim: the guesses of one claim are correlated."""


def clearly_worse(before: Sequence[HeldOutFacet], after: Sequence[HeldOutFacet]) -> bool:
    """Whether the held-out claims lost accuracy in all facets together, or more in one facet than they gained in all.

    All facets together: by more than the standard error of the mean over claims. One facet: by more than two
    standard errors, because there are three comparisons. The guesses of one claim are correlated, so claims are
    compared, pair by pair.
    """
    lost, error = _lost(before, after, FACETS)
    if lost > max(_WORSE, error):
        return True
    alone = [_lost(before, after, (facet,)) for facet in FACETS]
    return any(part > max(_WORSE, -lost, 2 * error) for part, error in alone)


def _lost(
    before: Sequence[HeldOutFacet], after: Sequence[HeldOutFacet], facets: Sequence[Facet]
) -> tuple[float, float]:
    """Accuracy lost on average over claims, and the standard error of that average."""
    old, new = _by_claim(before, facets), _by_claim(after, facets)
    lost = np.array([old[walk] - new[walk] for walk in sorted(old.keys() & new.keys())])
    if not len(lost):
        return 0.0, 0.0
    error = float(lost.std(ddof=1)) / math.sqrt(len(lost)) if len(lost) > 1 else 0.0
    return float(lost.mean()), error


def _by_claim(rows: Sequence[HeldOutFacet], facets: Sequence[Facet]) -> dict[int, float]:
    """Share right of each claim, averaged over those of the facets that were asked in it."""
    right: dict[int, dict[Facet, list[bool]]] = {}
    for row in rows:
        if row.facet in facets:
            right.setdefault(row.walk, {}).setdefault(row.facet, []).append(row.right)
    return {
        walk: sum(sum(right) / len(right) for right in by_facet.values()) / len(by_facet)
        for walk, by_facet in right.items()
    }


def calibrate(rows: Iterable[HeldOutFacet], usual: Calibration | None = None) -> Calibration:
    """The line on the log-odds that fits held-out guesses best, regularised towards the usual one by a few counts.

    Newton's method on the penalised log-likelihood; J. Platt, "Probabilistic outputs for support vector
    machines" (1999), with a prior in place of his target smoothing. Guesses of one claim are correlated, so
    that n of them count as n / (1 + (n - 1) r): the design effect (L. Kish, "Survey
    Sampling", 1965).
    """
    usual = usual or Calibration()
    answered = [row for row in rows if row.answered]
    if not answered:
        return usual
    of_claim = Counter(row.walk for row in answered)
    counts = np.array([1 / (1 + (of_claim[row.walk] - 1) * _CORRELATION) for row in answered])
    raw = np.clip(np.array([row.raw for row in answered]), 1e-6, 1 - 1e-6)
    design = np.column_stack([np.log(raw / (1 - raw)), np.ones(len(raw))])
    right = np.array([float(row.right) for row in answered])
    prior, hold = np.array([usual.slope, usual.offset]), np.array([10.0, 5.0])
    line = prior
    for _ in range(30):
        confidence = 1 / (1 + np.exp(-design @ line))
        slope = design.T @ (counts * (right - confidence)) - hold * (line - prior)
        bend = (design * (counts * confidence * (1 - confidence))[:, None]).T @ design + np.diag(hold)
        step = np.linalg.solve(bend, slope)
        line = line + step
        if float(np.abs(step).max()) < 1e-8:
            break
    return Calibration(slope=max(0.05, float(line[0])), offset=float(line[1]))


def held_out(rows: Sequence[HeldOutFacet], calibration: Mapping[Facet, Calibration] | None = None) -> HeldOut:
    """Sums over held-out rows, their certainty taken from `calibration` where it has the facet."""
    asked = {facet: sum(row.facet is facet for row in rows) for facet in FACETS}
    right = {facet: sum(row.facet is facet and row.right for row in rows) for facet in FACETS}
    errors = {}
    for facet in FACETS:
        line = (calibration or {}).get(facet)
        confidence = [
            (line(row.raw) if line else row.confidence, row.right)
            for row in rows
            if row.facet is facet and row.answered
        ]
        errors[facet] = calibration_error(confidence)
    return HeldOut(asked=asked, right=right, calibration_error=errors)


def calibration_error(rows: Sequence[tuple[float, bool]], bins: int = 10) -> float:
    """Expected calibration error over bins of equal width (Guo et al., ICML 2017); 0 without any guess."""
    if not rows:
        return 0.0
    table = np.array([(confidence, float(right)) for confidence, right in rows])
    place = np.minimum((table[:, 0] * bins).astype(int), bins - 1)
    parts = [table[place == k] for k in range(bins)]
    return float(sum(abs(p[:, 0].mean() - p[:, 1].mean()) * len(p) for p in parts if len(p)) / len(table))
