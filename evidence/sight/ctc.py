"""Decodes the recogniser's output to text: connectionist temporal classification (Graves et al. 2006)."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from evidence.model import OtherReading

Steps: TypeAlias = NDArray[np.float32]
"""(steps, letters): the probability of each letter at each step; column 0 is the blank between letters."""

_SPACE_LEVEL = 0.3
"""Probability from which a space is set between two letters; see tests/bench/reading_report.py."""
_BEAM = 12
"""Beam width: prefixes kept at each step."""
_LEAST_LETTER = 0.01
"""A letter less probable than this at a step is not extended."""
_CERTAIN_BLANK = 0.9995
_LEAST_SHARE = 0.02
"""Another reading is returned when its probability is at least this share of the best text's."""
_MOST_READINGS = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Decoded:
    """One line as read."""

    text: str
    confidence: float
    """Mean probability of the letters, 0 to 1."""
    also: tuple[OtherReading, ...] = ()
    """Other readings, most probable first."""


def decode(steps: Steps, letters: str) -> Decoded:
    """The best reading of a line and its alternatives; `letters` names the columns, the blank first."""
    text, confidence = _best_path(steps, letters)
    if not text:
        return Decoded(text="", confidence=0.0)
    shares: dict[str, float] = {}
    for path, chance in _likely(steps).items():
        reading = " ".join("".join(letters[at] for at in path).split())
        shares[reading] = shares.get(reading, 0.0) + chance
    level = shares.get(text, 0.0) or max(shares.values())
    also = sorted(((chance / level, other) for other, chance in shares.items() if other not in ("", text)))
    kept = [
        OtherReading(text=other, share=round(share, 3))
        for share, other in reversed(also)
        if share >= _LEAST_SHARE
    ]
    return Decoded(text=text, confidence=confidence, also=tuple(kept[:_MOST_READINGS]))


def _best_path(steps: Steps, letters: str) -> tuple[str, float]:
    """The text of the best path, and the mean probability of its letters.

    A space's probability is often spread over several steps without being the best in any. So a space is set
    where its probability over the whole gap between two letters is large enough.
    """
    space = letters.index(" ")
    best, level = steps.argmax(axis=1), steps.max(axis=1)
    fresh = np.ones(len(best), dtype=bool)
    fresh[1:] = best[1:] != best[:-1]
    kept = np.flatnonzero(fresh & (best != 0) & (best != space))
    if not len(kept):
        return "", 0.0
    text = letters[best[kept[0]]]
    for before, here in pairwise(kept):
        absent = float(np.prod(1 - steps[before + 1 : here, space]))
        text += (" " if 1 - absent > _SPACE_LEVEL else "") + letters[best[here]]
    return text, float(level[kept].mean())


def _likely(steps: Steps) -> dict[tuple[int, ...], float]:
    """The most probable labellings, each with the summed probability of its kept paths: prefix beam search.

    As in Hannun et al. 2014 (arXiv 1408.2873), without a language model: for each prefix, the probability of
    the paths that end in a blank and of those that end in its last letter.
    """
    beams: dict[tuple[int, ...], tuple[float, float]] = {(): (1.0, 0.0)}
    for row in steps:
        blank = float(row[0])
        if blank > _CERTAIN_BLANK:
            beams = {path: ((a + b) * blank, 0.0) for path, (a, b) in beams.items()}
            continue
        followed = [(int(at), float(row[at])) for at in np.flatnonzero(row > _LEAST_LETTER) if at]
        longer: dict[tuple[int, ...], tuple[float, float]] = {}
        for path, (a, b) in beams.items():
            last = path[-1] if path else 0
            ends, runs = longer.get(path, (0.0, 0.0))
            longer[path] = (ends + (a + b) * blank, runs + (b * float(row[last]) if path else 0.0))
            for at, chance in followed:
                ends, runs = longer.get((*path, at), (0.0, 0.0))
                longer[(*path, at)] = (ends, runs + (a if at == last else a + b) * chance)
        ranked = sorted(longer.items(), key=lambda item: -sum(item[1]))
        beams = dict(ranked[:_BEAM])
    return {path: a + b for path, (a, b) in beams.items()}
