"""Whether a claim's photos suffice for one required shot in one place, and what the nearest ones lack."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime

from evidence.coverage.doubles import enough_apart
from evidence.coverage.match import (
    Says,
    Seen,
    contradicts,
    for_face,
    for_structure,
    lack_words,
    lacks,
    out_of_bounds,
    says,
    too_poor,
)
from evidence.coverage.report import Candidate, CheckOptions
from evidence.coverage.shots import Criteria, ForEach, Part, Shot, ShotList, Way
from evidence.coverage.walk import NOTHING
from evidence.model import Claim, Face, Facet, Sha256

_CANDIDATES = 3
_MOST_LACKS = 2
"""A photo that lacks more than this is no near candidate."""


@dataclass(frozen=True, slots=True)
class Place:
    """One place in which a shot is asked for."""

    face: Face | None = None
    structure: str = ""
    times: int = 1
    """How many storeys it is asked for at once."""
    note: str = ""

    def bound(self, criteria: Criteria) -> Criteria:
        """The criteria as they read here."""
        return for_structure(for_face(criteria, self.face), self.structure)


Matches = dict[Part, list[tuple[Seen, Says]]]
"""For each part of a shot the photos that fit it, in shooting order, and how firmly."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What the photos come to for one shot in one place."""

    stated: tuple[Seen, ...]
    """Photos that state some part of what is asked."""
    guesses: tuple[Seen, ...]
    """Photos of which that is only guessed."""
    met: bool
    """The stated ones suffice."""
    filled: bool
    """All of them suffice."""
    matches: Matches


@dataclass(frozen=True, slots=True, kw_only=True)
class Photos:
    """A claim's photos, sheets and label cards left out, in shooting order."""

    shots: ShotList
    claim: Claim
    seen: tuple[Seen, ...]
    window: tuple[datetime, datetime] | None
    options: CheckOptions
    _by_face: dict[str | None, list[Seen]] = field(default_factory=dict)

    def of(self, face: Face | None) -> Sequence[Seen]:
        """Those that say this face; all for None."""
        if face is None:
            return self.seen
        if not self._by_face:
            for seen in self.seen:
                self._by_face.setdefault(seen.face[0], []).append(seen)
        return self._by_face.get(face, ())

    def any_says(self, criteria: Criteria, face: Face | None) -> bool:
        """True when some photo says it, be it a strong guess; of that face, unless the criteria name one."""
        if criteria.faces is not None:
            face = None
        return any(says(criteria, seen) for seen in self.of(face))

    def answer(self, shot: Shot, place: Place) -> Answer:
        """Whether some way to satisfy the shot is satisfied here."""
        matches = self._matches(shot, place)
        firmest: dict[Sha256, tuple[Seen, Says]] = {}
        for found in matches.values():
            for seen, firmly in found:
                known = firmest.get(seen.photo.sha256, (seen, Says.NO))[1]
                firmest[seen.photo.sha256] = seen, max(firmly, known)
        ordered = sorted(firmest.values(), key=lambda f: (f[0].photo.order, f[0].photo.sha256))
        met = any(self._satisfied(way, shot, place, matches, Says.STATED) for way in shot.ways)
        return Answer(
            stated=tuple(seen for seen, firmly in ordered if firmly is Says.STATED),
            guesses=tuple(seen for seen, firmly in ordered if firmly is Says.GUESSED),
            met=met,
            filled=met or any(self._satisfied(way, shot, place, matches, Says.GUESSED) for way in shot.ways),
            matches=matches,
        )

    def progress(self, shot: Shot, place: Place, matches: Matches) -> str:
        """How far each way that was begun has come."""
        said = [self._progress(way, shot, place, matches) for way in shot.ways]
        return "; or ".join(words for begun, words in said if begun) or NOTHING

    def candidates(self, shot: Shot, place: Place, matches: Matches) -> tuple[Candidate, ...]:
        """The photos that come nearest by what they say, first those that say it all and do not count.

        None of those that count already and merely are too few.
        """
        parts = [place.bound(part.criteria) for way in shot.ways for part in way.parts]
        wanted = [(criteria, _asked(criteria)) for criteria in parts]
        known = {seen.photo.sha256 for found in matches.values() for seen, _ in found}
        near = [
            (len(missing), seen.photo.order, seen, missing)
            for seen in self.seen
            if seen.photo.sha256 not in known and (missing := _least_lacking(wanted, seen)) is not None
        ]
        found: list[Candidate] = []
        for _, _, seen, missing in sorted(near, key=lambda n: n[:2]):
            words = [*(lack_words(facet, seen) for facet in missing), *self._unfit(seen, shot, place)]
            if len(words) <= _MOST_LACKS:
                found.append(Candidate(photo=seen.photo.sha256, lacks=tuple(words)))
            if len(found) == _CANDIDATES:
                break
        return tuple(found)

    # --- which photos count --------------------------------------------------------------

    def _matches(self, shot: Shot, place: Place) -> Matches:
        matches: Matches = {}
        for part in (part for way in shot.ways for part in way.parts):
            criteria = place.bound(part.criteria)
            found = [(seen, says(criteria, seen)) for seen in self.of(place.face)]
            matches[part] = [
                (seen, firmly) for seen, firmly in found if firmly and not self._unfit(seen, shot, place)
            ]
        return matches

    def _unfit(self, seen: Seen, shot: Shot, place: Place) -> list[str]:
        """Why a photo does not count for the shot, whatever it shows."""
        if seen.broken:
            return [seen.broken]
        found = [*too_poor(seen, shot.quality), *out_of_bounds(seen, shot.bounds, self.claim, self.window)]
        if shot.bounds.after and not self._comes_after(seen, shot.bounds.after, place):
            found.append(f"not taken after {shot.bounds.after.replace('_', ' ')}")
        return found

    def _comes_after(self, seen: Seen, other_id: str, place: Place) -> bool:
        other = self.shots.shot(other_id)
        if other is None:
            return False
        face = place.face if other.for_each in {ForEach.ELEVATION, ForEach.SLOPE} else None
        wanted = [for_face(part.criteria, face) for way in other.ways for part in way.parts]
        return any(
            s.photo.order < seen.photo.order and says(criteria, s) for s in self.seen for criteria in wanted
        )

    # --- whether they suffice ------------------------------------------------------------

    def _satisfied(self, way: Way, shot: Shot, place: Place, matches: Matches, firmly: Says) -> bool:
        """Whether every part of the way has its number of distinct photos, of one day if the shot wants that."""
        sets = [[seen for seen, how in matches[part] if how >= firmly] for part in way.parts]
        if not shot.bounds.same_day:
            return self._all_enough(way, place, sets)
        return any(
            self._all_enough(way, place, [[s for s in found if _day(s) == day] for found in sets])
            for day in _days(sets)
        )

    def _all_enough(self, way: Way, place: Place, sets: Sequence[Sequence[Seen]]) -> bool:
        return all(
            self._apart(found, part.least * place.times) for part, found in zip(way.parts, sets, strict=True)
        )

    def _apart(self, photos: Sequence[Seen], wanted: int) -> bool:
        if len(photos) < wanted:
            return False
        return wanted == 1 or enough_apart([s.code for s in photos], self.options.double_bits, wanted)

    def _progress(self, way: Way, shot: Shot, place: Place, matches: Matches) -> tuple[bool, str]:
        words, begun = [], False
        for part in way.parts:
            found = [seen for seen, _ in matches[part]]
            wanted = part.least * place.times
            distinct = next((n for n in range(min(wanted, len(found)), 0, -1) if self._apart(found, n)), 0)
            begun = begun or distinct > 0
            name = part.title or part.criteria.words or "photos"
            alike = f" from {len(found)} photos, some nearly alike" if len(found) > distinct < wanted else ""
            words.append(f"{distinct} of {wanted} {name}{alike}")
        return begun, ", ".join(words) + (", not all on one day" if shot.bounds.same_day else "")


def _least_lacking(wanted: Sequence[tuple[Criteria, int]], seen: Seen) -> list[Facet] | None:
    """What a photo lacks of the nearest criteria; None when it is of something else or has nothing firm to offer."""
    best: list[Facet] | None = None
    for criteria, asked in wanted:
        missing = lacks(criteria, seen)
        if (
            len(missing) < asked
            and len(missing) <= _MOST_LACKS
            and (best is None or len(missing) < len(best))
        ):
            best = best if contradicts(criteria, seen) else missing
    return best


def _asked(criteria: Criteria) -> int:
    """How many facets the criteria speak of."""
    asked = (criteria.roles, criteria.faces, criteria.components, criteria.conditions, criteria.count_least)
    return sum(part is not None for part in asked)


def _day(seen: Seen) -> date | None:
    return seen.taken.date() if seen.taken else None


def _days(sets: Sequence[Sequence[Seen]]) -> Iterator[date]:
    """Every calendar day on which one of the photos was taken."""
    yield from sorted({seen.taken.date() for found in sets for seen in found if seen.taken})
