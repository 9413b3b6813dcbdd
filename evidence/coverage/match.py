"""Whether one photo says what a shot asks for: stated, guessed, or what it lacks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from enum import IntEnum

from evidence.coverage.doubles import code_of
from evidence.coverage.report import CheckOptions
from evidence.coverage.shots import UNSTATED, Bounds, Criteria, QualityFloor
from evidence.model import Claim, Face, Facet, FacetValue, MediaKind, PhotoRecord, Role

_SHEETS = frozenset({Role.DIVIDER, Role.LABEL})
BROKEN_CODES = frozenset({"truncated", "empty_file", "not_an_image", "unreadable_image", "absurd_size"})
"""Flags of a file whose picture is not whole; such a photo proves nothing."""


class Says(IntEnum):
    """How firmly a photo says something."""

    NO = 0
    GUESSED = 1
    STATED = 2


Word = tuple[str | None, bool]
"""What a photo firmly says of a facet, and whether it is stated; None for silence and for weak guesses."""


@dataclass(frozen=True, slots=True)
class Seen:
    """A photo, prepared for many questions."""

    photo: PhotoRecord
    role: Word
    face: Word
    component: Word
    condition: Word
    count: Word
    code: int | None
    """The perceptual hash as a number."""
    taken: datetime | None
    """Naive, on the job's common clock."""
    sheet: bool
    """A claim sheet or label card: never counts."""
    broken: str
    """Why the picture proves nothing; empty when it is whole."""


def see(photo: PhotoRecord, level: float) -> Seen:
    """Prepare a photo; guesses less probable than `level` are silence."""
    tags = photo.tags
    role = tags.get(Facet.ROLE)
    sheet = role.value in _SHEETS if role else bool(photo.look.dividers)
    return Seen(
        photo=photo,
        role=_word(role, level),
        face=_word(tags.get(Facet.FACE), level),
        component=_word(tags.get(Facet.COMPONENT), level),
        condition=_word(tags.get(Facet.CONDITION), level),
        count=_word(tags.get(Facet.COUNT), level),
        code=code_of(photo.look.phash),
        taken=photo.corrected or photo.facts.taken_local,
        sheet=sheet,
        broken=_broken(photo),
    )


def _word(value: FacetValue | None, level: float) -> Word:
    if value is None or (not value.stated and value.confidence < level):
        return None, False
    return value.value, value.stated


def _broken(photo: PhotoRecord) -> str:
    if photo.kind is not MediaKind.PHOTO:
        return f"it is a {photo.kind} file"
    found = [
        f.message for f in (*photo.facts.flags, *photo.look.flags, *photo.flags) if f.code in BROKEN_CODES
    ]
    if found:
        return found[0].rstrip(".")
    return "" if photo.look.quality else "the picture could not be looked at"


def for_face(criteria: Criteria, face: Face | None) -> Criteria:
    """The criteria of one elevation's or slope's shot."""
    return criteria if face is None else replace(criteria, faces=frozenset({face}))


def for_structure(criteria: Criteria, structure: str) -> Criteria:
    """The criteria of one structure's shot."""
    return replace(criteria, components=frozenset({structure})) if structure else criteria


def says(criteria: Criteria, seen: Seen) -> Says:
    """Whether a photo says it all: stated only when no part of it is a guess."""
    firmly = Says.STATED
    for allowed, word in (
        (criteria.components, seen.component),
        (criteria.faces, seen.face),
        (criteria.roles, seen.role),
        (criteria.conditions, seen.condition),
    ):
        if allowed is None:
            continue
        value, stated = word
        if value is None:
            if UNSTATED not in allowed:
                return Says.NO
        elif value not in allowed:
            return Says.NO
        elif not stated:
            firmly = Says.GUESSED
    if criteria.count_least is None:
        return firmly
    if not _counts(criteria, seen):
        return Says.NO
    return firmly if seen.count[1] else Says.GUESSED


def _counts(criteria: Criteria, seen: Seen) -> bool:
    """Whether the count said lies within the criteria."""
    value = seen.count[0]
    if value is None or not value.isdecimal():
        return False
    return int(value) >= (criteria.count_least or 0) and (
        criteria.count_most is None or int(value) <= criteria.count_most
    )


def contradicts(criteria: Criteria, seen: Seen) -> bool:
    """True when the photo states another face or component: it is simply of something else."""
    return any(
        allowed is not None and stated and value not in allowed
        for allowed, (value, stated) in ((criteria.faces, seen.face), (criteria.components, seen.component))
    )


def lacks(criteria: Criteria, seen: Seen) -> list[Facet]:
    """The facets that keep a photo from saying it; empty when it says it."""
    found = [
        facet
        for facet, allowed, (value, _) in (
            (Facet.FACE, criteria.faces, seen.face),
            (Facet.COMPONENT, criteria.components, seen.component),
            (Facet.ROLE, criteria.roles, seen.role),
            (Facet.CONDITION, criteria.conditions, seen.condition),
        )
        if allowed is not None and (UNSTATED if value is None else value) not in allowed
    ]
    if criteria.count_least is not None and not _counts(criteria, seen):
        found.append(Facet.COUNT)
    return found


def lack_words(facet: Facet, seen: Seen) -> str:
    """Why the facet does not say it: silence, a weak guess, or another word."""
    value, word = seen.photo.tags.get(facet), getattr(seen, facet)[0]
    if value is None:
        return f"its {facet} is not stated"
    plain = value.value.replace("_", " ")
    if word is None:
        return f"its {facet} is only a weak guess ({plain}, {value.confidence:.0%})"
    return f"its {facet} is {plain}"


def too_poor(seen: Seen, floor: QualityFloor) -> tuple[str, ...]:
    """What the picture itself lacks to count: `blurred`, `small`, in words with the figures."""
    quality = seen.photo.look.quality
    if quality is None:
        return ()
    found = []
    if quality.sharpness < floor.sharpness:
        found.append(f"too blurred (sharpness {quality.sharpness:.0f}, {floor.sharpness:g} needed)")
    if quality.width * quality.height < floor.pixels:
        found.append(f"too small ({quality.width} x {quality.height} pixels)")
    return tuple(found)


def out_of_bounds(
    seen: Seen, bounds: Bounds, claim: Claim, window: tuple[datetime, datetime] | None
) -> tuple[str, ...]:
    """Which of the stated bounds of time a photo breaks. Without a time none can be shown to be kept."""
    found = []
    if bounds.after_loss and claim.loss_date is not None:
        if seen.taken is None:
            found.append("no time shows that it was taken after the loss")
        elif seen.taken.date() < claim.loss_date:
            found.append(f"taken {seen.taken:%Y-%m-%d}, before the loss of {claim.loss_date}")
    if bounds.in_window and window is not None and (seen.taken is None or not within(seen.taken, window)):
        found.append("not taken during the inspection" if seen.taken else "no time shows when it was taken")
    return tuple(found)


def within(moment: datetime, window: tuple[datetime, datetime]) -> bool:
    """True from the first moment to the last, both included."""
    return window[0] <= moment <= window[1]


def inspection(photos: Sequence[Seen], options: CheckOptions) -> tuple[datetime, datetime] | None:
    """First and last moment of the inspection: as given, else of the day with the most photos, the later if equal."""
    if options.window is not None:
        return options.window
    days: dict[date, list[datetime]] = {}
    for seen in photos:
        if seen.taken is not None:
            days.setdefault(seen.taken.date(), []).append(seen.taken)
    if not days:
        return None
    moments = max(days.items(), key=lambda item: (len(item[1]), item[0]))[1]
    return min(moments), max(moments)
