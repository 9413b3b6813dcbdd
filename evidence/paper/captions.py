"""What a photo's tag, times and compass say in plain words, and in what order a reader walks the photos.

What is stated and what is guessed are never put into one sentence (rule 9), and what the camera says is told
apart from what was corrected (rule 10).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from evidence.coverage.shots import FACES
from evidence.model import CameraFacts, Condition, Face, Facet, FacetValue, PhotoRecord, Role, Tags
from evidence.tags.vocabulary import Vocabulary, Zone

MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip

POINTS = ("north", "northeast", "east", "southeast", "south", "southwest", "west", "northwest")
"""Every 45 degrees, clockwise from north."""

SILENT = {(Facet.FACE, Face.NONE), (Facet.CONDITION, Condition.UNSTATED), (Facet.ROLE, Role.OTHER)}
"""Values that say nothing worth printing."""

MOST_TIME = 40
"""Characters of a time that cannot be read; EXIF gives it 19."""

UNTAGGED = "No tag: nobody has stated what this shows."


@dataclass(frozen=True, slots=True, kw_only=True)
class Caption:
    """What stands by one photo, each part empty where there is nothing to say."""

    stated: str
    """What a person or a label card states."""
    guess: str
    """What is only guessed, part by part with its probability; begins with `guess:`."""
    taken: str
    """The camera's own time, as it says it."""
    corrected: str
    """The time after correction and the reason, where it differs."""
    facing: str
    """The compass direction that the camera recorded."""


def caption(record: PhotoRecord, words: Vocabulary) -> Caption:
    """Everything that is printed of a photo besides its number, name and flags."""
    stated, guessed = split_tags(record.tags, words)
    return Caption(
        stated=phrase(stated, words),
        guess=_guess(guessed, words),
        taken=taken_words(record.facts),
        corrected=corrected_words(record),
        facing=facing_words(record.facts),
    )


def split_tags(tags: Tags, words: Vocabulary) -> tuple[dict[Facet, FacetValue], dict[Facet, FacetValue]]:
    """What is stated, and the guesses that the vocabulary lets be shown; facets in the model's order."""
    stated = {facet: tags[facet] for facet in Facet if facet in tags and tags[facet].stated}
    guessed = {
        facet: tags[facet]
        for facet in Facet
        if facet in tags and not tags[facet].stated and tags[facet].confidence >= words.guess.floor
    }
    return stated, guessed


def phrase(values: Mapping[Facet, FacetValue], words: Vocabulary) -> str:
    """The values as a person would say them: `Gutter, front side: no damage`. Empty for none."""
    said = {facet: value.value for facet, value in values.items() if (facet, value.value) not in SILENT}
    role, face = said.get(Facet.ROLE), said.get(Facet.FACE)
    word = words.word(Facet.COMPONENT, said.get(Facet.COMPONENT, ""))
    side = "slope" if word and word.zone is Zone.ROOF else "side"
    plain = {facet: words.plain(facet, value) for facet, value in said.items()}
    if role == Role.ELEVATION and face:
        head = [f"{plain[Facet.FACE]} elevation", plain.get(Facet.COMPONENT, "")]
    elif role == Role.SLOPE and face:
        head = [f"{plain[Facet.FACE]} slope", plain.get(Facet.COMPONENT, "")]
    elif role == Role.TEST_SQUARE:
        head = ["test square", f"{plain[Facet.FACE]} slope" if face else "", plain.get(Facet.COMPONENT, "")]
    else:
        lone = plain.get(Facet.ROLE, "") if Facet.COMPONENT not in said else ""
        head = [plain.get(Facet.COMPONENT, lone), f"{plain[Facet.FACE]} {side}" if face else ""]
    tail = []
    if Facet.COUNT in said:
        tail.append("1 hit" if said[Facet.COUNT] == "1" else f"{said[Facet.COUNT]} hits")
    tail.append(plain.get(Facet.CONDITION, ""))
    if Facet.COMPONENT in said and role in (Role.CLOSE_UP, Role.MEASUREMENT, Role.OVERVIEW):
        tail.append(plain[Facet.ROLE])
    if role == Role.NO_DAMAGE_PROOF and said.get(Facet.CONDITION) != Condition.NO_DAMAGE:
        tail.append(plain[Facet.ROLE] if Facet.COMPONENT in said else "")
    text = ": ".join(filter(None, [", ".join(filter(None, head)), ", ".join(filter(None, tail))]))
    return text[:1].upper() + text[1:]


def _guess(values: Mapping[Facet, FacetValue], words: Vocabulary) -> str:
    parts = [
        f"{_part(facet, value.value, words)} {percent(value.confidence)}"
        for facet, value in values.items()
        if (facet, value.value) not in SILENT
    ]
    return f"guess: {', '.join(parts)}" if parts else ""


def _part(facet: Facet, value: str, words: Vocabulary) -> str:
    if facet is Facet.COUNT:
        return "1 hit" if value == "1" else f"{value} hits"
    plain = words.plain(facet, value)
    return f"{plain} side" if facet is Facet.FACE else plain


def percent(probability: float) -> str:
    """A guess's probability in whole per cent, never rounded up to certainty."""
    return f"{min(99, int(probability * 100))}%"


# --- times and compass -------------------------------------------------------------------


def day_words(moment: date) -> str:
    """The day as an American office writes it."""
    return f"{MONTHS[moment.month - 1]} {moment.day}, {moment.year}"


def time_words(moment: datetime) -> str:
    """Day and time to the second."""
    return f"{day_words(moment)}, {moment:%H:%M:%S}"


def offset_words(minutes: int) -> str:
    """Minutes east of UTC as `UTC-05:00`."""
    sign = "-" if minutes < 0 else "+"
    return f"UTC{sign}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def taken_words(facts: CameraFacts) -> str:
    """When the camera says the photo was taken, and in which zone where it says that."""
    if facts.taken_local is None:
        if facts.taken_text:
            return f"The camera's time cannot be read: {facts.taken_text[:MOST_TIME]!r}"
        return "The camera recorded no time"
    zone = "" if facts.offset_minutes is None else f" ({offset_words(facts.offset_minutes)})"
    return f"{time_words(facts.taken_local)}{zone}, camera's clock"


def corrected_words(record: PhotoRecord) -> str:
    """The time on the job's common clock with its reason, where that differs from the camera's."""
    if not record.correction:
        return ""
    when = time_words(record.corrected) if record.corrected else "no time"
    return f"Corrected: {when}, because: {record.correction}"


def facing_words(facts: CameraFacts) -> str:
    """Where the camera looked, by its own compass; empty where it recorded none."""
    if facts.direction is None:
        return ""
    point = POINTS[round(facts.direction / 45) % 8]
    north = {True: ", true north", False: ", magnetic north", None: ""}[facts.direction_is_true]
    return f"Facing {point} ({round(facts.direction) % 360}\N{DEGREE SIGN}{north})"


# --- the walk ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Photos that belong together on the walk, in order."""

    title: str
    photos: tuple[PhotoRecord, ...]


CLAIM_SHEETS = "Claim sheets and label cards"
_HEADS = {Role.OVERVIEW, Role.ELEVATION, Role.SLOPE}
_ROOF_ROLES = {Role.SLOPE, Role.TEST_SQUARE}


def walked(records: Sequence[PhotoRecord], words: Vocabulary) -> tuple[Group, ...]:
    """Each photo in one group, in walking order; within one, whole views first, then as they were shot.

    Clockwise round the house from the street, then the roof slope by slope, then single things. A photo takes
    its place also by a guess that the vocabulary lets be acted on: its caption says that it is one.
    """
    titles = _titles()
    found: dict[str, list[PhotoRecord]] = {title: [] for title in titles}
    for record in sorted(records, key=lambda one: (_rank(one, words), one.order)):
        found[_title(record, words)].append(record)
    return tuple(Group(title=title, photos=tuple(photos)) for title, photos in found.items() if photos)


def _titles() -> list[str]:
    return [
        *(f"{face.value.capitalize()} elevation" for face in FACES),
        "Around the house",
        *(f"{face.value.capitalize()} slope" for face in FACES),
        "Roof",
        "Inside",
        "Other photos",
        "Photos without a tag",
        CLAIM_SHEETS,
    ]


def _value(record: PhotoRecord, facet: Facet, words: Vocabulary) -> str:
    value = record.tags.get(facet)
    if value is None or not (value.stated or value.confidence >= words.guess.shows):
        return ""
    return value.value


def _rank(record: PhotoRecord, words: Vocabulary) -> int:
    return 0 if _value(record, Facet.ROLE, words) in _HEADS else 1


def _title(record: PhotoRecord, words: Vocabulary) -> str:
    role, face = _value(record, Facet.ROLE, words), _value(record, Facet.FACE, words)
    component = _value(record, Facet.COMPONENT, words)
    if role in (Role.DIVIDER, Role.LABEL):
        return CLAIM_SHEETS
    word = words.word(Facet.COMPONENT, component)
    zone = word.zone if word else None
    faced = face in FACES
    if zone is Zone.INSIDE:
        return "Inside"
    if role in _ROOF_ROLES or zone is Zone.ROOF:
        return f"{face.capitalize()} slope" if faced else "Roof"
    if faced:
        return f"{face.capitalize()} elevation"
    if zone is Zone.OUTSIDE or role in (Role.OVERVIEW, Role.ELEVATION):
        return "Around the house"
    return "Other photos" if role or component else "Photos without a tag"
