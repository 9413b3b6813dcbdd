"""A photo's tag, times and compass direction in plain words, and the order of the photos on a walk round the house.

Stated facets and guesses never share a sentence, and the camera's time is always apart from a corrected one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from evidence.model import CameraFacts, Condition, Face, Facet, FacetValue, PhotoRecord, Role, Tags, tag_value
from evidence.paper.dates import offset_text, time_text
from evidence.plain_words import guess_percent
from evidence.plan.bearing import COMPASS_POINTS
from evidence.plan.surfaces import FACES, HousePart, place_of
from evidence.tags.standing import Standing, standing, stated_only
from evidence.tags.vocabulary import Vocabulary, Zone

UNPRINTED = {(Facet.FACE, Face.NONE), (Facet.CONDITION, Condition.UNSTATED), (Facet.ROLE, Role.OTHER)}
"""Values that are not printed: they tell a reader nothing."""

MAX_TIME_TEXT = 40
"""Characters printed of a time that cannot be read; EXIF gives a time 19."""

UNTAGGED = "No tag: nobody has stated what this photo shows."


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoWords:
    """The texts beside one photo; a part without content is empty."""

    written: str
    """What a person wrote for the report."""
    stated: str
    """The facets that a person or a label card states."""
    guess: str
    """The guesses, each with its probability; begins with `guess:`."""
    taken: str
    """The camera's own time."""
    corrected: str
    """The corrected time and the reason, if it differs from the camera's."""
    facing: str
    """The compass direction that the camera recorded."""


def caption(record: PhotoRecord, vocabulary: Vocabulary, *, signed: bool = False) -> PhotoWords:
    """The caption of a photo; its number, name and flags are printed beside it. A signed claim prints no guesses."""
    stated, guessed = stated_and_guessed(record.tags, vocabulary)
    return PhotoWords(
        written=record.caption,
        stated=phrase(stated, vocabulary),
        guess="" if signed else _guess(guessed, vocabulary),
        taken=taken_text(record.facts),
        corrected=corrected_text(record),
        facing=facing_text(record.facts),
    )


def stated_and_guessed(
    tags: Tags, vocabulary: Vocabulary
) -> tuple[dict[Facet, FacetValue], dict[Facet, FacetValue]]:
    """The stated facets, and the guesses likely enough to show; both in the order of `Facet`."""
    stated = {facet: tags[facet] for facet in Facet if facet in tags and tags[facet].stated}
    guessed = {
        facet: tags[facet]
        for facet in Facet
        if facet in tags and not tags[facet].stated and tags[facet].confidence >= vocabulary.guess.floor
    }
    return stated, guessed


def phrase(values: Mapping[Facet, FacetValue], vocabulary: Vocabulary) -> str:
    """The values as a person would write them: `Gutter, front side: no damage`. Empty when there are none."""
    printed = {facet: value.value for facet, value in values.items() if (facet, value.value) not in UNPRINTED}
    role, face = printed.get(Facet.ROLE), printed.get(Facet.FACE)
    word = vocabulary.word(Facet.COMPONENT, printed.get(Facet.COMPONENT, ""))
    side = "slope" if word and word.zone is Zone.ROOF else "side"
    plain = {facet: vocabulary.plain(facet, value) for facet, value in printed.items()}
    if role == Role.ELEVATION and face:
        head = [f"{plain[Facet.FACE]} elevation", plain.get(Facet.COMPONENT, "")]
    elif role == Role.SLOPE and face:
        head = [f"{plain[Facet.FACE]} slope", plain.get(Facet.COMPONENT, "")]
    elif role == Role.TEST_SQUARE:
        head = ["test square", f"{plain[Facet.FACE]} slope" if face else "", plain.get(Facet.COMPONENT, "")]
    else:
        lone = plain.get(Facet.ROLE, "") if Facet.COMPONENT not in printed else ""
        head = [plain.get(Facet.COMPONENT, lone), f"{plain[Facet.FACE]} {side}" if face else ""]
    tail = []
    if Facet.COUNT in printed:
        tail.append("1 hit" if printed[Facet.COUNT] == "1" else f"{printed[Facet.COUNT]} hits")
    tail.append(plain.get(Facet.CONDITION, ""))
    if Facet.COMPONENT in printed and role in (Role.CLOSE_UP, Role.MEASUREMENT, Role.OVERVIEW):
        tail.append(plain[Facet.ROLE])
    if role == Role.NO_DAMAGE_PROOF and printed.get(Facet.CONDITION) != Condition.NO_DAMAGE:
        tail.append(plain[Facet.ROLE] if Facet.COMPONENT in printed else "")
    text = ": ".join(filter(None, [", ".join(filter(None, head)), ", ".join(filter(None, tail))]))
    return text[:1].upper() + text[1:]


def _guess(values: Mapping[Facet, FacetValue], vocabulary: Vocabulary) -> str:
    parts = [
        f"{_part(facet, value.value, vocabulary)} {guess_percent(value.confidence)}%"
        for facet, value in values.items()
        if (facet, value.value) not in UNPRINTED
    ]
    return f"guess: {', '.join(parts)}" if parts else ""


def _part(facet: Facet, value: str, vocabulary: Vocabulary) -> str:
    if facet is Facet.COUNT:
        return "1 hit" if value == "1" else f"{value} hits"
    plain = vocabulary.plain(facet, value)
    return f"{plain} side" if facet is Facet.FACE else plain


# --- times and compass -------------------------------------------------------------------


def taken_text(facts: CameraFacts) -> str:
    """When the photo was taken by the camera's clock, with its zone if the camera records one."""
    if facts.taken_local is None:
        if facts.taken_text:
            return f"The camera's time cannot be read: {facts.taken_text[:MAX_TIME_TEXT]!r}"
        return "The camera recorded no time"
    zone = "" if facts.offset_minutes is None else f" ({offset_text(facts.offset_minutes)})"
    return f"{time_text(facts.taken_local)}{zone}, camera's clock"


def corrected_text(record: PhotoRecord) -> str:
    """The corrected time with its reason; empty when the camera's time was not corrected."""
    if not record.correction:
        return ""
    when = time_text(record.corrected) if record.corrected else "no time"
    return f"Corrected: {when}, because: {record.correction}"


def facing_text(facts: CameraFacts) -> str:
    """The direction that the camera pointed in, by its own compass; empty when it recorded none."""
    if facts.direction is None:
        return ""
    point = COMPASS_POINTS[round(facts.direction / 45) % 8]
    north = {True: ", true north", False: ", magnetic north", None: ""}[facts.direction_is_true]
    return f"Facing {point} ({round(facts.direction) % 360}\N{DEGREE SIGN}{north})"


# --- the walk ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoGroup:
    """Photos of one part of the walk, in order."""

    title: str
    photos: tuple[PhotoRecord, ...]


CLAIM_SHEETS = "Divider sheets and label cards"
NOT_REVIEWED = "Not yet reviewed"
FURTHER = "Further photos"
UNTAGGED_PHOTOS = "Photos without a tag"
APART = frozenset({NOT_REVIEWED, FURTHER, UNTAGGED_PHOTOS, CLAIM_SHEETS})
"""Groups whose photos prove nothing: they are printed small, after all others."""

_HEADS = {Role.OVERVIEW, Role.ELEVATION, Role.SLOPE}


def group_by_walk(
    records: Sequence[PhotoRecord], vocabulary: Vocabulary, *, signed: bool = False
) -> tuple[PhotoGroup, ...]:
    """Each photo in one group, groups in walking order; within a group whole views come first, then by time taken.

    The elevations front, right, back, left (counter-clockwise as seen from above), then the roof slope by slope,
    then the rest. Only what is stated places a photo; one whose side or subject is only guessed is "not yet reviewed",
    and in a signed claim a further photo.
    """
    found: dict[str, list[PhotoRecord]] = {title: [] for title in _titles()}
    for record in sorted(records, key=lambda one: (_rank(one), one.order)):
        found[_title(record, vocabulary, signed=signed)].append(record)
    return tuple(PhotoGroup(title=title, photos=tuple(photos)) for title, photos in found.items() if photos)


def _titles() -> list[str]:
    return [
        *(f"{face.value.capitalize()} elevation" for face in FACES),
        "Around the house",
        *(f"{face.value.capitalize()} slope" for face in FACES),
        "Roof",
        "Inside",
        "Other photos",
        NOT_REVIEWED,
        FURTHER,
        UNTAGGED_PHOTOS,
        CLAIM_SHEETS,
    ]


def _rank(record: PhotoRecord) -> int:
    return 0 if tag_value(stated_only(record.tags), Facet.ROLE) in _HEADS else 1


def is_sheet(record: PhotoRecord) -> bool:
    """True for a photo that is stated to show a divider sheet or a label card; a guess hides no photo."""
    return tag_value(stated_only(record.tags), Facet.ROLE) in (Role.DIVIDER, Role.LABEL)


def _title(record: PhotoRecord, vocabulary: Vocabulary, *, signed: bool) -> str:
    if is_sheet(record):
        return CLAIM_SHEETS
    match standing(record.tags, shows=vocabulary.guess.shows, signed=signed):
        case Standing.NOT_REVIEWED:
            return NOT_REVIEWED
        case Standing.FURTHER:
            return FURTHER
        case Standing.UNTAGGED:
            return UNTAGGED_PHOTOS
    values = stated_only(record.tags)
    place = place_of(values, vocabulary)
    if place is None:
        word = vocabulary.word(Facet.COMPONENT, tag_value(values, Facet.COMPONENT) or "")
        return "Inside" if word and word.zone is Zone.INSIDE else "Other photos"
    part, face = place
    if face is not None:
        return f"{face.capitalize()} {part}"
    return "Roof" if part is HousePart.SLOPE else "Around the house"
