"""Which required shots a claim's photos satisfy, which only guesses do, and which are missing; pure.

Rule 9: a shot is met only by what persons and labels state. One more photo never takes a shot away from those
that are met, but for the bounds that a list sets (`in_window`, where the inspection itself shifts).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from evidence.coverage.doubles import enough_apart
from evidence.coverage.explain import asked_words
from evidence.coverage.flags import FlagCase, all_flags
from evidence.coverage.match import (
    Says,
    Seen,
    contradicts,
    for_face,
    for_structure,
    inspection,
    lacks,
    out_of_bounds,
    says,
    see,
    too_poor,
)
from evidence.coverage.report import (
    Candidate,
    CheckOptions,
    CoverageReport,
    Elsewhere,
    Item,
    NearMatch,
    Status,
    Waiver,
)
from evidence.coverage.shots import Condition, Criteria, ForEach, Part, Shot, ShotList, Way
from evidence.coverage.walk import NOTHING, ShootLine, ToShoot, still_to_shoot
from evidence.model import Claim, ClaimId, Face, PhotoRecord, Sha256

__all__ = [
    "Candidate",
    "CheckOptions",
    "ClaimId",
    "CoverageReport",
    "Elsewhere",
    "Item",
    "NearMatch",
    "ShootLine",
    "Status",
    "ToShoot",
    "Waiver",
    "check",
    "still_to_shoot",
]

_CANDIDATES = 3
_MOST_LACKS = 2
"""A photo that lacks more than this is no near candidate."""


def check(
    shots: ShotList,
    photos: Sequence[PhotoRecord],
    claim: Claim,
    *,
    used_elsewhere: Elsewhere | None = None,
    waivers: Sequence[Waiver] = (),
    options: CheckOptions | None = None,
) -> CoverageReport:
    """Judge every shot of the list in every place it is asked for. The order of `photos` does not matter."""
    options = options or CheckOptions()
    ordered = sorted({p.sha256: p for p in photos}.values(), key=lambda p: (p.order, p.sha256))
    seen = [see(photo) for photo in ordered]
    case = _Case(
        shots=shots,
        claim=claim,
        seen=tuple(s for s in seen if not s.sheet),
        window=inspection(seen, options),
        waivers=tuple(waivers),
        options=options,
    )
    items = [case.judge(shot, place) for shot in shots.shots for place in case.places(shot)]
    by_status = {status: tuple(i for i in items if i.status is status) for status in Status}
    return CoverageReport(
        list_id=shots.id,
        list_title=shots.title,
        basis=shots.basis,
        safety=shots.safety,
        met=by_status[Status.MET],
        guessed=by_status[Status.GUESSED],
        missing=by_status[Status.MISSING],
        waived=by_status[Status.WAIVED],
        not_needed=by_status[Status.NOT_NEEDED],
        flags=all_flags(
            FlagCase(
                photos=tuple(seen),
                claim=claim,
                shots=shots,
                items=tuple(items),
                window=case.window,
                options=options,
                elsewhere=used_elsewhere or Elsewhere(),
            )
        ),
    )


@dataclass(frozen=True, slots=True)
class _Place:
    """One place in which a shot is asked for."""

    face: Face | None = None
    structure: str = ""
    times: int = 1
    """How many storeys it is asked for at once."""
    note: str = ""

    def bound(self, criteria: Criteria) -> Criteria:
        return for_structure(for_face(criteria, self.face), self.structure)


@dataclass(frozen=True, slots=True)
class _Answer:
    """The photos that may count for a shot, and whether they suffice."""

    enough: bool
    photos: tuple[Seen, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    shots: ShotList
    claim: Claim
    seen: tuple[Seen, ...]
    """In shooting order, sheets and label cards left out."""
    window: tuple[datetime, datetime] | None
    waivers: tuple[Waiver, ...]
    options: CheckOptions

    def places(self, shot: Shot) -> list[_Place]:
        """Where the shot is asked for. Storeys change nothing but for a shot of each storey."""
        match shot.for_each:
            case ForEach.ELEVATION:
                return [_Place(face=face) for face in shot.faces if face in self.options.elevations]
            case ForEach.SLOPE:
                return [_Place(face=face) for face in shot.faces if face in self.options.slopes]
            case ForEach.STRUCTURE:
                return [_Place(structure=s) for s in self._structures()] or [
                    _Place(note="no other structure")
                ]
            case ForEach.STOREY:
                stories = self.claim.stories
                note = "" if stories else "the number of storeys is not known, one is taken"
                return [_Place(times=max(1, stories or 1), note=note)]
            case ForEach.ONCE:
                return [_Place()]

    def _structures(self) -> list[str]:
        """Structures that some photo of the claim shows, in the vocabulary's order."""
        shown = {
            s.component.value
            for s in self.seen
            if s.component and (s.component.stated or s.component.confidence >= self.options.guess_level)
        }
        return [name for name, _ in self.shots.plain if name in shown]

    def judge(self, shot: Shot, place: _Place) -> Item:
        """One shot in one place."""
        if shot.for_each is ForEach.STRUCTURE and not place.structure:
            return self._item(shot, place, Status.NOT_NEEDED, "no photo shows another structure")
        able = self._able(shot, place)
        stated = self._answer(shot, place, able, Says.STATED)
        if stated.enough:
            return self._item(shot, place, Status.MET, self._why_met(stated), stated=stated.photos)
        if (waiver := self._waiver(shot, place)) is not None:
            return self._item(
                shot, place, Status.WAIVED, f"waived by {waiver.by}: {waiver.why}", stated.photos
            )
        if shot.only_when and not any(self._holds(when, place) for when in shot.only_when):
            why = f"asked for only when {' or when '.join(when.words for when in shot.only_when)}"
            return self._item(shot, place, Status.NOT_NEEDED, why, stated.photos)
        both = self._answer(shot, place, able, Says.GUESSED)
        guesses = tuple(s for s in both.photos if s not in stated.photos)
        if both.enough:
            why = f"only with guesses: {_photos(len(guesses))} to confirm"
            return self._item(shot, place, Status.GUESSED, why, stated.photos, guesses)
        why = self._why_missing(shot, place, able)
        near = self._candidates(shot, place, {s.photo.sha256 for s in both.photos})
        return self._item(shot, place, Status.MISSING, why, stated.photos, guesses, near)

    def _item(
        self,
        shot: Shot,
        place: _Place,
        status: Status,
        why: str,
        stated: Iterable[Seen] = (),
        guesses: Iterable[Seen] = (),
        candidates: tuple[Candidate, ...] = (),
    ) -> Item:
        asked = asked_words(shot)
        if place.times > 1:
            asked = f"for each of {place.times} storeys: {asked}"
        return Item(
            requirement=shot.id,
            title=shot.title,
            for_each=shot.for_each,
            area=shot.area,
            status=status,
            why=f"{why}; {place.note}" if place.note else why,
            asked=asked,
            face=place.face,
            structure=place.structure,
            photos=tuple(s.photo.sha256 for s in stated),
            guesses=tuple(s.photo.sha256 for s in guesses),
            candidates=candidates,
        )

    # --- which photos may count ----------------------------------------------------------

    def _able(self, shot: Shot, place: _Place) -> list[Seen]:
        """Photos good enough and within the bounds, whatever they show."""
        return [seen for seen in self.seen if not self._unfit(seen, shot, place)]

    def _unfit(self, seen: Seen, shot: Shot, place: _Place) -> list[str]:
        if seen.broken:
            return [seen.broken]
        found = [*too_poor(seen, shot.quality), *out_of_bounds(seen, shot.bounds, self.claim, self.window)]
        if shot.bounds.after and not self._comes_after(seen, shot.bounds.after, place):
            found.append(f"not taken after {shot.bounds.after.replace('_', ' ')}")
        return found

    def _comes_after(self, seen: Seen, other_id: str, place: _Place) -> bool:
        other = self.shots.shot(other_id)
        if other is None:
            return False
        face = place.face if other.for_each in {ForEach.ELEVATION, ForEach.SLOPE} else None
        wanted = [for_face(part.criteria, face) for way in other.ways for part in way.parts]
        return any(
            s.photo.order < seen.photo.order and says(c, s, self.options.guess_level)
            for s in self.seen
            for c in wanted
        )

    # --- whether they suffice ------------------------------------------------------------

    def _answer(self, shot: Shot, place: _Place, able: Sequence[Seen], firmly: Says) -> _Answer:
        """Whether some way is satisfied by photos that say it at least so firmly, and all that say part of one."""
        found: dict[Sha256, Seen] = {}
        enough = False
        for way in shot.ways:
            for group in _days(able) if shot.bounds.same_day else [list(able)]:
                sets = [self._matching(part, place, group, firmly) for part in way.parts]
                found |= {s.photo.sha256: s for matching in sets for s in matching}
                enough = enough or all(
                    self._apart(matching, part.least * place.times)
                    for part, matching in zip(way.parts, sets, strict=True)
                )
        ordered = sorted(found.values(), key=lambda s: (s.photo.order, s.photo.sha256))
        return _Answer(enough, tuple(ordered))

    def _matching(self, part: Part, place: _Place, able: Sequence[Seen], firmly: Says) -> list[Seen]:
        criteria = place.bound(part.criteria)
        return [s for s in able if says(criteria, s, self.options.guess_level) >= firmly]

    def _apart(self, photos: Sequence[Seen], wanted: int) -> bool:
        if len(photos) < wanted:
            return False
        return wanted == 1 or enough_apart([s.code for s in photos], self.options.double_bits, wanted)

    def _holds(self, when: Condition, place: _Place) -> bool:
        """Whether the condition is so, counting strong guesses: doubt asks for the shot."""
        if when.perils and self.claim.peril.strip().casefold() not in when.perils:
            return False
        if when.stories_least and (self.claim.stories or 0) < when.stories_least:
            return False
        if when.criteria is None:
            return True
        criteria = for_face(when.criteria, place.face if when.criteria.faces is None else None)
        return any(says(criteria, s, self.options.guess_level) for s in self.seen)

    def _waiver(self, shot: Shot, place: _Place) -> Waiver | None:
        for waiver in self.waivers:
            if waiver.requirement != shot.id:
                continue
            if waiver.face in {None, place.face} and waiver.structure in {"", place.structure}:
                return waiver
        return None

    # --- words ---------------------------------------------------------------------------

    def _why_met(self, answer: _Answer) -> str:
        return f"stated by {_photos(len(answer.photos))}"

    def _why_missing(self, shot: Shot, place: _Place, able: Sequence[Seen]) -> str:
        """How far the best way has come."""
        said = [self._progress(way, place, able) for way in shot.ways]
        begun = [words for has, words in said if has]
        if not begun:
            return NOTHING
        return "; or ".join(begun)

    def _progress(self, way: Way, place: _Place, able: Sequence[Seen]) -> tuple[bool, str]:
        words, begun = [], False
        for part in way.parts:
            matching = self._matching(part, place, able, Says.GUESSED)
            wanted = part.least * place.times
            distinct = self._distinct(matching, wanted)
            begun = begun or distinct > 0
            name = part.title or part.criteria.words or "photos"
            alike = (
                f" ({len(matching)} photos, some nearly alike)" if len(matching) > distinct < wanted else ""
            )
            words.append(f"{distinct} of {wanted} {name}{alike}")
        return begun, ", ".join(words)

    def _distinct(self, photos: Sequence[Seen], most: int) -> int:
        return next((n for n in range(min(most, len(photos)), 0, -1) if self._apart(photos, n)), 0)

    def _candidates(self, shot: Shot, place: _Place, matching: set[Sha256]) -> tuple[Candidate, ...]:
        """The photos that lack the least; none of those that say it already and merely are too few."""
        wanted = [place.bound(part.criteria) for way in shot.ways for part in way.parts]
        found: list[tuple[int, int, Candidate]] = []
        for seen in self.seen:
            if seen.photo.sha256 in matching:
                continue
            if all(contradicts(c, seen) for c in wanted):
                continue
            missing = min(
                (lacks(c, seen, self.options.guess_level) for c in wanted if not contradicts(c, seen)),
                key=len,
            )
            if len(missing) > _MOST_LACKS or all(len(missing) >= _asked(c) for c in wanted):
                continue
            missing = [*missing, *self._unfit(seen, shot, place)]
            if len(missing) <= _MOST_LACKS:
                candidate = Candidate(photo=seen.photo.sha256, lacks=tuple(missing))
                found.append((len(missing), seen.photo.order, candidate))
        return tuple(candidate for _, _, candidate in sorted(found, key=lambda f: f[:2])[:_CANDIDATES])


def _asked(criteria: Criteria) -> int:
    """How many facets the criteria speak of."""
    asked = (criteria.roles, criteria.faces, criteria.components, criteria.conditions, criteria.count_least)
    return sum(part is not None for part in asked)


def _days(photos: Sequence[Seen]) -> Iterator[list[Seen]]:
    """The photos of each calendar day; those without a time are of none."""
    days: dict[date, list[Seen]] = {}
    for seen in photos:
        if seen.taken is not None:
            days.setdefault(seen.taken.date(), []).append(seen)
    yield from days.values()


def _photos(count: int) -> str:
    return "1 photo" if count == 1 else f"{count} photos"
