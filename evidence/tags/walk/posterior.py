"""One belief about all photos of a claim, and the probability of each facet's values that follows from it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from evidence.model import Condition, Face, Facet, FacetValue, PhotoRecord, Role
from evidence.tags.reading.semantics import Reading
from evidence.tags.walk.bearings import Bearings, bearings, heights, place_steps, plain_front
from evidence.tags.walk.chain import Belief, Between, forward_backward, forward_evidence, gap_bin
from evidence.tags.walk.emission import READ_RIGHT, Heard, Listener
from evidence.tags.walk.model import WalkModel
from evidence.tags.walk.plan import DETAIL, Style, WalkPlan
from evidence.tags.walk.similarity import again_odds, sort_odds

Floats = NDArray[np.float64]
Shares = dict[str, float]

_UNLIKELY = 1e-3
"""Walks, and pairs of a walk and a direction of the front, less likely than this are no longer weighed."""

_MARKS_RIGHT = 0.35
"""How often marks counted by eye of the machine are exactly the hits; it is a proposal."""

GUESSED = (Facet.ROLE, Facet.FACE, Facet.COMPONENT)
"""Facets that the steps of the walk carry."""


@dataclass(frozen=True, slots=True, eq=False)
class _Names:
    """Which value each step has: adds up beliefs by value."""

    values: tuple[str, ...]
    member: Floats
    """(steps, values)."""

    @classmethod
    def of(cls, by_step: Sequence[str]) -> _Names:
        values = tuple(dict.fromkeys(str(value) for value in by_step))
        return cls(values, np.array([[float(value == each) for each in values] for value in by_step]))

    def shares(self, steps: Floats) -> Shares:
        return dict(zip(self.values, (steps @ self.member).tolist(), strict=True))


@dataclass(frozen=True, kw_only=True, eq=False)
class Mind:
    """All that is believed of one claim's photos, source by source."""

    plan: WalkPlan
    styles: tuple[Style, ...]
    """The walks that were weighed."""
    belief: Belief
    heard: Heard
    """What each source says; the pixels' word has the likeness to the claim's other pictures in it."""
    sorts: Floats
    """(photos, steps): what that likeness alone says, over what is usual."""
    together: Floats
    """(photos, steps): the likelihood each photo brought, place left out."""
    place: Floats | None
    """(photos, steps): what place says, the direction of the front weighed; None when it says nothing."""
    front: float | None
    """Degrees the front faces, where one direction clearly wins."""
    sound: Floats
    """(shots,): how often a thing from near is undamaged."""

    @cached_property
    def usual(self) -> Floats:
        """(steps,): how common each step is on this claim; what a source's word is measured against."""
        usual: Floats = self.belief.habit.mean(axis=0)
        return usual

    @cached_property
    def names(self) -> Mapping[Facet, _Names]:
        """The values of each guessed facet, step by step."""
        steps = self.plan.steps
        return {
            Facet.ROLE: _Names.of([step.role for step in steps]),
            Facet.FACE: _Names.of([step.face for step in steps]),
            Facet.COMPONENT: _Names.of([step.component for step in steps]),
        }

    @cached_property
    def is_detail(self) -> Floats:
        """(steps,): 1 for a thing from near."""
        return np.array([float(step.role == DETAIL) for step in self.plan.steps])

    @cached_property
    def step_sound(self) -> Floats:
        """(steps,): how often the thing is undamaged."""
        sound: Floats = self.sound[[step.kind for step in self.plan.steps]]
        return sound

    def off_walk(self, photo: int) -> float:
        """Probability that the photo is no step of the walk."""
        share = self.plan.off_walk * self.heard.off_walk[photo] / self.together[photo]
        return float(self.belief.steps[photo] @ np.minimum(share, 1.0))

    def alone(self, likely: Floats) -> Floats:
        """(steps,): what a likelihood says by itself."""
        share = self.usual * likely
        alone: Floats = share / max(float(share.sum()), 1e-300)
        return alone


def believe(
    listener: Listener,
    photos: Sequence[PhotoRecord],
    readings: Sequence[Reading],
    stated: Sequence[Mapping[Facet, FacetValue]],
) -> Mind:
    """Listen to all sources of one claim's photos, in shooting order; there must be at least one."""
    plan, model = listener.plan, listener.model
    heard = listener.listen(photos, readings, stated)
    together = heard.together(plan.off_walk)
    between = between_photos(photos)
    belief = forward_backward(model, between, together[None])
    vectors = [photo.look.embedding for photo in photos]
    sorts = np.ones_like(together)
    if any(vectors):  # what the first pass makes of the others says what this one is like
        sorts = _sorts(plan, vectors, belief.steps)
        together = together * sorts
        model = model.among(belief.styles, _UNLIKELY)
        belief = forward_backward(model, between, together[None])
    seen = bearings(photos, [reading.compass for reading in readings])
    place, front = None, None
    if not seen.empty:
        belief, model, place, front = _with_place(model, between, together, belief, seen)
    return Mind(
        plan=plan,
        styles=model.styles,
        belief=belief,
        heard=replace(heard, pixels=heard.pixels * sorts),
        sorts=sorts,
        together=together,
        place=place,
        front=front,
        sound=model.sound,
    )


def _sorts(plan: WalkPlan, vectors: Sequence[bytes], steps: Floats) -> Floats:
    """(photos, steps): what the likeness to the claim's other pictures says, where `steps` is believed so far."""
    names = _Names.of([plan.shots[step.kind].looks for step in plan.steps])
    odds: Floats = sort_odds(vectors, steps @ names.member) @ names.member.T
    return odds


def _with_place(
    model: WalkModel, between: Between, together: Floats, belief: Belief, seen: Bearings
) -> tuple[Belief, WalkModel, Floats, float | None]:
    """Weigh every likely walk with every direction of the front, and believe the likely pairs of them."""
    plan = model.plan
    by_front = place_steps(plan, seen)
    model = model.among(belief.styles, _UNLIKELY)
    score = forward_evidence(model, between, together, by_front) + np.log(model.weights)[:, None]
    share = np.exp(score - score.max())
    share /= share.sum()
    walk, front = np.nonzero(share >= min(_UNLIKELY, float(share.max())))
    pairs = model.pairs([int(k) for k in walk])
    heard = together[None] * by_front[front]
    belief = forward_backward(pairs, between, heard)
    height = heights(plan, seen, belief.steps)
    if height is not None:
        belief = forward_backward(pairs, between, heard * height[None])
    place: Floats = np.einsum("s,spn->pn", belief.styles, by_front[front])
    directions = np.bincount(front, belief.styles, minlength=len(by_front)).astype(np.float64)
    return belief, pairs, place if height is None else place * height, plain_front(directions)


def between_photos(photos: Sequence[PhotoRecord]) -> Between:
    """The times between neighbours, and how alike their pictures are."""
    times = [photo.corrected or photo.facts.taken_local for photo in photos]
    return Between(
        gaps=[gap_bin(before, after) for before, after in pairwise(times)],
        again=again_odds([photo.look.embedding for photo in photos]),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Facets:
    """Turns beliefs about steps into shares of each facet's values, for one photo."""

    mind: Mind
    reading: Reading
    stated: Mapping[Facet, FacetValue] = field(default_factory=dict)

    def shares(self, steps: Floats, off: float) -> dict[Facet, Shares]:
        """Shares of role, face and component under a belief (steps,) and a share of being off the walk."""
        walked = steps * (1 - off)
        role, face, component = (self.mind.names[facet].shares(walked) for facet in GUESSED)
        detail = walked * self.mind.is_detail
        whole = float(detail @ self._whole)
        role.pop(DETAIL, None)
        _add(role, Role.NO_DAMAGE_PROOF, whole)
        _add(role, Role.CLOSE_UP, float(detail.sum()) - whole)
        _add(role, Role.OTHER, off)
        _add(face, Face.NONE, off)
        _add(component, "", off)
        self._wild(face, Facet.FACE, Face.NONE)
        self._wild(component, Facet.COMPONENT, "")
        return {Facet.ROLE: role, Facet.FACE: face, Facet.COMPONENT: component}

    def _wild(self, shares: Shares, facet: Facet, open_value: str) -> None:
        """Where the walk leaves a facet open, writing fills it."""
        room = shares.get(open_value, 0.0)
        for spoken in self.reading.all(facet):
            if spoken.value != open_value:
                part = room * READ_RIGHT * spoken.sure
                _add(shares, spoken.value, part)
                shares[open_value] = shares.get(open_value, 0.0) - part

    @cached_property
    def _whole(self) -> Floats:
        """(steps,): how likely the thing is undamaged, given what is written or stated of it."""
        odds, whole = self._condition_odds(), self.mind.step_sound
        share: Floats = whole * odds / (whole * odds + 1 - whole)
        return share

    @property
    def condition_told(self) -> bool:
        """Whether writing, a label or a person speaks of the condition; pixels and habit do not count."""
        return Facet.CONDITION in self.stated or self.reading.best(Facet.CONDITION) is not None

    def _condition_odds(self) -> float:
        """Odds of no damage over damage, as told."""
        value, sure = None, 0.0
        if Facet.CONDITION in self.stated:
            value, sure = self.stated[Facet.CONDITION].value, 1.0 - 1e-6
        elif spoken := self.reading.best(Facet.CONDITION):
            value, sure = spoken.value, READ_RIGHT * spoken.sure
        wrong = 1 - sure
        if value == Condition.NO_DAMAGE:
            return (1 - wrong / 2) / (wrong / 2)
        return (wrong / 2) / (1 - wrong / 2) if value == Condition.DAMAGE else 1.0

    def condition(self, steps: Floats) -> Shares:
        """Shares of damage and no damage; they need not add up to one, a whole elevation says neither."""
        spoken = self.reading.best(Facet.CONDITION)
        if spoken is not None and spoken.value in (Condition.DAMAGE, Condition.NO_DAMAGE):
            whole = float(steps @ self._whole) / max(float(steps.sum()), 1e-300)
            return {spoken.value: whole if spoken.value == Condition.NO_DAMAGE else 1 - whole}
        if spoken is not None:
            return {spoken.value: READ_RIGHT * spoken.sure}
        damaged = (steps * self.mind.is_detail) @ (1 - self.mind.step_sound)
        return {Condition.DAMAGE.value: float(damaged)}

    def count(self, photo: PhotoRecord, square: float) -> Shares:
        """Shares of the counts that writing or marks propose; `square` is the share of a test square."""
        if spoken := self.reading.best(Facet.COUNT):
            return {spoken.value: READ_RIGHT * spoken.sure}
        chalk = photo.look.chalk
        if chalk is None or chalk.marks is None:
            return {}
        return {str(chalk.marks): _MARKS_RIGHT * square * chalk.square}


def _add(shares: Shares, value: str, share: float) -> None:
    shares[str(value)] = shares.get(str(value), 0.0) + share
