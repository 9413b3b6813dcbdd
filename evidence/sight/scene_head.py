"""Classifies the image network's vector into scene kinds, by a small linear head that can be refitted.

It needs numpy alone, no imaging library. The head is a softmax over classes, and each class belongs to one of eight
kinds: a roof of tiles and a roof of metal are different classes of one kind. The one shipped in `config/scene_head.npz` was fitted by
`tests/bench/scene_fit.py`. An office's own confirmed photos add a change to it (`refit`) that applies mostly near those
photos (`scene_step`), and that is fitted while vectors like those of the first fit are rehearsed (`scene_rehearsal`).
"""

from __future__ import annotations

import hashlib
import io
import struct
import zipfile
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evidence.errors import BadInputError
from evidence.model import SceneKind
from evidence.settings import default_path
from evidence.sight.scene_step import MOST_MEANS, Floats, LocalStep, local_step
from evidence.sight.weights import VECTOR_SIZE

KINDS: tuple[SceneKind, ...] = tuple(SceneKind)
"""The order of a head's rows and of every array of probabilities here."""

_PRIOR_STRENGTH = 0.02
"""Strength of the prior in `refit`, per unit of squared distance between logit slopes. This value and those below
were chosen on held-out sources by tests/bench/scene_report.py."""
_REHEARSED, _REHEARSED_EACH = 700.0, 6.0
"""Photos that the rehearsed vectors count as, together: at least, and for each confirmed photo."""
_ENOUGH = 5.0
"""Confirmed photos from which a kind is taught freely."""
_MOST_KEPT = 0.15
"""Most that kinds with fewer photos keep of one photo: well below one half, so that its confirmed kind is the most probable."""
_MOST_CLASSES = 400
_LARGEST_HEAD = 4_000_000
"""Bytes; a learned head has at most 1,400,000."""


# --- vectors ------------------------------------------------------------------------------


def pack_vector(vector: Floats) -> bytes:
    """A vector as `Look.embedding` keeps it: little-endian float16."""
    return vector.astype("<f2").tobytes()


def unpack_vector(packed: bytes) -> Floats:
    """The unit vector that `pack_vector` packed, to float16's precision. Raises BadInputError on another length."""
    if len(packed) != 2 * VECTOR_SIZE:
        raise BadInputError(
            f"An embedding has {len(packed)} bytes instead of {2 * VECTOR_SIZE}.", "Look at the photo again."
        )
    return unit(np.frombuffer(packed, dtype="<f2").astype(np.float32))


def unit(vector: Floats) -> Floats:
    """The vector at length one."""
    scaled: Floats = vector / np.float32(max(float(np.linalg.norm(vector)), 1e-12))
    return scaled


# --- the head ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SceneHead:
    """A linear softmax over c classes of the kinds in `KINDS`, and the temperature that calibrates its probabilities."""

    weights: Floats
    """(c, 1280)."""
    bias: Floats
    """(c,)."""
    kind_of: NDArray[np.int64]
    """(c,): index in `KINDS` of each class's kind; every kind has a class."""
    temperature: float = 1.0
    """Logits are divided by it; above 1 when the uncalibrated probabilities are too extreme."""
    step: LocalStep | None = None
    """What an office's confirmed photos changed; None for a head that learned nothing."""

    def logits(self, vectors: Floats) -> Floats:
        """(n, 8) tempered logits of (n, 1280) unit vectors: of each kind, the logarithm of its classes' sum, and the step."""
        classes = vectors @ self.weights.T + self.bias
        kinds = [np.logaddexp.reduce(classes[:, self.kind_of == kind], axis=1) for kind in range(len(KINDS))]
        logits: Floats = (np.stack(kinds, axis=1) / np.float32(self.temperature)).astype(np.float32)
        return logits if self.step is None else logits + self.step.logits(vectors)

    def probabilities(self, vectors: Floats) -> Floats:
        """(n, 8), rows sum to one."""
        return _softmax(self.logits(vectors))

    def scenes(self, vector: Floats) -> dict[SceneKind, float]:
        """Probability of each kind for one vector (1280,)."""
        row = self.probabilities(vector[None])[0]
        return {kind: float(p) for kind, p in zip(KINDS, row, strict=True)}


@lru_cache(maxsize=1)
def shipped_head() -> SceneHead:
    """The head that comes with the program."""
    return load_head(head_bytes())


def head_bytes() -> bytes:
    """The file of the head that comes with the program."""
    return default_path("scene_head.npz").read_bytes()


def _softmax(logits: NDArray[Any]) -> Floats:
    raised = np.exp(logits - logits.max(axis=1, keepdims=True))
    shares: Floats = (raised / raised.sum(axis=1, keepdims=True)).astype(np.float32)
    return shares


# --- learning ------------------------------------------------------------------------------


def refit(
    head: SceneHead,
    vectors: Floats,
    kinds: Sequence[SceneKind | frozenset[SceneKind]],
    weights: Sequence[float] | None = None,
    *,
    rehearsed: Floats | None = None,
    strength: float = _PRIOR_STRENGTH,
) -> SceneHead:
    """The head with a step fitted to confirmed photos by maximum a posteriori; an earlier step is replaced.

    `vectors` (n, 1280) unit length; `kinds` what each shows, a set where any of several kinds is right; `weights`
    how much each counts (default 1). All classes of a kind move alike, mostly near photos that count. The prior is a
    Gaussian around `head`. For `rehearsed` vectors (m, 1280) the
    probabilities should stay those of `head` (distillation: Hinton, Vinyals and Dean 2015; used against
    forgetting by Li and Hoiem 2016). Kinds that few photos confirm keep much of their probability. Without
    photos the result is `head`. Same input, same result. Raises BadInputError when the lengths differ or a
    number is not finite.
    """
    counts = np.ones(len(kinds)) if weights is None else np.asarray(weights, dtype=np.float64)
    _check(vectors, kinds, counts)
    if not len(kinds):
        return head
    confirmed, head = vectors[counts > 0], replace(head, step=None)
    shares = head.probabilities(vectors).astype(np.float64)
    truth = _spared(_confirmed(kinds, shares), shares, counts)
    if rehearsed is not None and len(rehearsed):
        vectors = np.vstack([vectors, rehearsed])
        truth = np.vstack([truth, head.probabilities(rehearsed)])
        together = max(_REHEARSED, _REHEARSED_EACH * float(counts.sum()))
        counts = np.concatenate([counts, np.full(len(rehearsed), together / len(rehearsed))])
    start = np.zeros((len(KINDS), VECTOR_SIZE + 1))
    design = np.hstack([vectors, np.ones((len(vectors), 1))]).astype(np.float64)
    moved = descend(start, design, truth, counts, strength, offset=head.logits(vectors).astype(np.float64))
    return replace(head, step=local_step(moved, confirmed))


def _confirmed(
    kinds: Sequence[SceneKind | frozenset[SceneKind]], shares: NDArray[np.float64]
) -> NDArray[np.float64]:
    """(n, 8): the probability of each kind once a person has confirmed `kinds`; several share it as the head says."""
    sets = [one if isinstance(one, frozenset) else frozenset((one,)) for one in kinds]
    right = np.array([[kind in one for kind in KINDS] for one in sets])
    truth = right * np.maximum(shares, 1e-6)
    normed: NDArray[np.float64] = truth / truth.sum(axis=1, keepdims=True)
    return normed


def _spared(
    truth: NDArray[np.float64], shares: NDArray[np.float64], counts: NDArray[np.float64]
) -> NDArray[np.float64]:
    """(n, 8): `truth`, less what kinds that few photos confirm keep of their `shares`.

    Otherwise each photo of another kind would teach that these kinds do not occur.
    """
    rare = np.clip(1 - counts @ truth / _ENOUGH, 0, 1)
    kept = shares * rare
    total = kept.sum(axis=1, keepdims=True)
    kept = kept * np.minimum(1, _MOST_KEPT / np.maximum(total, 1e-12))
    spared: NDArray[np.float64] = truth * (1 - kept.sum(axis=1, keepdims=True)) + kept
    return spared


def _check(vectors: Floats, kinds: Sequence[object], counts: NDArray[np.float64]) -> None:
    if vectors.shape != (len(kinds), VECTOR_SIZE) or counts.shape != (len(kinds),):
        raise BadInputError(
            "Vectors, kinds and weights differ in number.", "Give one of each for every photo."
        )
    if not (np.isfinite(vectors).all() and np.isfinite(counts).all() and (counts >= 0).all()):
        raise BadInputError("A vector or a weight is not a number.", "Look at those photos again.")


def descend(
    start: NDArray[np.float64],
    design: NDArray[Any],
    truth: NDArray[np.float64],
    counts: NDArray[np.float64],
    strength: float,
    *,
    offset: NDArray[np.float64] | None = None,
    iterations: int = 300,
) -> NDArray[np.float64]:
    """Least penalised cross-entropy from `start` (k, d + 1), by at most so many `iterations` of L-BFGS.

    `offset` (n, k) is added to the logits. Products are computed in the precision of `design`.
    """
    from scipy.optimize import minimize  # noqa: PLC0415  slow to import, and only `learn` comes here

    def loss(flat: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        rows = flat.reshape(start.shape)
        logits = (design @ rows.T.astype(design.dtype)).astype(np.float64)
        if offset is not None:
            logits += offset
        top = logits.max(axis=1, keepdims=True)
        total = top[:, 0] + np.log(np.exp(logits - top).sum(axis=1))
        guess = np.exp(logits - total[:, None])
        step = rows - start
        value = float(counts @ (total - (logits * truth).sum(axis=1)) + 0.5 * strength * (step**2).sum())
        slope = ((guess - truth) * counts[:, None]).T.astype(design.dtype) @ design + strength * step
        return value, slope.ravel()

    found = minimize(
        loss, start.ravel(), jac=True, method="L-BFGS-B", options={"maxiter": iterations, "maxcor": 20}
    )
    return np.asarray(found.x, dtype=np.float64).reshape(start.shape)


# --- the head as a file --------------------------------------------------------------------


def save_head(head: SceneHead) -> bytes:
    """The head as an .npz: numbers only, with a digest over them. Equal heads give equal bytes."""
    arrays = _arrays(head)
    buffer = io.BytesIO()
    digest = np.array(digest_of(arrays))
    np.savez_compressed(buffer, allow_pickle=False, digest=digest, **arrays)
    return buffer.getvalue()


def load_head(data: bytes) -> SceneHead:
    """The head that `save_head` wrote. Raises BadInputError on anything else; no code is ever loaded."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as listing:
            if (
                len(data) > _LARGEST_HEAD
                or sum(part.file_size for part in listing.infolist()) > _LARGEST_HEAD
            ):
                raise BadInputError("The scene head is far too large.", _NOT_A_HEAD)
        with np.load(io.BytesIO(data), allow_pickle=False) as parts:
            names = [*_NUMBERS, *(_OF_A_STEP if any(name in parts for name in _OF_A_STEP) else ())]
            arrays = {name: np.asarray(parts[name]) for name in names}
            digest = str(parts["digest"])
    except UNREADABLE as error:
        raise BadInputError("The scene head cannot be read.", _NOT_A_HEAD) from error
    if digest != digest_of(arrays):
        raise BadInputError("The scene head was altered or damaged.", _NOT_A_HEAD)
    return _head_from(arrays)


UNREADABLE = (
    OSError, ValueError, KeyError, EOFError, MemoryError, RuntimeError, struct.error, zlib.error, zipfile.BadZipFile
)  # fmt: skip
"""What zipfile and numpy raise on other files; RuntimeError is raised for an encrypted one."""
_NOT_A_HEAD = "Use a file written by this program, of this version."


_NUMBERS = ("kinds", "weights", "bias", "temperature")
_OF_A_STEP = ("step", "near")


def _arrays(head: SceneHead) -> dict[str, NDArray[Any]]:
    learned = (
        {"step": head.step.lines.astype("<f4"), "near": head.step.near.astype("<f2")} if head.step else {}
    )
    return {
        **learned,
        "kinds": np.array([KINDS[int(kind)].value for kind in head.kind_of]),
        "weights": head.weights.astype("<f4"),
        "bias": head.bias.astype("<f4"),
        "temperature": np.array(head.temperature, dtype="<f8"),
    }


def digest_of(arrays: Mapping[str, NDArray[Any]]) -> str:
    """SHA-256 over the names, types, shapes and numbers of arrays, as hexadecimal digits."""
    seal = hashlib.sha256()
    for name in sorted(arrays):
        array = arrays[name]
        seal.update(f"{name} {array.dtype.str} {array.shape}\n".encode())
        seal.update(np.ascontiguousarray(array).tobytes())
    return seal.hexdigest()


def _head_from(arrays: Mapping[str, NDArray[Any]]) -> SceneHead:
    names = [str(kind) for kind in arrays["kinds"]] if arrays["kinds"].ndim == 1 else []
    shapes = {"weights": (len(names), VECTOR_SIZE), "bias": (len(names),), "temperature": ()}
    if "step" in arrays:
        means = arrays["near"].shape[:1]
        shapes |= {"step": (len(KINDS), VECTOR_SIZE + 1), "near": (*means, VECTOR_SIZE)}
    numbers = [arrays[name] for name in shapes]
    if (
        any(arrays[name].shape != shape for name, shape in shapes.items())
        or any(array.dtype.kind != "f" or not np.isfinite(array).all() for array in numbers)
        or len(names) > _MOST_CLASSES
        or len(arrays.get("near", ())) > MOST_MEANS
        or set(names) != {kind.value for kind in KINDS}
        or float(arrays["temperature"]) <= 0
    ):
        raise BadInputError("The scene head does not fit this program.", _NOT_A_HEAD)
    step = None
    if "step" in arrays:
        step = LocalStep(lines=arrays["step"].astype(np.float32), near=arrays["near"].astype(np.float32))
    return SceneHead(
        step=step,
        weights=arrays["weights"].astype(np.float32),
        kind_of=np.array([KINDS.index(SceneKind(name)) for name in names], dtype=np.int64),
        bias=arrays["bias"].astype(np.float32),
        temperature=float(arrays["temperature"]),
    )
