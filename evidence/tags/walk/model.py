"""Transition probabilities of the walk: a hidden Markov model whose states are the steps of the plan.

The transition matrix is built from few numbers, so that little data is enough to learn them: how the kinds
of photo of a stage follow each other (the same at every face), which kind comes first at a stage, and which
place follows which.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from evidence.forward_backward import Floats
from evidence.tags.walk.plan import SCENE_KINDS, PhotoKind, Style, WalkPlan

GAP_EDGES = (2.5, 4.0, 6.0, 8.5, 12.0, 17.0, 24.0, 35.0, 60.0, 120.0, 300.0)
"""Edges in seconds of the bins for times between photos."""
GAP_BINS = len(GAP_EDGES) + 1
NO_GAP = GAP_BINS
"""The bin of an unknown time."""

# Strength of the priors: how many confirmed moves weigh as much as the plan; chosen on simulated walks. Pace is
# what the times of all kinds of photo have in common. Which things are damaged depends on the house, like the
# shape of its roof: two houses without damage say little about the next one.
_MOVE_STRENGTH = 12.0
_PLACE_STRENGTH = 4.0
_STYLE_STRENGTH = 2.0
_ROOF_STRENGTH = 30.0
_LOOK_STRENGTH = 20.0
_GAP_STRENGTH = 100.0
_PACE_STRENGTH = 200.0
_SOUND_STRENGTH = 30.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WalkCounts:
    """Expected counts from confirmed walks; all zero before anything was learned."""

    within: Floats
    """(kinds, longest stage + 1): moves from a kind of photo to one of its stage; the last column is leaving."""
    opens: Floats
    """(kinds,): how often each was the first at its stage."""
    places: Floats
    """(styles, places, places): moves from place to place on walks of each style."""
    starts: Floats
    """(styles, places): the first place of a walk."""
    styles: Floats
    """(styles,): walks of each style."""
    gaps: Floats
    """(2 * kinds + 2, GAP_BINS): times between photos, by class of move; see `WalkModel.classes`."""
    looks: Floats
    """(kinds, scene kinds)."""
    chalk: Floats
    """(kinds, 2): chalked square not seen, seen."""
    sound: Floats
    """(kinds, 2): damaged, undamaged."""

    @classmethod
    def zeros(cls, plan: WalkPlan) -> WalkCounts:
        """No counts at all."""
        kinds, places = len(plan.photo_kinds), len(plan.places)
        longest = max(len(stage.kinds) for stage in plan.stages)
        return cls(
            within=np.zeros((kinds, longest + 1)),
            opens=np.zeros(kinds),
            places=np.zeros((len(plan.styles), places, places)),
            starts=np.zeros((len(plan.styles), places)),
            styles=np.zeros(len(plan.styles)),
            gaps=np.zeros((2 * kinds + 2, GAP_BINS)),
            looks=np.zeros((kinds, len(SCENE_KINDS))),
            chalk=np.zeros((kinds, 2)),
            sound=np.zeros((kinds, 2)),
        )

    def plus(self, other: WalkCounts) -> WalkCounts:
        """The sum of both."""
        return WalkCounts(**{f.name: getattr(self, f.name) + getattr(other, f.name) for f in fields(self)})

    def without(self, part: WalkCounts) -> WalkCounts:
        """The difference; never below zero."""
        return WalkCounts(
            **{f.name: np.maximum(0.0, getattr(self, f.name) - getattr(part, f.name)) for f in fields(self)}
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class WalkModel:
    """A plan updated by counts: first those of all adjusters, then those of one adjuster."""

    plan: WalkPlan
    counts: tuple[WalkCounts, ...] = ()
    style_indices: tuple[int, ...] | None = None
    """Indices of the plan's styles that are considered; None for all of them."""

    @property
    def styles(self) -> tuple[Style, ...]:
        """The styles that are considered."""
        return tuple(self.plan.styles[k] for k in self._considered)

    @property
    def _considered(self) -> tuple[int, ...]:
        every = tuple(range(len(self.plan.styles)))
        return every if self.style_indices is None else self.style_indices

    def with_shares_above(self, shares: Floats, least: float) -> WalkModel:
        """The same model with those of its styles whose share is at least `least`."""
        return self.repeated([k for k, share in enumerate(shares) if share >= least])

    def repeated(self, indices: list[int]) -> WalkModel:
        """The same model with the styles at these indices; a style may be repeated."""
        model = replace(self, style_indices=tuple(self._considered[k] for k in indices))
        known = {name: self.__dict__[name] for name in _OF_EVERY_STYLE & self.__dict__.keys()}
        known |= {name: self.__dict__[name][indices] for name in _OF_EACH_STYLE & self.__dict__.keys()}
        model.__dict__.update(known)  # computed already, and the same for these styles
        return model

    # --- parameters -----------------------------------------------------------------

    @cached_property
    def within(self) -> Floats:
        """(kinds, longest stage + 1), rows sum to one; columns beyond the kinds of a stage are zero."""
        prior = np.zeros_like(WalkCounts.zeros(self.plan).within)
        row = 0
        for stage in self.plan.stages:
            for place in range(len(stage.kinds)):
                prior[row] = self._onward_within(stage.kinds, place, prior.shape[1])
                row += 1
        return self._updated(prior, "within", _MOVE_STRENGTH)

    def _onward_within(self, kinds: Sequence[PhotoKind], place: int, width: int) -> Floats:
        """Where the plan goes from a kind of photo: again, to a later kind, back to an earlier one, or away."""
        plan, row = self.plan, np.zeros(width)
        here = kinds[place]
        on = 1.0
        for later in range(place + 1, len(kinds)):
            usual = kinds[later].usual
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
        """(kinds,): which kind is the first at its stage; sums to one over each stage."""
        prior, rows = [], []
        for stage in self.plan.stages:
            on, opens = 1.0, []
            for kind in stage.kinds:
                opens.append(on * kind.usual)
                on *= 1 - kind.usual
            share = np.array(opens) / sum(opens)
            prior.append(0.95 * share + 0.05 / len(opens))
        start = 0
        counts = [learned.opens for learned in self.counts]
        for share in prior:
            row = share
            for count in counts:
                row = _dirichlet_mean(row, count[start : start + len(share)], _MOVE_STRENGTH)
            rows.append(row)
            start += len(share)
        return np.concatenate(rows)

    def _updated(self, prior: Floats, name: str, strength: float) -> Floats:
        for learned in self.counts:
            counts: Floats = getattr(learned, name)
            prior = _dirichlet_mean(prior, counts, strength)
        return prior

    def _route(self, which: int, style: Style) -> tuple[Floats, Floats]:
        """(places,) probability of the first place of this style, and (places, places) of the next place."""
        plan, route = self.plan, self.plan.route(style)
        size = len(plan.places)
        usual = [plan.stages[plan.places[place][0]].usual for place in route]
        start = self._next_place(route, usual, -1, size)
        onward = np.stack(
            [self._next_place(route, usual, self._route_index(route, place), size) for place in range(size)]
        )
        np.fill_diagonal(onward, 0.0)
        onward /= onward.sum(axis=1, keepdims=True)
        for learned in self.counts:
            start = _dirichlet_mean(start, learned.starts[which], _PLACE_STRENGTH)
            onward = _dirichlet_mean(onward, learned.places[which], _PLACE_STRENGTH)
        return start, onward

    def _route_index(self, route: Sequence[int], place: int) -> int:
        """Index of a place on the route; a place that is not on it counts as the end of its round."""
        if place in route:
            return route.index(place)
        stage = self.plan.places[place][0]
        return max((k for k, other in enumerate(route) if self.plan.places[other][0] == stage), default=-1)

    def _next_place(self, route: Sequence[int], usual: Sequence[float], at: int, size: int) -> Floats:
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
        """(classes, GAP_BINS + 1): probability of each bin for each class of move; 1 for an unknown time."""
        plan, gaps = self.plan, self.plan.gaps
        within = [kind.before or gaps.same_stage for kind in plan.photo_kinds]
        onward = [max(kind.before or gaps.next_stage, gaps.next_stage) for kind in plan.photo_kinds]
        classes = (gaps.same_shot, *within, *onward, gaps.other_zone)
        prior = np.array([_lognormal_bins(median, spread) for median, spread in classes])
        kinds = len(plan.photo_kinds)
        for learned in self.counts:
            for group in (slice(1, kinds + 1), slice(kinds + 1, 2 * kinds + 1)):
                prior[group] = _rescaled(prior[group], learned.gaps[group])
            prior = _dirichlet_mean(prior, learned.gaps, _GAP_STRENGTH)
        return np.hstack([prior, np.ones((len(prior), 1))])

    @cached_property
    def looks(self) -> Floats:
        """(kinds, scene kinds), rows sum to one."""
        prior = np.array([self.plan.looks[kind.looks] for kind in self.plan.photo_kinds])
        return self._updated(prior, "looks", _LOOK_STRENGTH)

    @cached_property
    def chalk(self) -> Floats:
        """(kinds,): share of photos with a chalked square."""
        prior = np.array([[1 - kind.chalk, kind.chalk] for kind in self.plan.photo_kinds])
        return self._updated(prior, "chalk", _LOOK_STRENGTH)[:, 1]

    @cached_property
    def sound(self) -> Floats:
        """(kinds,): share of things photographed at close range that are undamaged."""
        prior = np.array([[1 - kind.sound, kind.sound] for kind in self.plan.photo_kinds])
        return self._updated(prior, "sound", _SOUND_STRENGTH)[:, 1]

    @cached_property
    def weights(self) -> Floats:
        """(styles,): prior probability of each style, sums to one.

        The direction round the house is the adjuster's habit and learned from few walks; the shape of the roof
        is the house's, and three houses say little about the next one.
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
            for learned in self.counts:
                share = _dirichlet_mean(
                    share, np.bincount(group, learned.styles).astype(np.float64), strength
                )
            weights *= share[group]
        weights /= weights.sum()
        return weights[list(self._considered)]

    # --- transition matrix -----------------------------------------------------------------

    @cached_property
    def classes(self) -> NDArray[np.intp]:
        """(steps, steps): the class of each move, a row of `gaps`.

        The same kind of photo again (0), each kind from another one at its place, each kind from another place
        of its zone, and any kind from another zone (the last).
        """
        steps, kinds = self.plan.steps, len(self.plan.photo_kinds)
        place = np.array([step.place for step in steps])
        zone = np.array([step.zone.value for step in steps])
        kind = np.array([step.kind for step in steps], dtype=np.intp)
        classes = np.broadcast_to(1 + kinds + kind, (len(steps), len(steps))).copy()
        same = place[:, None] == place[None]
        classes[same] = np.broadcast_to(1 + kind, same.shape)[same]
        classes[zone[:, None] != zone[None]] = 2 * kinds + 1
        np.fill_diagonal(classes, 0)
        return classes

    @cached_property
    def starts(self) -> Floats:
        """(styles, steps): the probability of the first step."""
        place = np.array([step.place for step in self.plan.steps])
        return np.stack([start[place] * self._opens_of_steps for start, _ in self._routes])

    @cached_property
    def moves(self) -> Floats:
        """(styles, steps, steps): the probability of each move, whatever the time that it takes."""
        steps = self.plan.steps
        kind = np.array([step.kind for step in steps])
        in_stage = np.array([step.in_stage for step in steps])
        place = np.array([step.place for step in steps])
        stay = np.where(place[:, None] == place[None], self.within[kind][:, in_stage], 0.0)
        leave = self.within[kind, -1]
        return np.stack(
            [
                stay + leave[:, None] * onward[place][:, place] * self._opens_of_steps[None]
                for _, onward in self._routes
            ]
        )

    @cached_property
    def _routes(self) -> list[tuple[Floats, Floats]]:
        return [
            self._route(number, style) for number, style in zip(self._considered, self.styles, strict=True)
        ]

    @cached_property
    def _opens_of_steps(self) -> Floats:
        return self.opens[[step.kind for step in self.plan.steps]]

    def transitions(self, gap: int) -> Floats:
        """(styles, steps, steps): the probability of each move with a time in this bin.

        A claim has times of a few bins only, so each bin's product is computed when it is first asked for. It lies
        together in memory: products of a walk's photos with it would otherwise take four times as long.
        """
        return self._at(gap)[0]

    def stay(self, gap: int) -> Floats:
        """(styles, steps): the probability of staying in the same step."""
        return self._at(gap)[1]

    def _at(self, gap: int) -> tuple[Floats, Floats]:
        if gap not in self._by_gap:
            moves = np.take(self.gaps[:, gap], self.classes) * self.moves
            self._by_gap[gap] = moves, np.diagonal(moves, axis1=1, axis2=2)
        return self._by_gap[gap]

    @cached_property
    def _by_gap(self) -> dict[int, tuple[Floats, Floats]]:
        return {}


_OF_EVERY_STYLE = frozenset(
    {"within", "opens", "gaps", "looks", "chalk", "sound", "classes", "_opens_of_steps"}
)
"""Computed attributes of a model that do not depend on the styles considered."""
_OF_EACH_STYLE = frozenset({"starts", "moves"})
"""Those that hold a part for each style considered."""


def _dirichlet_mean(prior: Floats, counts: Floats, strength: float) -> Floats:
    """Posterior mean of a Dirichlet whose prior weighs `strength` counts; a row without counts is unchanged."""
    total = counts.sum(axis=-1, keepdims=True)
    moved: Floats = (strength * prior + counts) / (strength + total)
    return moved


def _rescaled(prior: Floats, counts: Floats) -> Floats:
    """All rows rescaled together, bin by bin, by the ratio of observed to expected counts."""
    seen, expected = counts.sum(axis=0), counts.sum(axis=1) @ prior
    usual = _PACE_STRENGTH * prior.mean(axis=0)
    return normalised(prior * (usual + seen) / (usual + expected))


def _lognormal_bins(median: float, spread: float) -> list[float]:
    """Probability of each gap bin under a log-normal distribution."""
    at = [
        0.0,
        *(0.5 * (1 + math.erf(math.log(edge / median) / (spread * math.sqrt(2)))) for edge in GAP_EDGES),
        1.0,
    ]
    return [0.95 * (b - a) + 0.05 / GAP_BINS for a, b in pairwise(at)]


def normalised(array: Floats) -> Floats:
    """The array with its last axis scaled to sum to one."""
    shares: Floats = array / np.maximum(array.sum(axis=-1, keepdims=True), 1e-300)
    return shares
