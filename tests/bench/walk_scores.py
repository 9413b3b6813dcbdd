"""Accuracy and calibration of guesses, counted over walks whose truth is known."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

DETAILS = ("close_up", "no_damage_proof")
BINS = 10


@dataclass
class Score:
    """Right and asked by facet, and (confidence, right) for every guess that was shown."""

    right: dict[str, int] = field(default_factory=dict)
    asked: dict[str, int] = field(default_factory=dict)
    sure: dict[str, list[tuple[float, bool]]] = field(default_factory=dict)

    def add(self, facet: str, truth: str, guess: str) -> None:
        self.asked[facet] = self.asked.get(facet, 0) + 1
        self.right[facet] = self.right.get(facet, 0) + (truth == guess)

    def include(self, other: Score) -> None:
        """Add the counts of another score."""
        for mine, theirs in ((self.right, other.right), (self.asked, other.asked)):
            for facet, many in theirs.items():
                mine[facet] = mine.get(facet, 0) + many
        for facet, rows in other.sure.items():
            self.sure.setdefault(facet, []).extend(rows)

    def share(self, facet: str) -> float:
        """Right over asked."""
        return self.right.get(facet, 0) / self.asked[facet] if self.asked.get(facet) else float("nan")

    def ece(self, facet: str) -> float:
        """Expected calibration error over ten bins of equal width (Guo et al., ICML 2017)."""
        return calibration_error(self.sure.get(facet, []))


def calibration_error(rows: Iterable[tuple[float, bool]]) -> float:
    """Mean of |confidence - share right| over the bins, weighted by their sizes; nan without any guess."""
    table = np.array(list(rows), dtype=float)
    if not len(table):
        return float("nan")
    bins = np.minimum((table[:, 0] * BINS).astype(int), BINS - 1)
    parts = [table[bins == k] for k in range(BINS)]
    return sum(abs(part[:, 0].mean() - part[:, 1].mean()) * len(part) for part in parts if len(part)) / len(
        table
    )


def score_walks(walks: Iterable, tagged: Iterable, *, skip: frozenset[str] = frozenset()) -> Score:
    """Count over walks and their results of `tag_claim`; photos whose sha256 is in `skip` are not asked about.

    `kind` is the role with close-ups and no-damage proofs taken together, which pictures cannot tell apart.
    Component is asked only where the truth has one.
    """
    score = Score()
    for walk, results in zip(walks, tagged, strict=True):
        for photo, truth in zip(walk.photos, walk.truth, strict=True):
            if truth is None or photo.sha256 in skip:
                continue
            tags = {facet.value: value for facet, value in results[photo.sha256].tags.items()}
            role = tags["role"].value if "role" in tags else ""
            score.add("role", truth.role, role)
            score.add("kind", _kind(truth.role), _kind(role))
            if truth.role != "other":
                for facet, value in (
                    ("face", truth.face),
                    ("component", truth.component),
                    ("condition", truth.condition),
                ):
                    if facet == "face" or value:
                        score.add(facet, value, tags[facet].value if facet in tags else "")
                if truth.count:
                    score.add("count", truth.count, tags["count"].value if "count" in tags else "")
            for facet in ("role", "face", "component", "condition", "count"):
                if facet in tags and not tags[facet].stated:
                    value = getattr(truth, facet)
                    score.sure.setdefault(facet, []).append(
                        (tags[facet].confidence, tags[facet].value == value)
                    )
    return score


def _kind(role: str) -> str:
    return "detail" if role in DETAILS else role
