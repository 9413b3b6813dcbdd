"""Matches one photo's tags with what a shot asks for: stated, guessed, or which facets are missing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from enum import IntEnum

from evidence.coverage.doubles import code_of
from evidence.coverage.report import CheckOptions
from evidence.coverage.shots import UNSTATED, Bounds, Criteria, QualityFloor
from evidence.model import Claim, Face, Facet, FacetValue, MediaKind, PhotoRecord, Role
from evidence.plain_words import guess_percent

_SHEETS = frozenset({Role.DIVIDER, Role.LABEL})
BROKEN_CODES = frozenset({"truncated", "empty_file", "not_an_image", "unreadable_image", "absurd_size"})
"""Flags of a damaged file; such a photo proves nothing."""


class Match(IntEnum):
    """How a photo matches the criteria."""

    NO = 0
    GUESSED = 1
    STATED = 2


FacetWord = tuple[str | None, bool]
"""A facet's value and whether it is stated; None where there is no value or only a weak guess."""


@dataclass(frozen=True, slots=True)
class TaggedPhoto:
    """A photo with its tags, hash and time worked out once, because it is matched with many shots."""

    photo: PhotoRecord
    role: FacetWord
    face: FacetWord
    component: FacetWord
    condition: FacetWord
    count: FacetWord
    code: int | None
    """The perceptual hash as a number."""
    taken: datetime | None
    """Naive, on the claim's common clock."""
    sheet: bool
    """A claim sheet or label card, which never counts."""
    broken: str
    """Why the photo proves nothing; empty when it is intact."""


def prepared(photo: PhotoRecord, level: float) -> TaggedPhoto:
    """Prepare a photo; guesses less probable than `level` are ignored."""
    tags = photo.tags
    return TaggedPhoto(
        photo=photo,
        role=_word(tags.get(Facet.ROLE), level),
        face=_word(tags.get(Facet.FACE), level),
        component=_word(tags.get(Facet.COMPONENT), level),
        condition=_word(tags.get(Facet.CONDITION), level),
        count=_word(tags.get(Facet.COUNT), level),
        code=code_of(photo.look.phash),
        taken=photo.corrected or photo.facts.taken_local,
        sheet=is_sheet(photo),
        broken=_broken(photo),
    )


def is_sheet(photo: PhotoRecord) -> bool:
    """True for the photo of a claim sheet or label card, by its role, or by the sheet's code where it has no role."""
    role = photo.tags.get(Facet.ROLE)
    return role.value in _SHEETS if role else bool(photo.look.dividers)


def _word(value: FacetValue | None, level: float) -> FacetWord:
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
    return "" if photo.look.quality else "the photo could not be analysed"


def for_face(criteria: Criteria, face: Face | None) -> Criteria:
    """The criteria of one elevation's or slope's shot."""
    return criteria if face is None else replace(criteria, faces=frozenset({face}))


def for_structure(criteria: Criteria, structure: str) -> Criteria:
    """The criteria of one structure's shot."""
    return replace(criteria, components=frozenset({structure})) if structure else criteria


def match_of(criteria: Criteria, seen: TaggedPhoto) -> Match:
    """How a photo matches all criteria: STATED only when no facet is a guess."""
    match = Match.STATED
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
                return Match.NO
        elif value not in allowed:
            return Match.NO
        elif not stated:
            match = Match.GUESSED
    if criteria.count_least is None:
        return match
    if not _counts(criteria, seen):
        return Match.NO
    return match if seen.count[1] else Match.GUESSED


def _counts(criteria: Criteria, seen: TaggedPhoto) -> bool:
    """Whether the count lies within the criteria."""
    value = seen.count[0]
    if value is None or not value.isdecimal():
        return False
    return int(value) >= (criteria.count_least or 0) and (
        criteria.count_most is None or int(value) <= criteria.count_most
    )


def contradicts(criteria: Criteria, seen: TaggedPhoto) -> bool:
    """True when the photo states another face or component, so it shows something else."""
    return any(
        allowed is not None and stated and value not in allowed
        for allowed, (value, stated) in ((criteria.faces, seen.face), (criteria.components, seen.component))
    )


def missing_facets(criteria: Criteria, seen: TaggedPhoto) -> list[Facet]:
    """The facets that do not match; empty when the photo matches."""
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


def missing_words(facet: Facet, seen: TaggedPhoto) -> str:
    """Why the facet does not match: no value, a weak guess, or another value."""
    value, word = seen.photo.tags.get(facet), getattr(seen, facet)[0]
    if value is None:
        return f"its {facet} is not stated"
    plain = value.value.replace("_", " ")
    if word is None:
        return f"its {facet} is only a weak guess ({plain}, {guess_percent(value.confidence)}%)"
    return f"its {facet} is {plain}"


def below_floor(seen: TaggedPhoto, floor: QualityFloor) -> tuple[str, ...]:
    """Why the photo is too blurred or too small to count, with the figures; empty when it is good enough."""
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
    seen: TaggedPhoto, bounds: Bounds, claim: Claim, window: tuple[datetime, datetime] | None
) -> tuple[str, ...]:
    """Which time bounds a photo breaks. A photo without a time breaks each bound, because nothing shows that it keeps it."""
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


def inspection_window(
    photos: Sequence[TaggedPhoto], options: CheckOptions
) -> tuple[datetime, datetime] | None:
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
