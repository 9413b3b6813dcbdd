"""What each photo itself says, as likelihoods of the steps of the walk."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from evidence.model import Face, Facet, FacetValue, PhotoRecord, Role
from evidence.tags.reading.semantics import Reading
from evidence.tags.vocabulary import Vocabulary, Zone
from evidence.tags.walk.model import WalkModel
from evidence.tags.walk.plan import DETAIL, DETAIL_ROLES, KINDS, WalkPlan
from evidence.tags.walk.similarity import vector_of

Floats = NDArray[np.float64]

ASIDE_ROLES = (Role.DIVIDER.value, Role.LABEL.value, Role.OTHER.value)
"""Photos of these roles are no step of the walk."""

READ_RIGHT = 0.97
"""Share of legible boards that say of their photo what they seem to say (sight's own reading aside)."""

_NEVER = 1e-6
"""Likelihood of a step that contradicts what is stated; above zero so that a wrong label cannot stop the walk."""

_SCENE_TRUST = 0.85
"""Power on the network's opinion: neighbouring pictures are alike, so its errors come in runs."""

CHALK_USUAL = 0.15
"""Share of photos with a chalked square in them: what seeing one is measured against."""

_SIDES = 4
_ROLES = 6
_COMPONENTS = 20
"""How many values a facet usually has to choose from: what a board adds to knowing nothing."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Heard:
    """Likelihoods of one claim's photos, relative to knowing nothing; (photos, steps) each."""

    stated: Floats
    writing: Floats
    pixels: Floats
    off_walk: Floats
    """(photos,): the product of all of them for a photo that is no step of the walk."""

    def together(self, share: float) -> Floats:
        """All of it, with a `share` of photos that belong to no stage."""
        return (1 - share) * self.stated * self.writing * self.pixels + share * self.off_walk[:, None]


@dataclass(frozen=True, kw_only=True, eq=False)
class Listener:
    """Turns what photos say into likelihoods under one walk model."""

    model: WalkModel
    vocabulary: Vocabulary
    shot_head: ShotHead | None = None
    """Tells shots apart by the image network's vector; learned from confirmed photos."""

    @property
    def plan(self) -> WalkPlan:
        """The walk's plan."""
        return self.model.plan

    def listen(
        self,
        photos: Sequence[PhotoRecord],
        readings: Sequence[Reading],
        stated: Sequence[Mapping[Facet, FacetValue]],
    ) -> Heard:
        """Likelihoods of `photos`, their writing and what is stated of each, all of one length."""
        told = [self._stated(facets) for facets in stated]
        written = [self._written(reading) for reading in readings]
        seen = self._pixels(photos)
        off = [t[1] * w[1] * s for t, w, s in zip(told, written, self._pixels_off(photos), strict=True)]
        return Heard(
            stated=np.array([t[0] for t in told]),
            writing=np.array([w[0] for w in written]),
            pixels=seen,
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
        """(steps,): 1 where a step has the value, a little where it leaves the facet open, else 0."""
        if facet is Facet.FACE:
            wild = (self._face == Face.NONE) if value != Face.NONE else np.zeros(len(self._face), dtype=bool)
            return np.where(self._face == value, 1.0, np.where(wild, 0.12, 0.0))
        if facet is Facet.ROLE:
            same = self._role == (DETAIL if value in DETAIL_ROLES else value)
            # a slope, an elevation or an overview can carry a no-damage proof; a board that names the
            # slope stands in its close-ups too
            near = np.isin(self._role, ("slope", "elevation", "overview", DETAIL, "test_square"))
            return np.where(same, 1.0, np.where(near, 0.06, 0.0))
        word = self.vocabulary.word(Facet.COMPONENT, value)
        zone = word.zone.value if word and word.zone else Zone.OUTSIDE.value
        own = self._component == value
        open_ = (self._component == "") & (self._zone == zone)
        return np.where(own, 1.0, np.where(open_, 0.3 if own.any() else 0.8, 0.0))

    # --- sources -------------------------------------------------------------------------

    def _stated(self, facets: Mapping[Facet, FacetValue]) -> tuple[Floats, float]:
        likely, off = np.ones(len(self.plan.steps)), 1.0
        for facet in (Facet.FACE, Facet.ROLE, Facet.COMPONENT):
            if facet in facets:
                value = facets[facet].value
                fits = self._fits(facet, value)
                if facet is Facet.ROLE and value != Role.NO_DAMAGE_PROOF:
                    fits = np.floor(fits)  # a stated role is that role
                likely = likely * np.maximum(fits, _NEVER)
                off *= 0.02
        return likely, off

    def _written(self, reading: Reading) -> tuple[Floats, float]:
        likely, off = np.ones(len(self.plan.steps)), 1.0
        choices = {Facet.FACE: _SIDES, Facet.ROLE: _ROLES, Facet.COMPONENT: _COMPONENTS}
        for facet, many in choices.items():
            said = reading.all(facet)
            if not said:
                continue
            mass = [(spoken.value, READ_RIGHT * spoken.sure) for spoken in said]
            total = sum(share for _, share in mass)
            if total > READ_RIGHT:  # two components on one board: either may be meant
                mass = [(value, share * READ_RIGHT / total) for value, share in mass]
                total = READ_RIGHT
            fit = sum(
                (share * many * self._fits(facet, value) for value, share in mass), np.zeros(len(likely))
            )
            likely = likely * (np.asarray(fit) + 1 - total)
            off *= 1 - total + 0.1
        return likely, off

    def _pixels(self, photos: Sequence[PhotoRecord]) -> Floats:
        """(photos, steps): scene kinds, chalk, and the learned head where there is one."""
        scenes = np.array([_scene_odds(photo) for photo in photos])  # (photos, kinds)
        # the learned head hears the same vector as the scene kinds do: what it is trusted, they lose
        trust = _SCENE_TRUST * (1 - (self.shot_head.trust if self.shot_head else 0.0))
        by_shot: Floats = (scenes @ self.model.looks.T) ** trust
        by_shot = by_shot * np.array([self._chalk(photo) for photo in photos])
        if self.shot_head is not None:
            by_shot = by_shot * self.shot_head.odds([photo.look.embedding for photo in photos])
        return by_shot[:, self._kind]

    def _chalk(self, photo: PhotoRecord) -> Floats:
        """(shots,): what seeing, or not seeing, a chalked square says."""
        look = photo.look
        if look.chalk is None and not look.scenes:
            return np.ones(len(self.plan.shots))  # nobody looked
        square = look.chalk.square if look.chalk else 0.0
        expected = self.model.chalk
        odds: Floats = square * expected / CHALK_USUAL + (1 - square) * (1 - expected) / (1 - CHALK_USUAL)
        return odds

    def _pixels_off(self, photos: Sequence[PhotoRecord]) -> list[float]:
        looks = np.array(self.plan.looks["none"])
        return [float((_scene_odds(photo) @ looks) ** _SCENE_TRUST) for photo in photos]


def _scene_odds(photo: PhotoRecord) -> Floats:
    """(kinds,): the network's opinion over knowing nothing; ones when it was not asked."""
    scenes = photo.look.scenes
    if not scenes:
        return np.ones(len(KINDS))
    share = np.array([scenes.get(kind, 0.0) for kind in KINDS])
    odds: Floats = (0.95 * share / max(float(share.sum()), 1e-9) + 0.05 / len(KINDS)) * len(KINDS)
    return odds


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShotHead:
    """A linear softmax from the image network's vector to the shots of the plan."""

    weights: Floats
    """(shots, 1280)."""
    bias: Floats
    """(shots,)."""
    prior: Floats
    """(shots,): how common each shot was among the photos it was fitted on."""
    trust: float
    """Power on its odds, 0 to 1: how far held-out photos bore it out."""

    def odds(self, vectors: Sequence[bytes]) -> Floats:
        """(photos, shots): probability over prior; ones for a photo without a vector."""
        size = self.weights.shape[1]
        known = [len(vector) == 2 * size for vector in vectors]
        out = np.ones((len(vectors), len(self.bias)))
        if any(known):
            rows = np.stack([vector_of(v) for v, ok in zip(vectors, known, strict=True) if ok])
            logits = rows @ self.weights.T + self.bias
            share = np.exp(logits - logits.max(axis=1, keepdims=True))
            share /= share.sum(axis=1, keepdims=True)
            out[np.array(known)] = ((0.97 * share + 0.03 * self.prior) / self.prior) ** self.trust
        return out
