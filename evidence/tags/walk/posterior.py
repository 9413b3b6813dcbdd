"""Evidence fusion: the posterior of one claim's photos, given all that is known of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np

from evidence.forward_backward import Floats
from evidence.model import Facet, FacetValue, PhotoRecord
from evidence.tags.reading.semantics import Reading
from evidence.tags.walk.bearings import (
    Bearings,
    bearings,
    front_direction,
    height_likelihoods,
    overview_sides,
    place_likelihoods,
)
from evidence.tags.walk.chain import (
    NeighbourEvidence,
    WalkPosterior,
    forward_backward,
    gap_bin,
    log_likelihoods,
)
from evidence.tags.walk.emission import EmissionModel, Likelihoods
from evidence.tags.walk.model import WalkModel
from evidence.tags.walk.plan import Style, WalkPlan
from evidence.tags.walk.similarity import again_odds, look_odds

_IMPROBABLE = 1e-3
"""Styles, and pairs of a style and a direction of the front, with a smaller posterior are dropped."""


@dataclass(frozen=True, kw_only=True, eq=False)
class ClaimPosterior:
    """Posterior probabilities of one claim's photos, and the evidence of each source."""

    plan: WalkPlan
    styles: tuple[Style, ...]
    """The styles that were considered."""
    walk: WalkPosterior
    likelihoods: Likelihoods
    """Those of the pixels include the similarity to the claim's other pictures."""
    similarity: Floats
    """(photos, steps): likelihood ratios of the similarity to the claim's other pictures alone."""
    combined: Floats
    """(photos, steps): likelihoods of all sources but place."""
    place: Floats | None
    """(photos, steps): likelihoods of place, averaged over the directions of the front; None without evidence."""
    front: float | None
    """Direction that the front faces, in degrees clockwise from north; None where it is not clear."""
    seen: Bearings
    """Directions and positions of the photos."""
    overview_sides: Floats | None
    """(photos, 4): probability of each side if the photo is an overview from outside; NaN or None without place."""
    sound: Floats
    """(kinds,): share of things photographed at close range that are undamaged."""

    @cached_property
    def base_rates(self) -> Floats:
        """(steps,): how common each step is in this claim."""
        rates: Floats = self.walk.habit.mean(axis=0)
        return rates

    def off_walk(self, photo: int) -> float:
        """Probability that the photo is not part of the walk."""
        share = self.plan.off_walk * self.likelihoods.off_walk[photo] / self.combined[photo]
        return float(self.walk.steps[photo] @ np.minimum(share, 1.0))

    def from_alone(self, likelihood: Floats) -> Floats:
        """(steps,): the posterior from one likelihood alone, over the base rates."""
        share = self.base_rates * likelihood
        posterior: Floats = share / max(float(share.sum()), 1e-300)
        return posterior


def claim_posterior(
    emission: EmissionModel,
    photos: Sequence[PhotoRecord],
    readings: Sequence[Reading],
    stated: Sequence[Mapping[Facet, FacetValue]],
) -> ClaimPosterior:
    """Fuse the evidence of one claim's photos, in shooting order; there must be at least one."""
    plan, model = emission.plan, emission.model
    likelihoods = emission.likelihoods(photos, readings, stated)
    combined = likelihoods.combined(plan.off_walk)
    neighbours = neighbour_evidence(photos)
    walk = forward_backward(model, neighbours, combined[None])
    vectors = [photo.look.embedding for photo in photos]
    similarity = np.ones_like(combined)
    if any(vectors):  # a first pass gives the looks that pictures are compared by
        similarity = _similarity(plan, vectors, walk.steps)
        combined = combined * similarity
        model = model.with_shares_above(walk.styles, _IMPROBABLE)
        walk = forward_backward(model, neighbours, combined[None])
    seen = bearings(photos, [reading.compass for reading in readings])
    place, front, sides = None, None, None
    if not seen.empty:
        walk, model, place, directions = _with_place(model, neighbours, combined, walk, seen)
        front, sides = front_direction(directions), overview_sides(plan, seen, directions)
    return ClaimPosterior(
        plan=plan,
        styles=model.styles,
        walk=walk,
        likelihoods=replace(likelihoods, pixels=likelihoods.pixels * similarity),
        similarity=similarity,
        combined=combined,
        place=place,
        front=front,
        seen=seen,
        overview_sides=sides,
        sound=model.sound,
    )


def _similarity(plan: WalkPlan, vectors: Sequence[bytes], steps: Floats) -> Floats:
    """(photos, steps): likelihood ratios of similarity; `steps` (photos, steps) is the posterior so far."""
    look_of_step = [plan.photo_kinds[step.kind].looks for step in plan.steps]
    looks = tuple(dict.fromkeys(look_of_step))
    member = np.array([[float(look == each) for each in looks] for look in look_of_step])
    odds: Floats = look_odds(vectors, steps @ member) @ member.T
    return odds


def _with_place(
    model: WalkModel,
    neighbours: NeighbourEvidence,
    combined: Floats,
    walk: WalkPosterior,
    seen: Bearings,
) -> tuple[WalkPosterior, WalkModel, Floats, Floats]:
    """Add the evidence of place: every probable style with every direction of the front, then the probable pairs.

    The last value is the probability of each direction of the front, (directions,).
    """
    plan = model.plan
    by_front = place_likelihoods(plan, seen)
    model = model.with_shares_above(walk.styles, _IMPROBABLE)
    score = log_likelihoods(model, neighbours, combined, by_front) + np.log(model.weights)[:, None]
    share = np.exp(score - score.max())
    share /= share.sum()
    style, front = np.nonzero(share >= min(_IMPROBABLE, float(share.max())))
    pairs = model.repeated([int(k) for k in style])
    likelihoods = combined[None] * by_front[front]
    walk = forward_backward(pairs, neighbours, likelihoods)
    height = height_likelihoods(plan, seen, walk.steps)
    if height is not None:
        walk = forward_backward(pairs, neighbours, likelihoods * height[None])
    place: Floats = np.einsum("s,spn->pn", walk.styles, by_front[front])
    directions = np.bincount(front, walk.styles, minlength=len(by_front)).astype(np.float64)
    return walk, pairs, place if height is None else place * height, directions


def neighbour_evidence(photos: Sequence[PhotoRecord]) -> NeighbourEvidence:
    """The times between neighbouring photos, and the similarity of their pictures."""
    times = [photo.corrected or photo.facts.taken_local for photo in photos]
    return NeighbourEvidence(
        gaps=[gap_bin(before, after) for before, after in pairwise(times)],
        again_odds=again_odds([photo.look.embedding for photo in photos]),
    )
