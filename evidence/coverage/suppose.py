"""What a claim's coverage would be if a person stated more: which photos could meet an unmet shot, and with which words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import prod

from evidence.coverage.check import ListCheck, prepared_check
from evidence.coverage.evaluate import ShotPlace
from evidence.coverage.match import TaggedPhoto, prepared
from evidence.coverage.report import CheckOptions, Item, Waiver
from evidence.coverage.shots import UNSTATED, Criteria, Shot, ShotList
from evidence.model import Claim, Condition, Facet, FacetValue, PhotoRecord, Sha256, Source

UNKNOWN_SHARE = 0.5
"""The probability of a facet for which there is no guess worth the name, but which anybody reads off the photo."""

_READ_OFF = frozenset({Facet.CONDITION, Facet.COUNT})
"""Facets that a person reads off the photo even where nothing was guessed."""

Statements = Mapping[Sha256, Mapping[Facet, str]]
"""For each photo what a person would state of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenFacet:
    """A facet that a shot needs and that nobody has stated yet."""

    facet: Facet
    supposed: str
    """The value with which the photo would count."""
    guess: FacetValue | None
    """The guess that says so; None where the photo has to be looked at."""

    @property
    def share(self) -> float:
        """The probability that the photo counts, as far as this facet goes."""
        return UNKNOWN_SHARE if self.guess is None else self.guess.confidence


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenPhoto:
    """A photo that would count for a shot if its open facets were stated so."""

    photo: Sha256
    order: int
    facets: tuple[OpenFacet, ...]

    @property
    def share(self) -> float:
        """The probability that all of them are so."""
        return prod(one.share for one in self.facets)

    @property
    def statement(self) -> dict[Facet, str]:
        """What a person would state."""
        return {one.facet: one.supposed for one in self.facets}


@dataclass(frozen=True)
class Supposition:
    """One claim, on which statements are tried. `ask_level` is the least probability of a guess that counts as one."""

    shots: ShotList
    photos: Sequence[PhotoRecord]
    claim: Claim
    options: CheckOptions
    waivers: Sequence[Waiver] = ()
    ask_level: float = 0.5

    @cached_property
    def _check(self) -> ListCheck:
        options = replace(self.options, guess_level=self.ask_level)
        return prepared_check(self.shots, self.photos, self.claim, self.waivers, options)[1]

    def would_meet(self, item: Item, stated: Statements) -> bool:
        """Whether the shot would be met, by statements alone, if these were made."""
        found = self._located(item)
        if found is None:
            return False
        shot, place = found
        seen = tuple(
            _with(one, stated[one.photo.sha256], self.ask_level) if one.photo.sha256 in stated else one
            for one in self._check.photos.seen
        )
        return replace(self._check.photos, seen=seen, _by_face={}).evaluate(shot, place).met

    def cheapest(self, item: Item, without: frozenset[Sha256] = frozenset()) -> tuple[OpenPhoto, ...]:
        """The fewest photos to ask about that would meet the shot, most probable first; empty when none would.

        Each of them is needed: without it the others do not meet the shot. Photos in `without` are not asked about.
        """
        found = self._located(item)
        if found is None:
            return ()
        shot, place = found
        best: tuple[OpenPhoto, ...] = ()
        for way in shot.ways:
            known: dict[Sha256, OpenPhoto] = {}
            for part in way.parts:
                for one in self._open(place.criteria_here(part.criteria), shot, place):
                    if one.photo not in without:
                        known.setdefault(one.photo, one)
            chosen = self._fewest(item, sorted(known.values(), key=lambda one: (-one.share, one.order)))
            if chosen and (not best or _cost(chosen) < _cost(best)):
                best = chosen
        return best

    def _fewest(self, item: Item, ranked: Sequence[OpenPhoto]) -> tuple[OpenPhoto, ...]:
        if not ranked or not self.would_meet(item, _said(ranked)):
            return ()
        low, high = 0, len(ranked)  # the first `high` photos meet the shot, the first `low` do not
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if self.would_meet(item, _said(ranked[:middle])) else (middle, high)
        chosen = list(ranked[:high])
        for one in reversed(ranked[: high - 1]):
            rest = [other for other in chosen if other is not one]
            if self.would_meet(item, _said(rest)):
                chosen = rest
        return tuple(chosen)

    def _open(self, criteria: Criteria, shot: Shot, place: ShotPlace) -> Iterator[OpenPhoto]:
        """Photos that would fit these criteria if their open facets were stated."""
        for seen in self._check.photos.seen:
            facets = _open_facets(criteria, seen, self.ask_level)
            if not facets:
                continue
            after = _with(seen, {one.facet: one.supposed for one in facets}, self.ask_level)
            if not self._check.photos.unfit(after, shot, place):
                yield OpenPhoto(photo=seen.photo.sha256, order=seen.photo.order, facets=facets)

    def _located(self, item: Item) -> tuple[Shot, ShotPlace] | None:
        shot = self.shots.shot(item.requirement)
        for place in self._check.places(shot) if shot else ():
            if (place.face, place.structure) == (item.face, item.structure):
                assert shot is not None
                return shot, place
        return None


def _cost(chosen: Sequence[OpenPhoto]) -> tuple[int, float]:
    """Sort key: the fewest questions, then the most probable."""
    return len(chosen), -prod(one.share for one in chosen)


def _said(photos: Sequence[OpenPhoto]) -> dict[Sha256, dict[Facet, str]]:
    return {one.photo: one.statement for one in photos}


def _with(seen: TaggedPhoto, facets: Mapping[Facet, str], level: float) -> TaggedPhoto:
    """The photo with these facets stated by a person."""
    stated = {
        facet: FacetValue(facet=facet, value=value, source=Source.PERSON, confidence=1.0, reason="")
        for facet, value in facets.items()
    }
    return prepared(replace(seen.photo, tags={**seen.photo.tags, **stated}), level)


def _open_facets(criteria: Criteria, seen: TaggedPhoto, level: float) -> tuple[OpenFacet, ...]:
    """The facets to state so that the photo fits; empty when it fits already, or shows something else."""
    found: list[OpenFacet] = []
    for facet, allowed in (
        (Facet.FACE, criteria.faces),
        (Facet.COMPONENT, criteria.components),
        (Facet.ROLE, criteria.roles),
        (Facet.CONDITION, criteria.conditions),
    ):
        if allowed is None:
            continue
        value = seen.photo.tags.get(facet)
        if value is not None and (value.stated or value.confidence >= level):
            if value.value not in allowed:
                return ()
            if not value.stated:
                found.append(OpenFacet(facet=facet, supposed=value.value, guess=value))
        elif UNSTATED not in allowed:
            supposed = _read_off(facet, allowed)
            if supposed is None:
                return ()
            found.append(OpenFacet(facet=facet, supposed=supposed, guess=None))
    if criteria.count_least is not None:
        count = _open_count(criteria, seen, level)
        if count is None:
            return ()
        found += count
    return tuple(found)


def _read_off(facet: Facet, allowed: frozenset[str]) -> str | None:
    if facet not in _READ_OFF:
        return None
    return next((one for one in (Condition.DAMAGE, Condition.NO_DAMAGE) if one in allowed), None)


def _open_count(criteria: Criteria, seen: TaggedPhoto, level: float) -> tuple[OpenFacet, ...] | None:
    """The count to state, none when it is stated and fits; None when it does not fit."""
    value = seen.photo.tags.get(Facet.COUNT)
    fits = value is not None and value.value.isdecimal() and _in_range(criteria, int(value.value))
    if value is not None and (value.stated or value.confidence >= level):
        if not fits:
            return None
        return () if value.stated else (OpenFacet(facet=Facet.COUNT, supposed=value.value, guess=value),)
    if value is not None and fits:
        return (OpenFacet(facet=Facet.COUNT, supposed=value.value, guess=value),)
    return (OpenFacet(facet=Facet.COUNT, supposed=str(criteria.count_least), guess=None),)


def _in_range(criteria: Criteria, count: int) -> bool:
    most = criteria.count_most
    return (criteria.count_least or 0) <= count and (most is None or count <= most)
