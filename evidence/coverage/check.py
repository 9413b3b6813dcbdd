"""Which required shots a claim's photos satisfy, which only guesses do, and which are missing; pure.

Rule 9: a shot is met only by what persons and labels state. One more photo never takes a shot away from those
that are met, but for the bounds that a list sets (`in_window`, where the inspection itself shifts).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from evidence.coverage.answers import Photos, Place
from evidence.coverage.explain import asked_words
from evidence.coverage.flags import FlagCase, all_flags
from evidence.coverage.match import Seen, inspection, see
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
from evidence.coverage.shots import Condition, ForEach, Shot, ShotList
from evidence.coverage.walk import ShootLine, ToShoot, still_to_shoot
from evidence.model import Claim, PhotoRecord

__all__ = [
    "Candidate",
    "CheckOptions",
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
    seen = [see(photo, options.guess_level) for photo in ordered]
    window = inspection(seen, options)
    shown = tuple(s for s in seen if not s.sheet)
    found = Photos(shots=shots, claim=claim, seen=shown, window=window, options=options)
    case = _Case(photos=found, waivers=tuple(waivers))
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
                window=window,
                options=options,
                elsewhere=used_elsewhere or Elsewhere(),
            )
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    photos: Photos
    waivers: tuple[Waiver, ...]

    def places(self, shot: Shot) -> list[Place]:
        """Where the shot is asked for. Storeys change nothing but for a shot of each storey."""
        options, stories = self.photos.options, self.photos.claim.stories
        match shot.for_each:
            case ForEach.ELEVATION:
                return [Place(face=face) for face in shot.faces if face in options.elevations]
            case ForEach.SLOPE:
                return [Place(face=face) for face in shot.faces if face in options.slopes]
            case ForEach.STRUCTURE:
                return [Place(structure=s) for s in self._structures()] or [Place()]
            case ForEach.STOREY:
                note = "" if stories else "the number of storeys is not known, one is taken"
                return [Place(times=max(1, stories or 1), note=note)]
            case ForEach.ONCE:
                return [Place()]

    def _structures(self) -> list[str]:
        """Structures that some photo of the claim shows, in the vocabulary's order."""
        shown = {seen.component[0] for seen in self.photos.seen}
        return [name for name, _ in self.photos.shots.plain if name in shown]

    def judge(self, shot: Shot, place: Place) -> Item:
        """One shot in one place."""
        if shot.for_each is ForEach.STRUCTURE and not place.structure:
            return _item(shot, place, Status.NOT_NEEDED, "no photo shows another structure")
        answer = self.photos.answer(shot, place)
        if answer.met:
            return _item(shot, place, Status.MET, f"stated by {_photos(len(answer.stated))}", answer.stated)
        if (waiver := self._waiver(shot, place)) is not None:
            why = f"waived by {waiver.by}: {waiver.why}"
            return _item(shot, place, Status.WAIVED, why, answer.stated, answer.guesses)
        if shot.only_when and not any(self._holds(when, place) for when in shot.only_when):
            why = f"asked for only when {' or when '.join(when.words for when in shot.only_when)}"
            return _item(shot, place, Status.NOT_NEEDED, why, answer.stated, answer.guesses)
        if answer.filled:
            why = f"only with guesses: {_photos(len(answer.guesses))} to confirm"
            return _item(shot, place, Status.GUESSED, why, answer.stated, answer.guesses)
        why = self.photos.progress(shot, place, answer.matches)
        near = self.photos.candidates(shot, place, answer.matches)
        return _item(shot, place, Status.MISSING, why, answer.stated, answer.guesses, near)

    def _holds(self, when: Condition, place: Place) -> bool:
        """Whether the condition is so, counting strong guesses: doubt asks for the shot."""
        claim = self.photos.claim
        if when.perils and claim.peril.strip().casefold() not in when.perils:
            return False
        if when.stories_least and (claim.stories or 0) < when.stories_least:
            return False
        return when.criteria is None or self.photos.any_says(when.criteria, place.face)

    def _waiver(self, shot: Shot, place: Place) -> Waiver | None:
        for waiver in self.waivers:
            here = waiver.face in {None, place.face} and waiver.structure in {"", place.structure}
            if waiver.requirement == shot.id and here:
                return waiver
        return None


def _item(
    shot: Shot,
    place: Place,
    status: Status,
    why: str,
    stated: Iterable[Seen] = (),
    guesses: Iterable[Seen] = (),
    candidates: tuple[Candidate, ...] = (),
) -> Item:
    asked = asked_words(shot)
    return Item(
        requirement=shot.id,
        title=shot.title,
        for_each=shot.for_each,
        area=shot.area,
        status=status,
        why=f"{why}; {place.note}" if place.note else why,
        asked=f"for each of {place.times} storeys: {asked}" if place.times > 1 else asked,
        face=place.face,
        structure=place.structure,
        photos=tuple(s.photo.sha256 for s in stated),
        guesses=tuple(s.photo.sha256 for s in guesses),
        candidates=candidates,
    )


def _photos(count: int) -> str:
    return "1 photo" if count == 1 else f"{count} photos"
