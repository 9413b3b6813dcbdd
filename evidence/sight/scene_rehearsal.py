"""A small summary of the vectors that the shipped scene head was fitted on, for learning to rehearse.

Learning from an office's photos alone would make the head forget kinds that the office did not confirm. The
summary describes each kind as a mixture of Gaussians, so new vectors like the old ones can be drawn. It holds no
photograph's vector.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from evidence.errors import BadInputError
from evidence.model import SceneKind
from evidence.settings import default_path
from evidence.sight.scene_head import KINDS, UNREADABLE, digest_of
from evidence.sight.scene_step import Floats
from evidence.sight.weights import VECTOR_SIZE

_MEANS = 8
"""Most Gaussians of a kind; more, and more directions, kept no kind better (docs/measurements.md)."""
_LEAST = 4
"""Photographs for each Gaussian, so that no mean is a single photograph's vector."""
_DIRECTIONS = 48
_LARGEST = 3_000_000
"""Bytes; a summary has about 300,000."""
_NOT_A_SUMMARY = "Install the program again."


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Summary:
    """Gaussians around m means, with one common covariance: `spread` directions, and independent `rest`."""

    kinds: NDArray[np.int64]
    """(m,): index in KINDS of each mean's kind."""
    shares: Floats
    """(m,): share of the kind's photographs near each mean."""
    means: Floats
    """(m, 1280)."""
    spread: Floats
    """(r, 1280): orthogonal directions, each as long as its standard deviation."""
    rest: Floats
    """(1280,): standard deviations of what the directions leave."""


def summarise(vectors: Floats, kinds: Sequence[SceneKind]) -> Summary:
    """The summary of (n, 1280) unit vectors and their kinds. Same input, same result."""
    from scipy.cluster.vq import kmeans2  # noqa: PLC0415  slow to import, and only the fit comes here

    of = np.array([KINDS.index(kind) for kind in kinds])
    means, shares, at, around = [], [], [], []
    for kind in np.unique(of):
        mine = vectors[of == kind].astype(np.float64)
        many = min(_MEANS, max(1, len(mine) // _LEAST))
        cluster = kmeans2(mine, many, seed=0, minit="++")[1]
        kept = [c for c in range(many) if (cluster == c).sum() >= min(_LEAST, len(mine))] or [0]
        for c in kept:
            members = mine[cluster == c]
            means.append(members.mean(axis=0))
            shares.append(len(members) / len(mine))
            at.append(int(kind))
            around.append(members - members.mean(axis=0))
    differences = np.vstack(around)
    _, lengths, directions = np.linalg.svd(differences, full_matrices=False)
    spread = directions[:_DIRECTIONS] * (lengths[:_DIRECTIONS, None] / np.sqrt(len(differences)))
    rest = np.sqrt(np.maximum(differences.var(axis=0) - (spread**2).sum(axis=0), 0))
    return Summary(
        kinds=np.array(at, dtype=np.int64),
        shares=np.array(shares, dtype=np.float32),
        means=np.array(means, dtype=np.float32),
        spread=spread.astype(np.float32),
        rest=rest.astype(np.float32),
    )


def draw(summary: Summary, each: int, *, seed: int) -> tuple[Floats, list[SceneKind]]:
    """`each` unit vectors of every kind in the summary, and their kinds. Same seed, same vectors."""
    rng = np.random.default_rng(seed)
    vectors, kinds = [], []
    for kind in np.unique(summary.kinds):
        mine = np.flatnonzero(summary.kinds == kind)
        shares = summary.shares[mine].astype(np.float64)
        chosen = rng.choice(mine, each, p=shares / shares.sum())
        rows = summary.means[chosen] + rng.standard_normal((each, len(summary.spread))) @ summary.spread
        rows = rows + rng.standard_normal((each, VECTOR_SIZE)) * summary.rest
        rows = np.maximum(rows, 0)  # the network's last layer has no negative values
        vectors.append(rows / np.maximum(np.linalg.norm(rows, axis=1, keepdims=True), 1e-12))
        kinds += [KINDS[int(kind)]] * each
    return np.vstack(vectors).astype(np.float32), kinds


# --- the file ------------------------------------------------------------------------------


def save_summary(summary: Summary) -> bytes:
    """The summary as an .npz, numbers in half precision, with a digest over them. Equal summaries give equal bytes."""
    arrays = {
        "kinds": np.array([KINDS[int(kind)].value for kind in summary.kinds]),
        **{name: getattr(summary, name).astype("<f2") for name in _NUMBERS},
    }
    buffer = io.BytesIO()
    np.savez_compressed(buffer, allow_pickle=False, digest=np.array(digest_of(arrays)), **arrays)
    return buffer.getvalue()


_NUMBERS = ("shares", "means", "spread", "rest")


def load_summary(data: bytes) -> Summary:
    """The summary that `save_summary` wrote. Raises BadInputError on anything else."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as listing:
            if max(len(data), sum(part.file_size for part in listing.infolist())) > _LARGEST:
                raise BadInputError("The scene summary is far too large.", _NOT_A_SUMMARY)
        with np.load(io.BytesIO(data), allow_pickle=False) as parts:
            arrays = {name: np.asarray(parts[name]) for name in ("kinds", *_NUMBERS)}
            digest = str(parts["digest"])
        kinds = [KINDS.index(SceneKind(str(kind))) for kind in arrays["kinds"]]
    except UNREADABLE as error:
        raise BadInputError("The scene summary cannot be read.", _NOT_A_SUMMARY) from error
    if digest != digest_of(arrays):
        raise BadInputError("The scene summary was altered or damaged.", _NOT_A_SUMMARY)
    return Summary(
        kinds=np.array(kinds, dtype=np.int64),
        **{name: arrays[name].astype(np.float32) for name in _NUMBERS},
    )


@lru_cache(maxsize=1)
def shipped_summary() -> Summary:
    """The summary that comes with the program."""
    return load_summary(default_path("scene_rehearsal.npz").read_bytes())
