"""The walk round a house as a hidden Markov model: which shot of which stage at which face each photo is.

The transition matrix is put together from few numbers, so that little data moves it: how the shots of a
stage follow each other (the same at every face), which shot opens a stage, and which stop follows which.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from evidence.tags.walk.plan import KINDS, Shot, Style, WalkPlan

Floats = NDArray[np.float64]

GAP_EDGES = (2.5, 4.0, 6.0, 8.5, 12.0, 17.0, 24.0, 35.0, 60.0, 120.0, 300.0)
"""Seconds; the times between photos are told apart as finely as the classes of moves differ."""
GAP_BINS = len(GAP_EDGES) + 1
NO_GAP = GAP_BINS
"""The bin of a gap that nobody knows."""

# How many confirmed moves weigh as much as what the plan says; chosen on simulated walks. Pace is what the
# times of all shots have in common. Which things are damaged is the house's, like its roof: two houses
# without damage say little of the next one.
_MOVE_STRENGTH = 12.0
_PLACE_STRENGTH = 4.0
_STYLE_STRENGTH = 2.0
_ROOF_STRENGTH = 30.0
_LOOK_STRENGTH = 20.0
_GAP_STRENGTH = 100.0
_PACE_STRENGTH = 200.0
_SOUND_STRENGTH = 30.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Habits:
    """What confirmed walks showed, as (soft) counts; zero everywhere before anything was learned."""

    within: Floats
    """(shots, longest stage + 1): from a shot to a shot of its stage; the last column is leaving."""
    opens: Floats
    """(shots,): which shot opened its stage."""
    places: Floats
    """(styles, places, places): which stop followed which on walks of each style."""
    starts: Floats
    """(styles, places): the first stop."""
    styles: Floats
    """(styles,): walks of each style."""
    gaps: Floats
    """(2 * shots + 2, GAP_BINS): times between photos, by class of move; see `WalkModel.classes`."""
    looks: Floats
    """(shots, scene kinds)."""
    chalk: Floats
    """(shots, 2): chalked square not seen, seen."""
    sound: Floats
    """(shots, 2): damaged, undamaged."""

    @classmethod
    def none(cls, plan: WalkPlan) -> Habits:
        """No experience at all."""
        shots, places = len(plan.shots), len(plan.places)
        longest = max(len(stage.shots) for stage in plan.stages)
        return cls(
            within=np.zeros((shots, longest + 1)),
            opens=np.zeros(shots),
            places=np.zeros((len(plan.styles), places, places)),
            starts=np.zeros((len(plan.styles), places)),
            styles=np.zeros(len(plan.styles)),
            gaps=np.zeros((2 * shots + 2, GAP_BINS)),
            looks=np.zeros((shots, len(KINDS))),
            chalk=np.zeros((shots, 2)),
            sound=np.zeros((shots, 2)),
        )

    def plus(self, other: Habits) -> Habits:
        """Both experiences together."""
        return Habits(**{f.name: getattr(self, f.name) + getattr(other, f.name) for f in fields(self)})

    def without(self, part: Habits) -> Habits:
        """The experience that is left when a part of it is taken out; never below zero."""
        return Habits(
            **{f.name: np.maximum(0.0, getattr(self, f.name) - getattr(part, f.name)) for f in fields(self)}
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class WalkModel:
    """A plan moved by experience: first everyone's, then one adjuster's own on top of it."""

    plan: WalkPlan
    habits: tuple[Habits, ...] = ()
    kept: tuple[int, ...] | None = None
    """The plan's styles still thought possible; None for all of them."""

    @property
    def styles(self) -> tuple[Style, ...]:
        """The walks that are weighed against each other."""
        return self.plan.styles if self.kept is None else tuple(self.plan.styles[k] for k in self.kept)

    def among(self, shares: Floats, least: float) -> WalkModel:
        """The same model over those of its styles that have at least a share of `least`."""
        kept = self.kept if self.kept is not None else tuple(range(len(self.plan.styles)))
        return replace(self, kept=tuple(k for k, share in zip(kept, shares, strict=True) if share >= least))

    def pairs(self, walks: Sequence[int]) -> WalkModel:
        """The same model over these of its walks, where a walk may come more than once."""
        kept = self.kept if self.kept is not None else tuple(range(len(self.plan.styles)))
        return replace(self, kept=tuple(kept[k] for k in walks))

    # --- the few numbers -----------------------------------------------------------------

    @cached_property
    def within(self) -> Floats:
        """(shots, longest stage + 1), rows sum to one; columns past a stage's own shots are zero."""
        prior = np.zeros_like(Habits.none(self.plan).within)
        row = 0
        for stage in self.plan.stages:
            for place in range(len(stage.shots)):
                prior[row] = self._leave(stage.shots, place, prior.shape[1])
                row += 1
        return self._moved(prior, "within", _MOVE_STRENGTH)

    def _leave(self, shots: Sequence[Shot], place: int, width: int) -> Floats:
        """Where the plan goes from a shot: again, onward past shots that are left out, back, or away."""
        plan, row = self.plan, np.zeros(width)
        here = shots[place]
        on = 1.0
        for later in range(place + 1, len(shots)):
            usual = shots[later].usual
            row[later] = on * usual
            on *= 1 - usual
        row[-1] = on
        row *= 1 - plan.leave
        row[-1] += plan.leave
        if place:
            row *= 1 - plan.back
            row[:place] += plan.back / place
        again = here.again
        row *= 1 - again
        row[place] = again
        return row

    @cached_property
    def opens(self) -> Floats:
        """(shots,): sums to one over each stage."""
        prior, rows = [], []
        for stage in self.plan.stages:
            on, opens = 1.0, []
            for shot in stage.shots:
                opens.append(on * shot.usual)
                on *= 1 - shot.usual
            share = np.array(opens) / sum(opens)
            prior.append(0.95 * share + 0.05 / len(opens))
        start = 0
        counts = [habit.opens for habit in self.habits]
        for share in prior:
            row = share
            for count in counts:
                row = _posterior(row, count[start : start + len(share)], _MOVE_STRENGTH)
            rows.append(row)
            start += len(share)
        return np.concatenate(rows)

    def _moved(self, prior: Floats, name: str, strength: float) -> Floats:
        for habit in self.habits:
            counts: Floats = getattr(habit, name)
            prior = _posterior(prior, counts, strength)
        return prior

    def _route(self, which: int, style: Style) -> tuple[Floats, Floats]:
        """(places,) where a walk of this style begins, and (places, places) where it goes on."""
        plan, route = self.plan, self.plan.route(style)
        size = len(plan.places)
        usual = [plan.stages[plan.places[place][0]].usual for place in route]
        start = self._onward(route, usual, -1, size)
        onward = np.stack([self._onward(route, usual, self._at(route, place), size) for place in range(size)])
        np.fill_diagonal(onward, 0.0)
        onward /= onward.sum(axis=1, keepdims=True)
        for habit in self.habits:
            start = _posterior(start, habit.starts[which], _PLACE_STRENGTH)
            onward = _posterior(onward, habit.places[which], _PLACE_STRENGTH)
        return start, onward

    def _at(self, route: Sequence[int], place: int) -> int:
        """How far along the route a stop is; one that the route passes over counts as the end of its round."""
        if place in route:
            return route.index(place)
        stage = self.plan.places[place][0]
        return max((k for k, other in enumerate(route) if self.plan.places[other][0] == stage), default=-1)

    def _onward(self, route: Sequence[int], usual: Sequence[float], at: int, size: int) -> Floats:
        row: Floats = np.zeros(size)
        on = 1.0
        for later in range(at + 1, len(route)):
            row[route[later]] = on * usual[later]
            on *= 1 - usual[later]
        total = float(row.sum())
        if total == 0:
            return np.full(size, 1.0 / size)
        return (1 - self.plan.jump) * row / total + self.plan.jump / size

    @cached_property
    def gaps(self) -> Floats:
        """(classes, GAP_BINS + 1): probability of each bin for each class of move; 1 for a gap nobody knows."""
        plan, gaps = self.plan, self.plan.gaps
        within = [shot.before or gaps.same_stage for shot in plan.shots]
        onward = [max(shot.before or gaps.next_stage, gaps.next_stage) for shot in plan.shots]
        classes = (gaps.same_shot, *within, *onward, gaps.other_zone)
        prior = np.array([_lognormal_bins(median, spread) for median, spread in classes])
        shots = len(plan.shots)
        for habit in self.habits:
            for group in (slice(1, shots + 1), slice(shots + 1, 2 * shots + 1)):
                prior[group] = _paced(prior[group], habit.gaps[group])
            prior = _posterior(prior, habit.gaps, _GAP_STRENGTH)
        return np.hstack([prior, np.ones((len(prior), 1))])

    @cached_property
    def looks(self) -> Floats:
        """(shots, scene kinds), rows sum to one."""
        prior = np.array([self.plan.looks[shot.looks] for shot in self.plan.shots])
        return self._moved(prior, "looks", _LOOK_STRENGTH)

    @cached_property
    def chalk(self) -> Floats:
        """(shots,): how often a chalked square is seen."""
        prior = np.array([[1 - shot.chalk, shot.chalk] for shot in self.plan.shots])
        return self._moved(prior, "chalk", _LOOK_STRENGTH)[:, 1]

    @cached_property
    def sound(self) -> Floats:
        """(shots,): how often a thing photographed from near is undamaged."""
        prior = np.array([[1 - shot.sound, shot.sound] for shot in self.plan.shots])
        return self._moved(prior, "sound", _SOUND_STRENGTH)[:, 1]

    @cached_property
    def weights(self) -> Floats:
        """(styles,): how common each walk is, sums to one.

        The way round is the adjuster's and soon learned; the shape of the roof is the house's, and three
        houses say little of the next one.
        """
        styles = self.plan.styles
        prior = np.array([style.weight for style in styles])
        weights = np.ones(len(styles))
        for names, strength in (
            ([style.name for style in styles], _STYLE_STRENGTH),
            (["/".join(sorted(style.slopes)) for style in styles], _ROOF_STRENGTH),
        ):
            group = np.unique(names, return_inverse=True)[1]
            share = np.bincount(group, prior) / prior.sum()
            for habit in self.habits:
                share = _posterior(share, np.bincount(group, habit.styles).astype(np.float64), strength)
            weights *= share[group]
        weights /= weights.sum()
        return weights if self.kept is None else weights[list(self.kept)]

    # --- the whole chain -----------------------------------------------------------------

    @cached_property
    def classes(self) -> NDArray[np.intp]:
        """(steps, steps): the class of each move, a row of `gaps`.

        The same shot again (0), each shot from another one of its stop, each shot from another stop of its
        zone, and any shot from another zone (the last).
        """
        steps, shots = self.plan.steps, len(self.plan.shots)
        place = np.array([step.place for step in steps])
        zone = np.array([step.zone.value for step in steps])
        kind = np.array([step.kind for step in steps], dtype=np.intp)
        classes = np.broadcast_to(1 + shots + kind, (len(steps), len(steps))).copy()
        same = place[:, None] == place[None]
        classes[same] = np.broadcast_to(1 + kind, same.shape)[same]
        classes[zone[:, None] != zone[None]] = 2 * shots + 1
        np.fill_diagonal(classes, 0)
        return classes

    @cached_property
    def chain(self) -> tuple[Floats, Floats]:
        """(styles, steps) where walks start, and (bins, styles, steps, steps) where they go, by gap."""
        steps = self.plan.steps
        kind = np.array([step.kind for step in steps])
        shot = np.array([step.shot for step in steps])
        place = np.array([step.place for step in steps])
        same = place[:, None] == place[None]
        stay = np.where(same, self.within[kind][:, shot], 0.0)
        leave, opens = self.within[kind, -1], self.opens[kind]
        starts, moves = [], []
        which = self.kept if self.kept is not None else range(len(self.plan.styles))
        for number, style in zip(which, self.styles, strict=True):
            start, onward = self._route(number, style)
            starts.append(start[place] * opens)
            moves.append(stay + leave[:, None] * onward[place][:, place] * opens[None])
        by_gap = self.gaps.T[:, self.classes]  # (bins, steps, steps)
        return np.stack(starts), by_gap[:, None] * np.stack(moves)[None]

    @cached_property
    def stay(self) -> Floats:
        """(bins, styles, steps): the chain's chance of the same shot again."""
        return np.diagonal(self.chain[1], axis1=2, axis2=3)


def _posterior(prior: Floats, counts: Floats, strength: float) -> Floats:
    """Mean of a Dirichlet whose prior weighs `strength` counts; a row without counts stays as it is."""
    total = counts.sum(axis=-1, keepdims=True)
    moved: Floats = (strength * prior + counts) / (strength + total)
    return moved


def _paced(prior: Floats, counts: Floats) -> Floats:
    """Rows moved together by how their counts differ, bin by bin, from what the rows would expect."""
    seen, expected = counts.sum(axis=0), counts.sum(axis=1) @ prior
    usual = _PACE_STRENGTH * prior.mean(axis=0)
    return in_rows(prior * (usual + seen) / (usual + expected))


def _lognormal_bins(median: float, spread: float) -> list[float]:
    """Probability of each gap bin under a log-normal distribution."""
    at = [
        0.0,
        *(0.5 * (1 + math.erf(math.log(edge / median) / (spread * math.sqrt(2)))) for edge in GAP_EDGES),
        1.0,
    ]
    return [0.95 * (b - a) + 0.05 / GAP_BINS for a, b in pairwise(at)]


def in_rows(array: Floats) -> Floats:
    """The array with its last axis scaled to sum to one."""
    shares: Floats = array / np.maximum(array.sum(axis=-1, keepdims=True), 1e-300)
    return shares
