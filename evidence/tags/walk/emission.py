"""The emission model: likelihoods of the steps of the walk from the evidence of each photo."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from evidence.forward_backward import Floats
from evidence.model import Face, Facet, FacetValue, PhotoRecord, Role
from evidence.tags.reading.semantics import Reading
from evidence.tags.vocabulary import Vocabulary, Zone
from evidence.tags.walk.kind_head import KindHead
from evidence.tags.walk.model import WalkModel
from evidence.tags.walk.plan import DETAIL, DETAIL_ROLES, SCENE_KINDS, WalkPlan

OFF_WALK_ROLES = (Role.DIVIDER.value, Role.LABEL.value, Role.OTHER.value)
"""Photos of these roles are not part of the walk."""

BOARD_RIGHT = 0.97
"""Share of legible boards that describe their photo correctly; errors of the recognition not counted."""

_LEAST_LIKELIHOOD = 1e-6
"""Likelihood of a step that contradicts a stated facet; above zero, so that a wrong label leaves a path."""

_SCENE_TRUST = 0.85
"""Power on the network's probabilities: neighbouring pictures are similar, so its errors are correlated."""

CHALK_BASE_RATE = 0.15
"""Share of all photos with a chalked square in them: the base rate."""

_SIDES = 4
_ROLES = 6
_COMPONENTS = 20
"""How many values each facet usually has: the likelihood of a written value is relative to their average."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Likelihoods:
    """Likelihoods of one claim's photos, relative to no evidence; (photos, steps) each."""

    stated: Floats
    writing: Floats
    pixels: Floats
    off_walk: Floats
    """(photos,): the product of all sources for a photo that is not part of the walk."""

    def combined(self, share: float) -> Floats:
        """The product of all sources, where a `share` of the photos are not part of the walk."""
        return (1 - share) * self.stated * self.writing * self.pixels + share * self.off_walk[:, None]


@dataclass(frozen=True, kw_only=True, eq=False)
class EmissionModel:
    """Computes the likelihoods of photos under one walk model."""

    model: WalkModel
    vocabulary: Vocabulary
    kind_head: KindHead | None = None
    """Recognises the kind of photo by the image network's vector; learned from confirmed photos."""

    @property
    def plan(self) -> WalkPlan:
        """The plan of the walk."""
        return self.model.plan

    def likelihoods(
        self,
        photos: Sequence[PhotoRecord],
        readings: Sequence[Reading],
        stated: Sequence[Mapping[Facet, FacetValue]],
    ) -> Likelihoods:
        """Likelihoods of `photos` from their pictures, their writing and what is stated; all of one length."""
        from_stated = [self._stated(facets) for facets in stated]
        from_writing = [self._written(reading) for reading in readings]
        from_pixels = self._pixels(photos)
        off = [
            t[1] * w[1] * s
            for t, w, s in zip(from_stated, from_writing, self._pixels_off(photos), strict=True)
        ]
        return Likelihoods(
            stated=np.array([t[0] for t in from_stated]),
            writing=np.array([w[0] for w in from_writing]),
            pixels=from_pixels,
            off_walk=np.array(off),
        )

    # --- steps as arrays -----------------------------------------------------------------

    @cached_property
    def _face(self) -> NDArray[np.str_]:
        return np.array([step.face for step in self.plan.steps])

    @cached_property
    def _role(self) -> NDArray[np.str_]:
        return np.array([step.role for step in self.plan.steps])

    @cached_property
    def _component(self) -> NDArray[np.str_]:
        return np.array([step.component for step in self.plan.steps])

    @cached_property
    def _zone(self) -> NDArray[np.str_]:
        return np.array([step.zone.value for step in self.plan.steps])

    @cached_property
    def _kind(self) -> NDArray[np.intp]:
        return np.array([step.kind for step in self.plan.steps], dtype=np.intp)

    def _fits(self, facet: Facet, value: str) -> Floats:
        """(steps,): 1 where a step has the value, less where the step leaves the facet open, else 0."""
        if facet is Facet.FACE:
            wild = (self._face == Face.NONE) if value != Face.NONE else np.zeros(len(self._face), dtype=bool)
            return np.where(self._face == value, 1.0, np.where(wild, 0.12, 0.0))
        if facet is Facet.ROLE:
            same = self._role == (DETAIL if value in DETAIL_ROLES else value)
            # a slope, an elevation or an overview can be a no-damage proof; a board that names the
            # slope is visible in its close-ups too
            near = np.isin(self._role, ("slope", "elevation", "overview", DETAIL, "test_square"))
            return np.where(same, 1.0, np.where(near, 0.06, 0.0))
        word = self.vocabulary.word(Facet.COMPONENT, value)
        zone = word.zone.value if word and word.zone else Zone.OUTSIDE.value
        own = self._component == value
        open_ = (self._component == "") & (self._zone == zone)
        return np.where(own, 1.0, np.where(open_, 0.3 if own.any() else 0.8, 0.0))

    # --- sources -------------------------------------------------------------------------

    def _stated(self, facets: Mapping[Facet, FacetValue]) -> tuple[Floats, float]:
        likelihood, off = np.ones(len(self.plan.steps)), 1.0
        for facet in (Facet.FACE, Facet.ROLE, Facet.COMPONENT):
            if facet in facets:
                value = facets[facet].value
                fits = self._fits(facet, value)
                if facet is Facet.ROLE and value != Role.NO_DAMAGE_PROOF:
                    fits = np.floor(fits)  # a stated role excludes the others
                likelihood = likelihood * np.maximum(fits, _LEAST_LIKELIHOOD)
                off *= 0.02
        return likelihood, off

    def _written(self, reading: Reading) -> tuple[Floats, float]:
        likelihood, off = np.ones(len(self.plan.steps)), 1.0
        choices = {Facet.FACE: _SIDES, Facet.ROLE: _ROLES, Facet.COMPONENT: _COMPONENTS}
        for facet, many in choices.items():
            written = reading.all(facet)
            if not written:
                continue
            mass = [(one.value, BOARD_RIGHT * one.confidence) for one in written]
            total = sum(share for _, share in mass)
            if total > BOARD_RIGHT:  # two components on one board: each may be meant
                mass = [(value, share * BOARD_RIGHT / total) for value, share in mass]
                total = BOARD_RIGHT
            fit = sum(
                (share * many * self._fits(facet, value) for value, share in mass), np.zeros(len(likelihood))
            )
            likelihood = likelihood * (np.asarray(fit) + 1 - total)
            off *= 1 - total + 0.1
        return likelihood, off

    def _pixels(self, photos: Sequence[PhotoRecord]) -> Floats:
        """(photos, steps): scene kinds, chalk, and the learned classifier where there is one."""
        scenes = np.array([_scene_odds(photo) for photo in photos])  # (photos, scene kinds)
        # the learned classifier and the scene kinds use the same vector: trust in one is taken from the other
        trust = _SCENE_TRUST * (1 - (self.kind_head.trust if self.kind_head else 0.0))
        by_kind: Floats = (scenes @ self.model.looks.T) ** trust
        by_kind = by_kind * np.array([self._chalk(photo) for photo in photos])
        if self.kind_head is not None:
            by_kind = by_kind * self.kind_head.odds([photo.look.embedding for photo in photos])
        return by_kind[:, self._kind]

    def _chalk(self, photo: PhotoRecord) -> Floats:
        """(kinds,): likelihood of a chalked square seen or not seen."""
        look = photo.look
        if look.chalk is None and not look.scenes:
            return np.ones(len(self.plan.photo_kinds))  # the picture was not examined
        square = look.chalk.square if look.chalk else 0.0
        expected = self.model.chalk
        odds: Floats = square * expected / CHALK_BASE_RATE + (1 - square) * (1 - expected) / (
            1 - CHALK_BASE_RATE
        )
        return odds

    def _pixels_off(self, photos: Sequence[PhotoRecord]) -> list[float]:
        looks = np.array(self.plan.looks["none"])
        return [float((_scene_odds(photo) @ looks) ** _SCENE_TRUST) for photo in photos]


def _scene_odds(photo: PhotoRecord) -> Floats:
    """(scene kinds,): the network's probabilities over uniform ones; ones when it was not run."""
    scenes = photo.look.scenes
    if not scenes:
        return np.ones(len(SCENE_KINDS))
    share = np.array([scenes.get(kind, 0.0) for kind in SCENE_KINDS])
    odds: Floats = (0.95 * share / max(float(share.sum()), 1e-9) + 0.05 / len(SCENE_KINDS)) * len(SCENE_KINDS)
    return odds
