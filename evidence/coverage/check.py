"""Checks a claim's photos against a list: which shots are met, only guessed, waived, not needed or missing.

Rule 9: only what people and label cards state meets a shot. Adding a photo never turns a met shot into a missing
one, except where a list limits photos to the inspection (`in_window`), whose time the new photo may shift.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from evidence.coverage.evaluate import ClaimPhotos, ShotPlace
from evidence.coverage.explain import asked_words
from evidence.coverage.flags import FlagInput, all_flags
from evidence.coverage.match import TaggedPhoto, inspection_window, prepared
from evidence.coverage.report import (
    Candidate,
    CheckOptions,
    CoverageReport,
    Item,
    NearMatch,
    OtherClaims,
    Status,
    Waiver,
)
from evidence.coverage.shots import AskedWhen, ForEach, Shot, ShotList
from evidence.coverage.to_shoot import ShootLine, ToShoot, still_to_shoot
from evidence.errors import counted
from evidence.model import Claim, PhotoRecord

__all__ = [
    "Candidate",
    "CheckOptions",
    "CoverageReport",
    "Item",
    "NearMatch",
    "OtherClaims",
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
    other_claims: OtherClaims | None = None,
    waivers: Sequence[Waiver] = (),
    options: CheckOptions | None = None,
) -> CoverageReport:
    """Check every shot of the list in every place where it is asked for. The order of `photos` does not matter."""
    options = options or CheckOptions()
    seen, case = prepared_check(shots, photos, claim, waivers, options)
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
            FlagInput(
                photos=tuple(seen),
                claim=claim,
                shots=shots,
                items=tuple(items),
                window=case.photos.window,
                options=options,
                elsewhere=other_claims or OtherClaims(),
            )
        ),
    )


def prepared_check(
    shots: ShotList,
    photos: Sequence[PhotoRecord],
    claim: Claim,
    waivers: Sequence[Waiver],
    options: CheckOptions,
) -> tuple[list[TaggedPhoto], ListCheck]:
    """All photos in shooting order, and the check of those that are no sheet or label card."""
    ordered = sorted({p.sha256: p for p in photos}.values(), key=lambda p: (p.order, p.sha256))
    seen = [prepared(photo, options.guess_level) for photo in ordered]
    found = ClaimPhotos(
        shots=shots,
        claim=claim,
        seen=tuple(s for s in seen if not s.sheet),
        window=inspection_window(seen, options),
        options=options,
    )
    return seen, ListCheck(photos=found, waivers=tuple(waivers))


@dataclass(frozen=True, slots=True, kw_only=True)
class ListCheck:
    """A claim's photos, ready to be judged shot by shot."""

    photos: ClaimPhotos
    waivers: tuple[Waiver, ...]

    def places(self, shot: Shot) -> list[ShotPlace]:
        """The places where the shot is asked for."""
        options, stories = self.photos.options, self.photos.claim.stories
        match shot.for_each:
            case ForEach.ELEVATION:
                return [ShotPlace(face=face) for face in shot.faces if face in options.elevations]
            case ForEach.SLOPE:
                return [ShotPlace(face=face) for face in shot.faces if face in options.slopes]
            case ForEach.STRUCTURE:
                return [ShotPlace(structure=s) for s in self._structures()] or [ShotPlace()]
            case ForEach.STOREY:
                note = "" if stories else "the number of storeys is not known, one is taken"
                return [ShotPlace(times=max(1, stories or 1), note=note)]
            case ForEach.ONCE:
                return [ShotPlace()]

    def _structures(self) -> list[str]:
        """Structures that some photo of the claim shows, in the vocabulary's order."""
        shown = {seen.component[0] for seen in self.photos.seen}
        return [name for name, _ in self.photos.shots.plain if name in shown]

    def judge(self, shot: Shot, place: ShotPlace) -> Item:
        """The item for one shot in one place."""
        if shot.for_each is ForEach.STRUCTURE and not place.structure:
            return _item(shot, place, Status.NOT_NEEDED, "no photo shows another structure")
        found = self.photos.evaluate(shot, place)
        if found.met:
            return _item(
                shot, place, Status.MET, f"stated by {counted(len(found.stated), 'photo')}", found.stated
            )
        if (waiver := self._waiver(shot, place)) is not None:
            why = f"waived by {waiver.by}: {waiver.why}"
            return _item(shot, place, Status.WAIVED, why, found.stated, found.guesses)
        if shot.only_when and not any(self._holds(when, place) for when in shot.only_when):
            why = f"asked for only when {' or when '.join(when.words for when in shot.only_when)}"
            return _item(shot, place, Status.NOT_NEEDED, why, found.stated, found.guesses)
        if found.filled:
            why = f"only with guesses: {counted(len(found.guesses), 'photo')} to confirm"
            return _item(shot, place, Status.GUESSED, why, found.stated, found.guesses)
        why = self.photos.progress(shot, place, found.matches)
        near = self.photos.candidates(shot, place, found.matches)
        return _item(shot, place, Status.MISSING, why, found.stated, found.guesses, near)

    def _holds(self, when: AskedWhen, place: ShotPlace) -> bool:
        """Whether the condition holds. Strong guesses count, so that in doubt the shot is asked for."""
        claim = self.photos.claim
        if when.perils and claim.peril.strip().casefold() not in when.perils:
            return False
        if when.stories_least and (claim.stories or 0) < when.stories_least:
            return False
        return when.criteria is None or self.photos.any_matches(when.criteria, place.face)

    def _waiver(self, shot: Shot, place: ShotPlace) -> Waiver | None:
        for waiver in self.waivers:
            here = waiver.face in {None, place.face} and waiver.structure in {"", place.structure}
            if waiver.requirement == shot.id and here:
                return waiver
        return None


def _item(
    shot: Shot,
    place: ShotPlace,
    status: Status,
    why: str,
    stated: Iterable[TaggedPhoto] = (),
    guesses: Iterable[TaggedPhoto] = (),
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
