"""Marginals: probabilities of steps added up into probabilities of each facet's values."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from evidence.forward_backward import Floats
from evidence.model import Condition, Face, Facet, FacetValue, PhotoRecord, Role
from evidence.tags.reading.semantics import Reading
from evidence.tags.walk.bearings import overviews
from evidence.tags.walk.emission import BOARD_RIGHT
from evidence.tags.walk.plan import DETAIL, WalkPlan
from evidence.tags.walk.posterior import ClaimPosterior
from evidence.tags.walk.sides import SIDES

Shares = dict[str, float]
"""Probabilities of the values of one facet."""

_MARKS_RIGHT = 0.35
"""Share of counts of chalk marks that equal the number of hits: such a count is only a proposal."""

WALK_FACETS = (Facet.ROLE, Facet.FACE, Facet.COMPONENT)
"""Facets that the steps of the walk have."""


@dataclass(frozen=True, slots=True, eq=False)
class _Values:
    """The value of each step in one facet."""

    values: tuple[str, ...]
    member: Floats
    """(steps, values): 1 where the step has the value."""

    @classmethod
    def of(cls, by_step: Sequence[str]) -> _Values:
        values = tuple(dict.fromkeys(str(value) for value in by_step))
        return cls(values, np.array([[float(value == each) for each in values] for value in by_step]))

    def shares(self, steps: Floats) -> Shares:
        return dict(zip(self.values, (steps @ self.member).tolist(), strict=True))


@dataclass(frozen=True, kw_only=True, eq=False)
class Marginals:
    """Marginals for the photos of one claim."""

    posterior: ClaimPosterior

    @property
    def plan(self) -> WalkPlan:
        """The plan of the walk."""
        return self.posterior.plan

    @cached_property
    def values(self) -> Mapping[Facet, _Values]:
        """The values of each facet of the walk."""
        steps = self.plan.steps
        return {
            Facet.ROLE: _Values.of([step.role for step in steps]),
            Facet.FACE: _Values.of([step.face for step in steps]),
            Facet.COMPONENT: _Values.of([step.component for step in steps]),
        }

    @cached_property
    def overviews(self) -> NDArray[np.bool_]:
        """(steps,): True for an overview of the house from outside."""
        return overviews(self.plan)

    @cached_property
    def is_detail(self) -> Floats:
        """(steps,): 1 for a thing at close range."""
        return np.array([float(step.role == DETAIL) for step in self.plan.steps])

    @cached_property
    def sound(self) -> Floats:
        """(steps,): share of things that are undamaged."""
        sound: Floats = self.posterior.sound[[step.kind for step in self.plan.steps]]
        return sound

    def of_photo(self, reading: Reading, stated: Mapping[Facet, FacetValue]) -> PhotoMarginals:
        """The marginals for a photo with this writing and these stated facets."""
        return PhotoMarginals(claim=self, reading=reading, stated=stated)


@dataclass(frozen=True, kw_only=True, eq=False)
class PhotoMarginals:
    """Marginals for one photo, with its writing and its stated facets."""

    claim: Marginals
    reading: Reading
    stated: Mapping[Facet, FacetValue] = field(default_factory=dict)

    def shares(self, steps: Floats, off: float, sides: Floats | None = None) -> dict[Facet, Shares]:
        """Probabilities of role, face and component; `steps` (steps,), and `off` that it is not part of the walk.

        `sides` (4,) are the probabilities of the sides if it is an overview; None leaves the walk's.
        """
        walked = steps * (1 - off)
        role, face, component = (self.claim.values[facet].shares(walked) for facet in WALK_FACETS)
        if sides is not None:
            self._spread_overviews(walked, sides, face, component)
        detail = walked * self.claim.is_detail
        undamaged = float(detail @ self._undamaged)
        role.pop(DETAIL, None)
        _add(role, Role.NO_DAMAGE_PROOF, undamaged)
        _add(role, Role.CLOSE_UP, float(detail.sum()) - undamaged)
        _add(role, Role.OTHER, off)
        _add(face, Face.NONE, off)
        _add(component, "", off)
        self._fill(face, Facet.FACE, Face.NONE)
        self._fill(component, Facet.COMPONENT, "")
        return {Facet.ROLE: role, Facet.FACE: face, Facet.COMPONENT: component}

    def _spread_overviews(self, walked: Floats, sides: Floats, face: Shares, component: Shares) -> None:
        """Give the probability of overviews to the sides that place and writing show, not to the front alone."""
        likely = sides.copy()
        for written in self.reading.all(Facet.FACE):
            if written.value in SIDES:
                sure = BOARD_RIGHT * written.confidence
                likely *= np.array([sure * len(SIDES) * (side == written.value) + 1 - sure for side in SIDES])
        likely /= likely.sum()
        for n in np.flatnonzero(self.claim.overviews):
            step = self.claim.plan.steps[n]
            share = float(walked[n])
            _add(face, step.face, -share)
            for side, part in zip(SIDES, likely, strict=True):
                _add(face, side, share * float(part))
            if step.component and step.face in SIDES:  # the street is seen from one side only
                elsewhere = share * (1 - float(likely[SIDES.index(step.face)]))
                _add(component, step.component, -elsewhere)
                _add(component, "", elsewhere)

    def _fill(self, shares: Shares, facet: Facet, open_value: str) -> None:
        """Give the share of steps that leave the facet open to the values that writing names."""
        room = shares.get(open_value, 0.0)
        for written in self.reading.all(facet):
            if written.value != open_value:
                part = room * BOARD_RIGHT * written.confidence
                _add(shares, written.value, part)
                shares[open_value] = shares.get(open_value, 0.0) - part

    @cached_property
    def _undamaged(self) -> Floats:
        """(steps,): probability that the thing is undamaged, given what is written or stated of it."""
        odds, sound = self._condition_odds(), self.claim.sound
        share: Floats = sound * odds / (sound * odds + 1 - sound)
        return share

    @property
    def condition_given(self) -> bool:
        """Whether writing, a label or a person gives the condition; pixels and habit do not count."""
        return Facet.CONDITION in self.stated or self.reading.best(Facet.CONDITION) is not None

    def _condition_odds(self) -> float:
        """Odds of no damage over damage, by what is written or stated."""
        value, confidence = None, 0.0
        if Facet.CONDITION in self.stated:
            value, confidence = self.stated[Facet.CONDITION].value, 1.0 - 1e-6
        elif written := self.reading.best(Facet.CONDITION):
            value, confidence = written.value, BOARD_RIGHT * written.confidence
        wrong = 1 - confidence
        if value == Condition.NO_DAMAGE:
            return (1 - wrong / 2) / (wrong / 2)
        return (wrong / 2) / (1 - wrong / 2) if value == Condition.DAMAGE else 1.0

    def condition(self, steps: Floats) -> Shares:
        """Probabilities of damage and no damage; they may add up to less than one, for a whole elevation has neither."""
        written = self.reading.best(Facet.CONDITION)
        if written is not None and written.value in (Condition.DAMAGE, Condition.NO_DAMAGE):
            undamaged = float(steps @ self._undamaged) / max(float(steps.sum()), 1e-300)
            return {written.value: undamaged if written.value == Condition.NO_DAMAGE else 1 - undamaged}
        if written is not None:
            return {written.value: BOARD_RIGHT * written.confidence}
        damaged = (steps * self.claim.is_detail) @ (1 - self.claim.sound)
        return {Condition.DAMAGE.value: float(damaged)}

    def count(self, photo: PhotoRecord, square: float, roof: float) -> Shares:
        """Probabilities of counts from writing or chalk; `square` is the probability of a test square, `roof` of a roof."""
        if written := self.reading.best(Facet.COUNT):
            return {written.value: BOARD_RIGHT * written.confidence}
        chalk = photo.look.chalk
        if chalk is not None and chalk.rings is not None:
            return {str(chalk.rings): _MARKS_RIGHT * roof}
        if chalk is None or chalk.marks is None:
            return {}
        return {str(chalk.marks): _MARKS_RIGHT * square * chalk.square}


def _add(shares: Shares, value: str, share: float) -> None:
    shares[str(value)] = shares.get(str(value), 0.0) + share
