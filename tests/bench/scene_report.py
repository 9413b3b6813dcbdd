"""Measures the scene head on photographs of sources that it was not fitted on, and how it learns.

    python tests/bench/scene_report.py [--folder ../shared/scene_vectors] [--only sources|components|learning|familiar]

Whole sources are held out, never single photographs (tests/bench/scene_fit.py). Prints the share right by kind
and by source, the calibration error, how well components could be told from the same vectors, and what
simulated offices gain and lose by learning.
"""

from __future__ import annotations

import argparse
import itertools
import time
from pathlib import Path

import numpy as np
from scene_fit import (
    REPOSITORY,
    SEEN,
    SHIPPED,
    Rows,
    held_out_logits,
    joined,
    load,
    parts_of,
    right_of,
    shares_of,
    temperature_of,
    weights_of,
)
from scene_learning import MIXTURES, Shipped, falls, familiar_offices, kinds_of, offices

from evidence.model import SceneKind
from evidence.sight.scene_head import descend

OFFICES = 4
"""Offices of each mixture in each third; their sources are drawn at random."""
REPORTED = 5
"""Seed of the thirds that are reported. The gate of learning was chosen on other thirds, of seed 0."""
FAMILIAR = 405
"""Held-out photographs of the first file."""
COMPONENTS = {
    "chimney": ("chimney",),
    "gutter": ("gutter", "gutter and shingles", "eave gutter", "downspout"),
    "fence": ("fence", "fence gate"),
    "siding": ("siding", "siding or soffit"),
    "window or screen": ("window", "screen"),
    "condenser": ("condenser", "condenser person"),
    "vent or pipe": ("vents flat", "pipe"),
}
"""A component to the words for it in the column `detail`."""


def calibration_error(sure: np.ndarray, right: np.ndarray, bins: int = 15) -> float:
    """Expected calibration error of the top probability over equal bins (Guo et al. 2017)."""
    places = np.minimum((sure * bins).astype(int), bins - 1)
    return float(
        sum(
            np.mean(places == b) * abs(sure[places == b].mean() - right[places == b].mean())
            for b in np.unique(places)
        )
    )


def macro_f1(shares: np.ndarray, rows: Rows) -> float:
    """Mean over kinds of 2 TP / (2 TP + FP + FN), roof and shingle as one; any right kind counts as the true one."""
    guessed = joined(shares).argmax(axis=1)
    fits = joined(rows.fits.astype(float)) > 0
    true = np.where(right_of(shares, rows), guessed, fits.argmax(axis=1))
    kinds = [k for k in range(fits.shape[1]) if (guessed == k).any() or (true == k).any()]
    return float(
        np.mean(
            [
                2 * np.sum((guessed == k) & (true == k)) / (np.sum(guessed == k) + np.sum(true == k))
                for k in kinds
            ]
        )
    )


def sources(rows: Rows, parts: np.ndarray) -> float:
    """Print the tables of held-out sources; returns the temperature."""
    logits = held_out_logits(rows, parts)
    temperature = temperature_of(logits, rows)
    shares = shares_of(logits, temperature)
    correct, kinds = right_of(shares, rows), kinds_of(rows)
    sure = joined(shares).max(axis=1)
    either = rows.fits.sum(axis=1) > 1
    print(f"{SHIPPED}, temperature {temperature}\n\n| held out | photographs | right | macro F1 | ECE |")
    for name, some in (
        ("clusters of the first file", rows.first),
        ("whole sources", ~rows.first),
        ("of these, one kind alone", ~rows.first & ~either),
        ("of these, either of two kinds", ~rows.first & either),
    ):
        error = calibration_error(sure[some], correct[some])
        print(
            f"| {name} | {some.sum()} | {correct[some].mean():.3f} | {macro_f1(shares[some], rows[some]):.3f} | {error:.3f} |"
        )
    print("\n| kind | photographs | right |")
    for number, kind in enumerate(SEEN):
        some = ~rows.first & (kinds == number)
        if some.any():
            print(f"| {kind.value} | {some.sum()} | {correct[some].mean():.3f} |")
    roof, shingle = SEEN.index(SceneKind.ROOF), SEEN.index(SceneKind.SHINGLE)
    some = ~rows.first & (rows.fits[:, roof] | rows.fits[:, shingle])
    print(f"| any that may be called roof or shingle | {some.sum()} | {correct[some].mean():.3f} |")
    for name, at, against in (("roof", roof, shingle), ("shingle", shingle, roof)):
        some = ~rows.first & rows.fits[:, at] & (rows.fits.sum(axis=1) == 1) & (kinds >= 0)
        told = logits[some][:, at] > logits[some][:, against]
        print(f"| {name} told from the other of the two | {some.sum()} | {told.mean():.3f} |")
    print("\n| source | photographs | right |")
    names, sizes = np.unique(rows.source[~rows.first], return_counts=True)
    for name, size in sorted(zip(names, sizes, strict=True), key=lambda one: -one[1]):
        if size >= 20:
            print(f"| {name} | {size} | {correct[~rows.first & (rows.source == name)].mean():.2f} |")
    small = np.isin(rows.source, names[sizes < 20]) & ~rows.first
    print(f"| {sum(sizes < 20)} others | {small.sum()} | {correct[small].mean():.2f} |")
    return temperature


def components(rows: Rows, parts: np.ndarray) -> None:
    """Print how often a head for components, fitted the same way, is right about held-out sources."""
    known = ~(
        rows.first & rows.fits[:, SEEN.index(SceneKind.FIXTURE)]
    )  # the first file's fixtures have no detail
    rows, parts = rows[known], parts[known]
    names = [*COMPONENTS, "none of these"]
    truth = np.array(
        [[word in COMPONENTS.get(name, ()) for name in names] for word in rows.detail], dtype=float
    )
    truth[truth.sum(axis=1) == 0, -1] = 1
    shares = np.zeros_like(truth)
    for part in np.unique(parts):
        out = parts == part
        rest = rows[~out]
        middle = rest.vectors.mean(axis=0)
        design = np.hstack([rest.vectors - middle, np.ones((len(rest), 1))]).astype(np.float64)
        each = weights_of(rest, SHIPPED)
        each = each * (truth[~out] @ (1 / np.sqrt(np.maximum(truth[~out].sum(axis=0), 1))))
        start = np.zeros((len(names), design.shape[1]))
        found = descend(start, design, truth[~out], each / each.mean(), 0.1)
        shares[out] = shares_of((rows.vectors[out] - middle) @ found[:, :-1].T + found[:, -1], 1.0)
    best = shares.argmax(axis=1)
    print("\n| component | photographs | sources | found | guessed | guess right |")
    for number, name in enumerate(names[:-1]):
        true, guessed = truth[:, number] > 0, best == number
        found = (true & guessed).sum()
        print(
            f"| {name} | {true.sum()} | {len(set(rows.source[true]))} | {found / true.sum():.2f} | {guessed.sum()} | {found / max(guessed.sum(), 1):.2f} |"
        )


def thirds(rows: Rows, seed: int) -> list[np.ndarray]:
    """Whole sources held out together: two of six parts each, so that an office has 200 photographs to confirm."""
    parts = parts_of(rows, seed=seed)
    return [np.isin(parts, (part, part + 3)) for part in range(3)]


def learning(rows: Rows, temperature: float) -> None:
    """Print what offices gain and what others lose."""
    shipped = [Shipped.without(rows, third, temperature) for third in thirds(rows, REPORTED)]
    print(
        "\n| confirmed | offices | own, before | own, after | others, before | others, after | largest fall | s |"
    )
    for mixture in MIXTURES:
        for many in (25, 50) if mixture == "one site" else (50, 200):
            start = time.perf_counter()
            done = [
                one
                for number, each in enumerate(shipped)
                for turn in range(1 if mixture == "one site" else OFFICES)
                for one in offices(each, mixture, many, seed=number + 100 * turn)
            ]
            if not done:
                continue
            own, others = (
                [np.concatenate([getattr(one, name)[when] for one in done]).mean() for when in (0, 1)]
                for name in ("own", "others")
            )
            kind, most = max(falls(done).items(), key=lambda one: one[1])
            spent = (time.perf_counter() - start) / len(done)
            print(
                f"| {many}, {mixture} | {len(done)} | {own[0]:.3f} | {own[1]:.3f} | {others[0]:.3f} | {others[1]:.3f} | {most:.3f} {kind.value} | {spent:.1f} |",
                flush=True,
            )


def familiar(rows: Rows, temperature: float) -> None:
    """Print what offices gain whose photographs resemble those of the fit: single ones of the first file, held out."""
    shipped = []
    for seed in (7, 8, 9):
        out = np.zeros(len(rows), dtype=bool)
        out[np.random.default_rng(seed).permutation(np.flatnonzero(rows.first))[:FAMILIAR]] = True
        shipped.append(Shipped.without(rows, out, temperature))
    print(
        "\n| confirmed | offices | taught kinds, before | after | all, before | after | largest fall of a kind |"
    )
    for mixture, many in itertools.product(MIXTURES, (50, 200)):
        done = [
            one
            for each in shipped
            for turn in range(3)
            for one in familiar_offices(each, mixture, many, turn)
        ]
        if not done:
            continue
        before, after = (np.concatenate([one.others[when] for one in done]).mean() for when in (0, 1))
        own = [np.concatenate([one.own[when] for one in done]).mean() for when in (0, 1)]
        kind, fall = max(falls(done).items(), key=lambda one: one[1])
        print(
            f"| {many}, {mixture} | {len(done)} | {own[0]:.3f} | {own[1]:.3f} | {before:.3f} | {after:.3f} | {fall:.3f} {kind.value} |",
            flush=True,
        )


def main() -> None:
    """Measure and print."""
    talk = argparse.ArgumentParser(description=__doc__)
    talk.add_argument("--folder", type=Path, default=REPOSITORY.parent / "shared/scene_vectors")
    talk.add_argument("--only", choices=("sources", "components", "learning", "familiar"))
    talk.add_argument("--temperature", type=float, help="for --only learning; otherwise the held-out one")
    asked = talk.parse_args()
    rows = load(asked.folder)
    parts = parts_of(rows)
    temperature = asked.temperature
    if asked.only in (None, "sources") or (asked.only in ("learning", "familiar") and temperature is None):
        temperature = sources(rows, parts)
    if asked.only in (None, "components"):
        components(rows, parts)
    if asked.only in (None, "learning"):
        learning(rows, temperature)
    if asked.only in (None, "familiar"):
        familiar(rows, temperature)


if __name__ == "__main__":
    main()
