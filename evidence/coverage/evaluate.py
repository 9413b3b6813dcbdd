"""Whether a claim's photos satisfy one required shot in one place, and what the nearest ones lack."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime

from evidence.coverage.doubles import has_distinct
from evidence.coverage.match import (
    Match,
    TaggedPhoto,
    below_floor,
    contradicts,
    for_face,
    for_structure,
    match_of,
    missing_facets,
    missing_words,
    out_of_bounds,
)
from evidence.coverage.report import Candidate, CheckOptions
from evidence.coverage.shots import Criteria, ForEach, Part, Shot, ShotList, Way
from evidence.coverage.to_shoot import NOTHING
from evidence.model import Claim, Face, Facet, Sha256

_CANDIDATES = 3
_MOST_LACKS = 2
"""A photo that lacks more facets than this is not a candidate."""


@dataclass(frozen=True, slots=True)
class ShotPlace:
    """One place in which a shot is asked for."""

    face: Face | None = None
    structure: str = ""
    times: int = 1
    """Number of storeys it is asked for."""
    note: str = ""

    def criteria_here(self, criteria: Criteria) -> Criteria:
        """The criteria with this face or structure filled in."""
        return for_structure(for_face(criteria, self.face), self.structure)


Matches = dict[Part, list[tuple[TaggedPhoto, Match]]]
"""For each part of a shot the photos that fit it, in shooting order, and how each matches."""


@dataclass(frozen=True, slots=True)
class Evaluation:
    """The result for one shot in one place."""

    stated: tuple[TaggedPhoto, ...]
    """Photos that state what some part of the shot asks for."""
    guesses: tuple[TaggedPhoto, ...]
    """Photos for which that is only guessed."""
    met: bool
    """The stated photos are enough."""
    filled: bool
    """Stated and guessed photos together are enough."""
    matches: Matches


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimPhotos:
    """A claim's photos in shooting order, without sheets and label cards."""

    shots: ShotList
    claim: Claim
    seen: tuple[TaggedPhoto, ...]
    window: tuple[datetime, datetime] | None
    options: CheckOptions
    _by_face: dict[str | None, list[TaggedPhoto]] = field(default_factory=dict)

    def on_face(self, face: Face | None) -> Sequence[TaggedPhoto]:
        """Photos tagged with this face; all photos for None."""
        if face is None:
            return self.seen
        if not self._by_face:
            for seen in self.seen:
                self._by_face.setdefault(seen.face[0], []).append(seen)
        return self._by_face.get(face, ())

    def any_matches(self, criteria: Criteria, face: Face | None) -> bool:
        """True when some photo matches, even by a strong guess; only photos of `face`, unless the criteria name faces."""
        if criteria.faces is not None:
            face = None
        return any(match_of(criteria, seen) for seen in self.on_face(face))

    def evaluate(self, shot: Shot, place: ShotPlace) -> Evaluation:
        """Evaluate all ways to satisfy the shot in this place."""
        matches = self._matches(shot, place)
        strongest: dict[Sha256, tuple[TaggedPhoto, Match]] = {}
        for found in matches.values():
            for seen, match in found:
                known = strongest.get(seen.photo.sha256, (seen, Match.NO))[1]
                strongest[seen.photo.sha256] = seen, max(match, known)
        ordered = sorted(strongest.values(), key=lambda f: (f[0].photo.order, f[0].photo.sha256))
        met = any(self._satisfied(way, shot, place, matches, Match.STATED) for way in shot.ways)
        return Evaluation(
            stated=tuple(seen for seen, match in ordered if match is Match.STATED),
            guesses=tuple(seen for seen, match in ordered if match is Match.GUESSED),
            met=met,
            filled=met or any(self._satisfied(way, shot, place, matches, Match.GUESSED) for way in shot.ways),
            matches=matches,
        )

    def progress(self, shot: Shot, place: ShotPlace, matches: Matches) -> str:
        """How many photos of each way exist already, in words."""
        said = [self._progress(way, shot, place, matches) for way in shot.ways]
        return "; or ".join(words for begun, words in said if begun) or NOTHING

    def candidates(self, shot: Shot, place: ShotPlace, matches: Matches) -> tuple[Candidate, ...]:
        """The photos that lack the fewest facets; first those that match fully but do not count.

        Photos that count already are left out.
        """
        parts = [place.criteria_here(part.criteria) for way in shot.ways for part in way.parts]
        wanted = [(criteria, _asked(criteria)) for criteria in parts]
        known = {seen.photo.sha256 for found in matches.values() for seen, _ in found}
        near = [
            (len(missing), seen.photo.order, seen, missing)
            for seen in self.seen
            if seen.photo.sha256 not in known and (missing := _least_lacking(wanted, seen)) is not None
        ]
        found: list[Candidate] = []
        for _, _, seen, missing in sorted(near, key=lambda n: n[:2]):
            words = [*(missing_words(facet, seen) for facet in missing), *self.unfit(seen, shot, place)]
            if len(words) <= _MOST_LACKS:
                found.append(Candidate(photo=seen.photo.sha256, lacks=tuple(words)))
            if len(found) == _CANDIDATES:
                break
        return tuple(found)

    # --- which photos count --------------------------------------------------------------

    def _matches(self, shot: Shot, place: ShotPlace) -> Matches:
        matches: Matches = {}
        for part in (part for way in shot.ways for part in way.parts):
            criteria = place.criteria_here(part.criteria)
            found = [(seen, match_of(criteria, seen)) for seen in self.on_face(place.face)]
            matches[part] = [
                (seen, match) for seen, match in found if match and not self.unfit(seen, shot, place)
            ]
        return matches

    def unfit(self, seen: TaggedPhoto, shot: Shot, place: ShotPlace) -> list[str]:
        """Reasons why a photo does not count for the shot, whatever its tags."""
        if seen.broken:
            return [seen.broken]
        found = [*below_floor(seen, shot.quality), *out_of_bounds(seen, shot.bounds, self.claim, self.window)]
        if shot.bounds.after and not self._comes_after(seen, shot.bounds.after, place):
            found.append(f"not taken after {shot.bounds.after.replace('_', ' ')}")
        return found

    def _comes_after(self, seen: TaggedPhoto, other_id: str, place: ShotPlace) -> bool:
        other = self.shots.shot(other_id)
        if other is None:
            return False
        face = place.face if other.for_each in {ForEach.ELEVATION, ForEach.SLOPE} else None
        wanted = [for_face(part.criteria, face) for way in other.ways for part in way.parts]
        return any(
            s.photo.order < seen.photo.order and match_of(criteria, s)
            for s in self.seen
            for criteria in wanted
        )

    # --- whether they suffice ------------------------------------------------------------

    def _satisfied(self, way: Way, shot: Shot, place: ShotPlace, matches: Matches, match: Match) -> bool:
        """Whether every part has its number of distinct photos; all of one day if the shot asks for that."""
        sets = [[seen for seen, how in matches[part] if how >= match] for part in way.parts]
        if not shot.bounds.same_day:
            return self._enough_of_each(way, place, sets)
        return any(
            self._enough_of_each(way, place, [[s for s in found if _day(s) == day] for found in sets])
            for day in _days(sets)
        )

    def _enough_of_each(self, way: Way, place: ShotPlace, sets: Sequence[Sequence[TaggedPhoto]]) -> bool:
        return all(
            self._are_distinct(found, part.least * place.times)
            for part, found in zip(way.parts, sets, strict=True)
        )

    def _are_distinct(self, photos: Sequence[TaggedPhoto], wanted: int) -> bool:
        if len(photos) < wanted:
            return False
        return wanted == 1 or has_distinct([s.code for s in photos], self.options.double_bits, wanted)

    def _progress(self, way: Way, shot: Shot, place: ShotPlace, matches: Matches) -> tuple[bool, str]:
        words, begun = [], False
        for part in way.parts:
            found = [seen for seen, _ in matches[part]]
            wanted = part.least * place.times
            distinct = next(
                (n for n in range(min(wanted, len(found)), 0, -1) if self._are_distinct(found, n)), 0
            )
            begun = begun or distinct > 0
            name = part.title or part.criteria.words or "photos"
            alike = f" from {len(found)} photos, some nearly alike" if len(found) > distinct < wanted else ""
            words.append(f"{distinct} of {wanted} {name}{alike}")
        return begun, ", ".join(words) + (", not all on one day" if shot.bounds.same_day else "")


def _least_lacking(wanted: Sequence[tuple[Criteria, int]], seen: TaggedPhoto) -> list[Facet] | None:
    """The fewest facets that a photo lacks for any of the criteria; None when it shows something else or matches in no facet."""
    best: list[Facet] | None = None
    for criteria, asked in wanted:
        missing = missing_facets(criteria, seen)
        if (
            len(missing) < asked
            and len(missing) <= _MOST_LACKS
            and (best is None or len(missing) < len(best))
        ):
            best = best if contradicts(criteria, seen) else missing
    return best


def _asked(criteria: Criteria) -> int:
    """Number of facets that the criteria name."""
    asked = (criteria.roles, criteria.faces, criteria.components, criteria.conditions, criteria.count_least)
    return sum(part is not None for part in asked)


def _day(seen: TaggedPhoto) -> date | None:
    return seen.taken.date() if seen.taken else None


def _days(sets: Sequence[Sequence[TaggedPhoto]]) -> Iterator[date]:
    """Every calendar day on which one of the photos was taken."""
    yield from sorted({seen.taken.date() for found in sets for seen in found if seen.taken})
