"""Fits the scene head that the program ships, `config/scene_head.npz`, and the summary that `evidence learn` rehearses.

    python tests/bench/scene_fit.py [--folder ../shared/scene_vectors] [--open-licences] [--choose] [--write]

The vectors are embeddings of public photographs with their kinds (docs/models.md). Whole sources are held out
to choose the temperature. With `--choose`, classes and ridges are chosen again, by nested held-out
sources (half an hour). Same input, same bytes.
"""

from __future__ import annotations

import argparse
import itertools
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.cluster.vq import kmeans2

from evidence.model import SceneKind
from evidence.sight.scene_head import KINDS, SceneHead, descend, save_head
from evidence.sight.scene_rehearsal import Summary, save_summary, summarise
from evidence.sight.weights import VECTOR_SIZE, read_weights

REPOSITORY = Path(__file__).parents[2]
SEEN = (
    SceneKind.HOUSE,
    SceneKind.ROOF,
    SceneKind.SHINGLE,
    SceneKind.FIXTURE,
    SceneKind.INTERIOR,
    SceneKind.SHEET,
    SceneKind.OTHER,
)
"""Kinds with photographs; a gauge has none."""
FILES = ("vectors.npz", "more_vectors.npz")
ITERATIONS = 80
"""Of the fit; more changed no held-out photograph's kind by more than chance."""
GAUGE_SHARE = 0.005
"""Of the other's probability for a picture in which the network sees no ruler; a guess. At 0.03 two of 61
real photos without any gauge were taken for one, and a sheet with a grid (docs/measurements.md)."""
GAUGE_PULL = 1.0
"""Log odds that one standard deviation of the ruler class beyond the usual adds."""
RULER_CLASSES = (769, 798)
"""ImageNet 2012: 'rule, ruler' and 'slide rule'."""
PARTS = 6
"""Held-out parts; each source is in one of them."""
CLUSTERS = 4


@dataclass(frozen=True, kw_only=True)
class Choice:
    """What is chosen on held-out sources."""

    ridge: float = 0.2
    """Of the kinds' own weights."""
    fine_ridge: float | None = 0.1
    """Of the weights of the classes within the kinds; None: no such classes."""
    least: int = 20
    """Fewest photographs of a class."""
    balance: float = 0.25
    """0: each photograph of a kind counts the same; 1: each source counts the same. A source of n photographs counts n ** (1 - balance)."""


SHIPPED = Choice()
"""The choice of the shipped head (docs/measurements.md)."""
GRID = (
    Choice(fine_ridge=None),
    Choice(fine_ridge=0.1),
    Choice(fine_ridge=0.2),
    Choice(fine_ridge=0.1, least=8),
)
"""Ridge 0.1 to 0.4 and balance 0 to 0.5 were compared before: no difference beyond chance (docs/measurements.md)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Rows:
    """Photographs; arrays of one length n."""

    vectors: np.ndarray
    """(n, 1280), unit length."""
    fits: np.ndarray
    """(n, 7) of bool: the kinds of SEEN that are right; several where a photograph may be called either."""
    source: np.ndarray
    """The repository a photograph is from."""
    group: np.ndarray
    """What is held out together: a source, or a cluster of a data set that has photographs of one kind alone."""
    detail: np.ndarray
    first: np.ndarray
    """Whether the photograph is in the first file: data sets of one kind each."""

    def __len__(self) -> int:
        return len(self.source)

    def __getitem__(self, at: np.ndarray) -> Rows:
        return Rows(**{name: getattr(self, name)[at] for name in self.__dataclass_fields__})

    @property
    def truth(self) -> np.ndarray:
        """(n, 7): probabilities, the same for each kind that is right."""
        return self.fits / self.fits.sum(axis=1, keepdims=True)


def load(folder: Path, *, open_licences: bool = False) -> Rows:
    """All photographs of both files; without those of repositories that state no licence when asked.

    The first file has no column for licences; its photographs always stay.
    """
    vectors, words, source, detail, first = [], [], [], [], []
    for number, name in enumerate(FILES):
        with np.load(folder / name, allow_pickle=False) as parts:
            keep = np.ones(len(parts["kind"]), dtype=bool)
            if open_licences and "licence" in parts:
                keep = parts["licence"] != "none stated"
            vectors.append(parts["vectors"][keep].astype(np.float32))
            words += [_kinds_of(word) for word in parts["kind"][keep]]
            source += [str(one) for one in parts["source"][keep]]
            detail += [str(one) for one in parts["detail" if "detail" in parts else "kind"][keep]]
            first += [number == 0] * int(keep.sum())
    stacked = np.vstack(vectors)
    stacked /= np.linalg.norm(stacked, axis=1, keepdims=True)
    fits = np.array([[kind in kinds for kind in SEEN] for kinds in words])
    rows = Rows(
        vectors=stacked,
        fits=fits,
        source=np.array(source),
        group=np.array(source, dtype=object),
        detail=np.array(detail),
        first=np.array(first),
    )
    rows.group[rows.first] = _clusters(rows[rows.first])
    return rows


def _kinds_of(word: str) -> set[SceneKind]:
    """`a|b`: either is right; `roof_metal` is a roof."""
    return {SceneKind(part.split("_")[0]) for part in str(word).split("|")}


def _clusters(rows: Rows) -> np.ndarray:
    """Names of clusters of similar photographs within each kind: the covering of roofs, in turn for the few sheets, else k-means."""
    names = np.empty(len(rows), dtype=object)
    for number, kind in enumerate(SEEN):
        members = np.flatnonzero(rows.fits[:, number])
        if not len(members):
            continue
        if kind is SceneKind.SHEET:
            parts = np.arange(len(members)) % CLUSTERS
        elif kind is SceneKind.ROOF:
            parts = np.unique(rows.detail[members], return_inverse=True)[1]
        else:
            parts = kmeans2(rows.vectors[members], CLUSTERS, seed=0, minit="++")[1]
        names[members] = [f"{kind.value} cluster {part}" for part in parts]
    return names


def parts_of(rows: Rows, *, seed: int = 0) -> np.ndarray:
    """Numbers of the held-out parts, (n,): groups spread at random over parts of about the same size."""
    rng = np.random.default_rng(seed)
    numbers = np.zeros(len(rows), dtype=int)
    for first in (True, False):
        names, sizes = np.unique(rows.group[rows.first == first].astype(str), return_counts=True)
        filled = np.zeros(PARTS)
        for at in np.argsort(-sizes, kind="stable"):
            part = int(np.argmin(filled + rng.uniform(0, 8, PARTS)))
            numbers[rows.group == names[at]] = part
            filled[part] += sizes[at]
    return numbers


def weights_of(rows: Rows, choice: Choice) -> np.ndarray:
    """How much each photograph counts, (n,), 1 on average; every kind counts the same."""
    sizes = dict(zip(*np.unique(rows.source, return_counts=True), strict=True))
    each = np.array([float(sizes[name]) ** -choice.balance for name in rows.source])
    truth = rows.truth
    of_kind = np.maximum((truth * each[:, None]).sum(axis=0), 1e-9)
    each = each * (truth @ (1 / of_kind))
    return each * len(rows) / each.sum()


@dataclass(frozen=True, kw_only=True, eq=False)
class Found:
    """A fitted head without temperature and gauge."""

    lines: np.ndarray
    """(c, 1281): weights and bias of each class."""
    kind_of: np.ndarray
    """(c,): index in SEEN of each class's kind."""


def fit(rows: Rows, choice: Choice = SHIPPED) -> Found:
    """A softmax over classes of kinds, by penalised maximum likelihood.

    The logit of a class is the sum of its kind's line and its own: the product of two experts (Hinton 2002), one that
    was fitted to the kinds and one that was fitted to the classes. A class whose photographs may be called either of
    two kinds counts half for each.
    """
    kinds = _softmax_of(rows, rows.truth, weights_of(rows, choice), choice.ridge)
    if choice.fine_ridge is None:
        return Found(lines=kinds, kind_of=np.arange(len(SEEN)))
    names = classes_of(rows, choice.least)
    known = np.unique(names)
    truth = (names[:, None] == known).astype(np.float64)
    classes = _softmax_of(rows, truth, weights_of(rows, choice), choice.fine_ridge)
    lines, kind_of = [], []
    for name, line in zip(known, classes, strict=True):
        fits = np.flatnonzero(rows.fits[names == name][0])
        for kind in fits:
            lines.append(line + kinds[kind])
            lines[-1][-1] -= np.log(len(fits))
            kind_of.append(kind)
    return Found(lines=np.array(lines), kind_of=np.array(kind_of))


def classes_of(rows: Rows, least: int) -> np.ndarray:
    """(n,): the kinds and the first word of the detail, or the kinds alone where fewer than `least` share the word."""
    kinds = ["|".join(SEEN[at].value for at in np.flatnonzero(fits)) for fits in rows.fits]
    names = np.array(
        [f"{kind}:{(word.split() or [''])[0]}" for kind, word in zip(kinds, rows.detail, strict=True)]
    )
    known, sizes = np.unique(names, return_counts=True)
    return np.where(np.isin(names, known[sizes >= least]), names, np.array(kinds))


def _softmax_of(rows: Rows, truth: np.ndarray, counts: np.ndarray, ridge: float) -> np.ndarray:
    """(k, 1281): weights and bias for the k columns of `truth`."""
    middle = rows.vectors.mean(axis=0).astype(np.float64)
    design = np.hstack([rows.vectors - middle, np.ones((len(rows), 1))]).astype(np.float32)
    start = np.zeros((truth.shape[1], VECTOR_SIZE + 1))
    found = descend(start, design, truth, counts, ridge, iterations=ITERATIONS)
    found[:, -1] -= found[:, :-1] @ middle
    return found


def logits_of(found: Found, vectors: np.ndarray) -> np.ndarray:
    """(n, 7): of each kind, the logarithm of its classes' sum."""
    classes = vectors @ found.lines[:, :-1].T + found.lines[:, -1]
    return np.stack(
        [np.logaddexp.reduce(classes[:, found.kind_of == kind], axis=1) for kind in range(len(SEEN))], axis=1
    )


def held_out_logits(rows: Rows, parts: np.ndarray, choice: Choice = SHIPPED) -> np.ndarray:
    """Logits (n, 7) of each photograph under a head that saw no photograph of its part."""
    logits = np.zeros((len(rows), len(SEEN)))
    for part in np.unique(parts):
        out = parts == part
        logits[out] = logits_of(fit(rows[~out], choice), rows.vectors[out])
    return logits


def shares_of(logits: np.ndarray, temperature: float) -> np.ndarray:
    """(n, 7) probabilities."""
    raised = np.exp((logits - logits.max(axis=1, keepdims=True)) / temperature)
    return raised / raised.sum(axis=1, keepdims=True)


def joined(shares: np.ndarray) -> np.ndarray:
    """(n, 6): roof and shingle as one kind."""
    out = np.delete(shares, SEEN.index(SceneKind.SHINGLE), axis=1)
    out[:, SEEN.index(SceneKind.ROOF)] += shares[:, SEEN.index(SceneKind.SHINGLE)]
    return out


def right_of(shares: np.ndarray, rows: Rows) -> np.ndarray:
    """(n,) of bool: the most probable kind is one of the right ones; roof and shingle count as one kind."""
    return joined(rows.fits.astype(float))[np.arange(len(rows)), joined(shares).argmax(axis=1)] > 0


def temperature_of(logits: np.ndarray, rows: Rows) -> float:
    """The temperature at which held-out photographs are as often right as their probability says, on average over both files."""

    def gap(heat: float) -> float:
        shares = shares_of(logits, heat)
        surplus = joined(shares).max(axis=1) - right_of(shares, rows)
        return abs(surplus[rows.first].mean() + surplus[~rows.first].mean())

    return min((round(float(t), 3) for t in np.arange(0.3, 2.0, 0.01)), key=gap)


def score(logits: np.ndarray, rows: Rows) -> float:
    """Share right, the mean of both files: photographs like those of each count the same."""
    right = right_of(shares_of(logits, 1.0), rows)
    return float(np.mean([right[rows.first].mean(), right[~rows.first].mean()]))


def choose(rows: Rows, parts: np.ndarray) -> Choice:
    """The choice with the best score over all parts; prints what nested choosing reaches, which is the honest score."""
    numbers = np.unique(parts)
    inner = {one: {n: np.zeros((len(rows), len(SEEN))) for n in numbers} for one in GRID}
    outer = {one: np.zeros((len(rows), len(SEEN))) for one in GRID}
    for one in GRID:
        for a in numbers:
            outer[one][parts == a] = logits_of(fit(rows[parts != a], one), rows.vectors[parts == a])
        for a, b in itertools.combinations(numbers, 2):
            found = fit(rows[(parts != a) & (parts != b)], one)
            inner[one][a][parts == b] = logits_of(found, rows.vectors[parts == b])
            inner[one][b][parts == a] = logits_of(found, rows.vectors[parts == a])
        print(f"  {one}: {score(outer[one], rows):.4f}", flush=True)
    nested = np.zeros((len(rows), len(SEEN)))
    for a in numbers:
        rest = parts != a
        best = max(GRID, key=lambda one: score(inner[one][a][rest], rows[rest]))
        nested[~rest] = outer[best][~rest]
        print(f"  without part {a}: {best}", flush=True)
    print(f"  nested: {score(nested, rows):.4f}")
    return max(GRID, key=lambda one: score(outer[one], rows))


def widened(found: Found, temperature: float, rows: Rows) -> SceneHead:
    """The seven kinds as a head of eight: each class of other has a gauge beside it."""
    weights, bias = found.lines[:, :-1].copy(), found.lines[:, -1].copy()
    kind_of = np.array([KINDS.index(SEEN[kind]) for kind in found.kind_of])
    other = np.flatnonzero(kind_of == KINDS.index(SceneKind.OTHER))
    ruler = read_weights()["_fc.weight"][list(RULER_CLASSES)].mean(axis=0).astype(np.float64)
    usual = rows.vectors[rows.truth[:, SEEN.index(SceneKind.OTHER)] == 1] @ ruler
    pull = GAUGE_PULL * temperature / usual.std()
    gauges = bias[other] + temperature * np.log(GAUGE_SHARE) - pull * usual.mean()
    weights = np.vstack([weights, weights[other] + pull * ruler])
    bias[other] += temperature * np.log(1 - GAUGE_SHARE)
    bias = np.concatenate([bias, gauges])
    kind_of = np.concatenate([kind_of, np.full(len(other), KINDS.index(SceneKind.GAUGE))])
    # Half precision keeps the file small and moves no probability by more than a thousandth.
    halves = weights.astype(np.float16).astype(np.float32)
    return SceneHead(
        weights=halves,
        bias=bias.astype(np.float32),
        kind_of=kind_of.astype(np.int64),
        temperature=temperature,
    )


def head_of(rows: Rows, temperature: float, choice: Choice = SHIPPED) -> SceneHead:
    """The head fitted to these photographs."""
    return widened(fit(rows, choice), temperature, rows)


def summary_of(rows: Rows) -> Summary:
    """What `evidence learn` rehearses instead of these photographs; those of two kinds are left out."""
    sure = rows[rows.fits.sum(axis=1) == 1]
    return summarise(sure.vectors, [SEEN[at] for at in sure.fits.argmax(axis=1)])


def main() -> None:
    """Fit, report, and write when asked."""
    talk = argparse.ArgumentParser(description=__doc__)
    talk.add_argument("--folder", type=Path, default=REPOSITORY.parent / "shared/scene_vectors")
    talk.add_argument(
        "--open-licences",
        action="store_true",
        help="leave out photographs of repositories that state no licence",
    )
    talk.add_argument("--choose", action="store_true", help="choose classes and ridges again")
    talk.add_argument("--write", action="store_true", help="put head and summary into config/")
    asked = talk.parse_args()
    rows = load(asked.folder, open_licences=asked.open_licences)
    parts = parts_of(rows)
    choice = choose(rows, parts) if asked.choose else SHIPPED
    logits = held_out_logits(rows, parts, choice)
    temperature = temperature_of(logits, rows)
    right = right_of(shares_of(logits, temperature), rows)
    print(f"{len(rows)} photographs of {len(set(rows.source))} sources; {choice}, temperature {temperature}")
    for name, some in (("first file, held-out clusters", rows.first), ("held-out sources", ~rows.first)):
        print(f"  {name}: {int(some.sum())} photographs, {right[some].mean():.3f} right")
    files = {
        "scene_head.npz": save_head(head_of(rows, temperature, choice)),
        "scene_rehearsal.npz": save_summary(summary_of(rows)),
    }
    for name, data in files.items():
        print(f"  {name}: {len(data)} bytes")
        if asked.write:
            (REPOSITORY / "config" / name).write_bytes(data)


if __name__ == "__main__":
    main()
