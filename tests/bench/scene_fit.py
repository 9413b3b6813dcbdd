"""Fits the scene head that the program ships, `config/scene_head.npz`, and reports how well it fits.

    python tests/bench/scene_fit.py [--vectors ../shared/scene_vectors/vectors.npz] [--write]

The vectors are embeddings of public photographs with their kinds (docs/models.md). Six kinds have
photographs; roof and shingle share one row, and gauge leans on the network's own class for rulers,
until an office's confirmed photos teach the difference. Same input, same bytes.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
from scipy.cluster.vq import kmeans2

from evidence.model import SceneKind
from evidence.sight.scene_head import KINDS, SceneHead, descend, save_head
from evidence.sight.weights import VECTOR_SIZE, read_weights

REPOSITORY = Path(__file__).parents[2]
SEEN = (
    SceneKind.HOUSE,
    SceneKind.ROOF,
    SceneKind.FIXTURE,
    SceneKind.INTERIOR,
    SceneKind.SHEET,
    SceneKind.OTHER,
)
FITTED_STRENGTH = 1.0
"""Ridge of the shipped fit: best macro F1 on held-out clusters, see docs/measurements.md."""
SHINGLE_SHARE = 0.4
"""Share of the roof's probability, before the texture measures are added; no source, an equal split."""
GAUGE_SHARE = 0.005
"""Of the other's probability for a picture in which the network sees no ruler; a guess. At 0.03 two of 61
real photos without any gauge were taken for one, and a sheet with a grid (docs/measurements.md)."""
GAUGE_PULL = 1.0
"""Log odds that one standard deviation of the ruler class beyond the usual adds."""
RULER_CLASSES = (769, 798)
"""ImageNet 2012: 'rule, ruler' and 'slide rule'."""
CLUSTERS = 4


def load(path: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Unit vectors (n, 1280), indices into SEEN (n,), and the file's own kind words (n,)."""
    with np.load(path, allow_pickle=False) as parts:
        vectors, words = parts["vectors"].astype(np.float32), parts["kind"]
    vectors /= np.linalg.norm(vectors, axis=1, keepdims=True)
    kinds = np.array([SEEN.index(SceneKind(str(w).split("_")[0])) for w in words])
    return vectors, kinds, words


def clusters(vectors: np.ndarray, kinds: np.ndarray, words: np.ndarray) -> np.ndarray:
    """Clusters of similar photographs within each kind, (n,): holding one out is a harder test than a random fold.

    Roofs are grouped by their covering, the few sheets in turn, the rest by k-means.
    """
    groups = np.zeros(len(kinds), dtype=int)
    for number, kind in enumerate(SEEN):
        members = np.flatnonzero(kinds == number)
        if kind is SceneKind.SHEET:
            groups[members] = np.arange(len(members)) % CLUSTERS
        elif kind is SceneKind.ROOF:
            groups[members] = np.unique(words[members], return_inverse=True)[1]
        else:
            groups[members] = kmeans2(vectors[members], CLUSTERS, seed=0, minit="++")[1]
    return groups


def fit(vectors: np.ndarray, kinds: np.ndarray, strength: float = FITTED_STRENGTH) -> np.ndarray:
    """Rows (6, 1281) of a softmax in which every kind counts the same, however many photographs it has."""
    counts = np.bincount(kinds, minlength=len(SEEN))
    each = (len(kinds) / len(SEEN) / np.maximum(counts, 1))[kinds]
    design = np.hstack([vectors, np.ones((len(vectors), 1))]).astype(np.float64)
    start = np.zeros((len(SEEN), VECTOR_SIZE + 1))
    return descend(start, design, np.eye(len(SEEN))[kinds], each, strength)


def held_out_logits(
    vectors: np.ndarray, kinds: np.ndarray, groups: np.ndarray, strength: float
) -> np.ndarray:
    """Logits (n, 6) of each photograph under a head that saw no photograph of its group."""
    logits = np.zeros((len(kinds), len(SEEN)))
    for group in np.unique(groups):
        out = groups == group
        rows = fit(vectors[~out], kinds[~out], strength)
        logits[out] = vectors[out] @ rows[:, :-1].T + rows[:, -1]
    return logits


def temperature_of(logits: np.ndarray, kinds: np.ndarray) -> float:
    """The temperature with the least cross-entropy, every kind counting the same (Guo et al. 2017)."""
    each = (1 / np.bincount(kinds, minlength=len(SEEN)))[kinds]

    def loss(heat: float) -> float:
        chances = np.exp(logits / heat - np.logaddexp.reduce(logits / heat, axis=1)[:, None])
        return float(-(each * np.log(chances[np.arange(len(kinds)), kinds])).sum())

    return min((round(float(t), 3) for t in np.arange(0.2, 3.0, 0.02)), key=loss)


def widened(rows: np.ndarray, temperature: float, vectors: np.ndarray, kinds: np.ndarray) -> SceneHead:
    """The six rows as a head of eight: roof split in two alike, gauge beside other."""
    weights = np.zeros((len(KINDS), VECTOR_SIZE), dtype=np.float64)
    bias = np.zeros(len(KINDS), dtype=np.float64)
    for number, kind in enumerate(SEEN):
        weights[KINDS.index(kind)], bias[KINDS.index(kind)] = rows[number, :-1], rows[number, -1]
    for base, extra, share in (
        (SceneKind.ROOF, SceneKind.SHINGLE, SHINGLE_SHARE),
        (SceneKind.OTHER, SceneKind.GAUGE, GAUGE_SHARE),
    ):
        old, new = KINDS.index(base), KINDS.index(extra)
        weights[new] = weights[old]
        bias[new] = bias[old] + temperature * np.log(share)
        bias[old] += temperature * np.log(1 - share)
    ruler = read_weights()["_fc.weight"][list(RULER_CLASSES)].mean(axis=0).astype(np.float64)
    usual = vectors[kinds == SEEN.index(SceneKind.OTHER)] @ ruler
    pull = GAUGE_PULL * temperature / usual.std()
    weights[KINDS.index(SceneKind.GAUGE)] += pull * ruler
    bias[KINDS.index(SceneKind.GAUGE)] -= pull * usual.mean()
    # Half precision keeps the file small and moves no probability by more than a thousandth.
    halves = weights.astype(np.float16).astype(np.float32)
    return SceneHead(weights=halves, bias=bias.astype(np.float32), temperature=temperature)


def main() -> None:
    """Fit, report, and write when asked."""
    talk = argparse.ArgumentParser(description=__doc__)
    talk.add_argument("--vectors", type=Path, default=REPOSITORY.parent / "shared/scene_vectors/vectors.npz")
    talk.add_argument("--write", action="store_true", help="put the head into config/scene_head.npz")
    asked = talk.parse_args()
    vectors, kinds, words = load(asked.vectors)
    groups = clusters(vectors, kinds, words)
    logits = held_out_logits(vectors, kinds, groups, FITTED_STRENGTH)
    temperature = temperature_of(logits, kinds)
    right = logits.argmax(axis=1) == kinds
    print(
        f"{len(kinds)} photographs; held-out clusters: accuracy {right.mean():.3f}, temperature {temperature}"
    )
    for number, kind in enumerate(SEEN):
        print(
            f"  {kind.value:10s} {int((kinds == number).sum()):5d}  recall {right[kinds == number].mean():.3f}"
        )
    head = widened(fit(vectors, kinds), temperature, vectors, kinds)
    data = save_head(head)
    print(f"head: {len(data)} bytes")
    if asked.write:
        (REPOSITORY / "config" / "scene_head.npz").write_bytes(data)


if __name__ == "__main__":
    main()
