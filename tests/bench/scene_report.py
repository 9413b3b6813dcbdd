"""Measures the scene head on photographs unlike those it was fitted on, and how fast it learns.

    python tests/bench/scene_report.py [--vectors ../shared/scene_vectors/vectors.npz] [--strength 0.02 ...]

The vectors of each kind come from one data set, so no data set can be held out without losing its kind.
Instead one cluster of similar photographs of every kind is held out (tests/bench/scene_fit.py): a harder
test than a random fold, and an easier one than another camera in another country.

Prints, before learning: accuracy, macro F1 and expected calibration error over random folds and over
held-out clusters. Then, for each number of confirmed photos, drawn from the held-out cluster itself: the
same on the rest of that cluster after `refit`, and how long the refit took.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np
from scene_fit import (
    FITTED_STRENGTH,
    REPOSITORY,
    SEEN,
    clusters,
    fit,
    held_out_logits,
    load,
    temperature_of,
    widened,
)

from evidence.model import SceneKind
from evidence.sight.scene_head import KINDS, SceneHead, refit

ROOFS = (KINDS.index(SceneKind.ROOF), KINDS.index(SceneKind.SHINGLE))


def macro_f1(guesses: np.ndarray, truth: np.ndarray) -> float:
    """Mean over the kinds that occur of 2 TP / (2 TP + FP + FN)."""
    scores = []
    for kind in np.unique(truth):
        hits = np.sum((guesses == kind) & (truth == kind))
        scores.append(2 * hits / (np.sum(guesses == kind) + np.sum(truth == kind)))
    return float(np.mean(scores))


def calibration_error(chances: np.ndarray, truth: np.ndarray, bins: int = 15) -> float:
    """Expected calibration error of the top probability over equal bins (Guo et al. 2017)."""
    sure, right = chances.max(axis=1), chances.argmax(axis=1) == truth
    places = np.minimum((sure * bins).astype(int), bins - 1)
    gaps = [
        np.mean(places == b) * abs(sure[places == b].mean() - right[places == b].mean())
        for b in np.unique(places)
    ]
    return float(np.sum(gaps))


def merged(head: SceneHead, vectors: np.ndarray) -> np.ndarray:
    """Probabilities (n, 6) in the order of SEEN: roof and shingle together, gauge with other."""
    chances = head.probabilities(vectors)
    out = np.zeros((len(vectors), len(SEEN)))
    for at, kind in enumerate(KINDS):
        home = {SceneKind.SHINGLE: SceneKind.ROOF, SceneKind.GAUGE: SceneKind.OTHER}.get(kind, kind)
        out[:, SEEN.index(home)] += chances[:, at]
    return out


def say(name: str, chances: np.ndarray, truth: np.ndarray) -> None:
    """One row."""
    right = float((chances.argmax(axis=1) == truth).mean())
    f1 = macro_f1(chances.argmax(axis=1), truth)
    print(f"| {name} | {right:.3f} | {f1:.3f} | {calibration_error(chances, truth):.3f} |", flush=True)


def random_folds(vectors: np.ndarray, kinds: np.ndarray, folds: int = 5) -> np.ndarray:
    """Fold numbers (n,), each kind spread evenly."""
    rng = np.random.default_rng(0)
    out = np.zeros(len(kinds), dtype=int)
    for kind in range(len(SEEN)):
        members = rng.permutation(np.flatnonzero(kinds == kind))
        out[members] = np.arange(len(members)) % folds
    return out


def learning(
    vectors: np.ndarray,
    kinds: np.ndarray,
    words: np.ndarray,
    groups: np.ndarray,
    temperature: float,
    strength: float,
) -> None:
    """Rows of the learning curve, averaged over the clusters held out."""
    print(
        f"\nrefit with strength {strength}\n\n| confirmed | accuracy | macro F1 | ECE | s |\n| --- | --- | --- | --- | --- |"
    )
    heads = {
        g: widened(fit(vectors[groups != g], kinds[groups != g]), temperature, vectors, kinds)
        for g in np.unique(groups)
    }
    for number in (0, 20, 50, 100, 200):
        rng, rows, spent = np.random.default_rng(7), [], 0.0
        for group, head in heads.items():
            there = rng.permutation(np.flatnonzero(groups == group))
            shown, rest = there[:number], there[200:]
            taught = [_true_kind(words[i]) for i in shown]
            start = time.perf_counter()
            learned = refit(head, vectors[shown], taught, strength=strength)
            spent += time.perf_counter() - start
            chances = merged(learned, vectors[rest])
            guesses = chances.argmax(axis=1)
            rows.append(
                (
                    (guesses == kinds[rest]).mean(),
                    macro_f1(guesses, kinds[rest]),
                    calibration_error(chances, kinds[rest]),
                )
            )
        accuracy, f1, error = np.mean(rows, axis=0)
        print(
            f"| {number} | {accuracy:.3f} | {f1:.3f} | {error:.3f} | {spent / len(heads):.2f} |", flush=True
        )


def _true_kind(word: str) -> SceneKind:
    return SceneKind(str(word).split("_")[0])


def main() -> None:
    """Measure and print."""
    talk = argparse.ArgumentParser(description=__doc__)
    talk.add_argument("--vectors", type=Path, default=REPOSITORY.parent / "shared/scene_vectors/vectors.npz")
    talk.add_argument("--strength", type=float, nargs="*", default=[0.02])
    asked = talk.parse_args()
    vectors, kinds, words = load(asked.vectors)
    groups = clusters(vectors, kinds, words)
    logits = held_out_logits(vectors, kinds, groups, FITTED_STRENGTH)
    temperature = temperature_of(logits, kinds)
    print(f"temperature {temperature}\n\n| held out | accuracy | macro F1 | ECE |\n| --- | --- | --- | --- |")
    for name, parts in (("random fifth", random_folds(vectors, kinds)), ("cluster", groups)):
        chances = np.zeros((len(kinds), len(SEEN)))
        for part in np.unique(parts):
            out = parts == part
            head = widened(fit(vectors[~out], kinds[~out]), temperature, vectors, kinds)
            chances[out] = merged(head, vectors[out])
        say(name, chances, kinds)
    for strength in asked.strength:
        learning(vectors, kinds, words, groups, temperature, strength)


if __name__ == "__main__":
    main()
