"""Learned models as a small text file: numbers only, checked when read.

The file is JSON. No code is loaded from it, and any archive with the same walk plan can read it.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
from collections.abc import Mapping
from dataclasses import fields
from typing import cast

import numpy as np

from evidence.errors import BadInputError
from evidence.forward_backward import Floats
from evidence.model import Facet
from evidence.tags.models import TagModels
from evidence.tags.walk.kind_head import KindHead
from evidence.tags.walk.model import WalkCounts
from evidence.tags.walk.plan import Calibration, WalkPlan

FORMAT = "tag models 2"
"""2: times between photos are counted by the kind of the photo that follows."""
_LARGEST = 20_000_000
"""Characters; models with a classifier and a hundred adjusters take about a megabyte."""

_NOT_OURS = "Use a file written by this program, or run `evidence learn` again."


def plan_digest(plan: WalkPlan) -> str:
    """A digest of what learned counts refer to: the stages, kinds of photo and styles, without their numbers."""
    stages = [[s.id, s.each, s.face, [[kind.role, kind.component] for kind in s.kinds]] for s in plan.stages]
    walks = [[s.name, list(s.ground), list(s.slopes)] for s in plan.styles]
    return hashlib.sha256(json.dumps([stages, walks]).encode()).hexdigest()


def save_models(models: TagModels) -> str:
    """The models as text."""
    return json.dumps(_as_json(models), sort_keys=True) + "\n"


def load_models(text: str, origin: str, plan: WalkPlan) -> TagModels:
    """The models that `save_models` wrote.

    Raises BadInputError when the text is not one, was damaged, or belongs to another walk plan.
    """
    raw = _object(text, origin)
    if raw.get("format") == "tag models 1":
        raise BadInputError(f"{origin} was learned by an older program.", "Run `evidence learn` again.")
    if raw.get("format") != FORMAT:
        raise BadInputError(f"{origin} does not hold tag models.", _NOT_OURS)
    if raw.get("plan") != plan_digest(plan):
        raise BadInputError(
            f"{origin} was learned with other stages or walks than walk.toml has now.",
            "Run `evidence learn` again.",
        )
    # files of earlier versions also have "before"
    body = {key: value for key, value in raw.items() if key not in ("before", "digest")}
    if raw.get("digest") != _digest(body):
        raise BadInputError(f"{origin} was altered or damaged.", _NOT_OURS)
    try:
        return _from_json(body, plan)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise BadInputError(f"{origin} cannot be understood: {error!s:.80}.", _NOT_OURS) from error


def _object(text: str, origin: str) -> dict[str, object]:
    if len(text) > _LARGEST:
        raise BadInputError(f"{origin} is far too large for tag models.", _NOT_OURS)
    try:
        raw = json.loads(text)
    except (json.JSONDecodeError, RecursionError) as error:
        raise BadInputError(f"{origin} is not valid JSON.", _NOT_OURS) from error
    if not isinstance(raw, dict):
        raise BadInputError(f"{origin} does not hold tag models.", _NOT_OURS)
    return raw


def _digest(body: Mapping[str, object]) -> str:
    return hashlib.sha256(json.dumps(body, sort_keys=True).encode()).hexdigest()


def _as_json(models: TagModels) -> dict[str, object]:
    head = models.kind_head
    body: dict[str, object] = {
        "format": FORMAT,
        "plan": plan_digest(models.plan),
        "everyone": _counts_out(models.everyone) if models.everyone else None,
        "adjusters": {name: _counts_out(counts) for name, counts in sorted(models.adjusters.items())},
        "calibration": {
            facet.value: [round(line.slope, 6), round(line.offset, 6)]
            for facet, line in models.calibration.items()
        },
        "shot_head": None
        if head is None
        else {
            "weights": _packed(head.weights),
            "bias": _packed(head.bias),
            "prior": _packed(head.prior),
            "trust": head.trust,
        },
    }
    return {**body, "digest": _digest(body)}


def _from_json(body: Mapping[str, object], plan: WalkPlan) -> TagModels:
    everyone = cast("dict[str, object] | None", body["everyone"])
    adjusters = cast("dict[str, dict[str, object]]", body["adjusters"])
    calibration = cast("dict[str, list[float]]", body["calibration"])
    head = cast("dict[str, object] | None", body["shot_head"])
    return TagModels(
        plan=plan,
        everyone=_counts_in(everyone, plan) if everyone is not None else None,
        adjusters={str(name): _counts_in(counts, plan) for name, counts in adjusters.items()},
        calibration={Facet(name): _line(*line) for name, line in calibration.items()},
        kind_head=_head_in(head, plan) if head is not None else None,
    )


def _line(slope: float, offset: float) -> Calibration:
    if not (np.isfinite(slope) and np.isfinite(offset) and slope > 0):
        raise ValueError("a calibration is not a number")
    return Calibration(slope=float(slope), offset=float(offset))


def _counts_out(counts: WalkCounts) -> dict[str, object]:
    return {f.name: np.round(getattr(counts, f.name), 3).tolist() for f in fields(counts)}


def _counts_in(raw: Mapping[str, object], plan: WalkPlan) -> WalkCounts:
    arrays: dict[str, Floats] = {}
    for f in fields(WalkCounts):
        array = np.array(raw[f.name], dtype=np.float64)
        if array.shape != getattr(WalkCounts.zeros(plan), f.name).shape:
            raise ValueError(f"{f.name} has the wrong size")
        if not np.isfinite(array).all() or (array < 0).any():
            raise ValueError(f"{f.name} holds a value that is not a count")
        arrays[f.name] = array
    return WalkCounts(**arrays)


def _packed(array: Floats) -> dict[str, object]:
    return {
        "shape": list(array.shape),
        "float32": base64.b64encode(array.astype("<f4").tobytes()).decode("ascii"),
    }


def _unpacked(raw: object) -> Floats:
    packed = cast("dict[str, object]", raw)
    try:
        data = base64.b64decode(str(packed["float32"]), validate=True)
    except binascii.Error as error:
        raise ValueError("numbers are damaged") from error
    array = np.frombuffer(data, dtype="<f4").astype(np.float64)
    array = array.reshape(cast("list[int]", packed["shape"]))
    if not np.isfinite(array).all():
        raise ValueError("numbers are damaged")
    return array


def _head_in(raw: Mapping[str, object], plan: WalkPlan) -> KindHead:
    weights, bias, prior = (_unpacked(raw[name]) for name in ("weights", "bias", "prior"))
    trust = float(cast("float", raw["trust"]))
    kinds = len(plan.photo_kinds)
    if weights.ndim != 2 or weights.shape[0] != kinds or bias.shape != (kinds,) or prior.shape != (kinds,):
        raise ValueError("the classifier has the wrong size")
    if not 0 <= trust <= 1 or (prior <= 0).any():
        raise ValueError("the classifier has impossible values")
    return KindHead(weights=weights, bias=bias, prior=prior, trust=trust)
