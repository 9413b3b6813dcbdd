"""View models: what pages show, as plain values. Tiles and pills of photos, the proof table, tag buttons."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from urllib.parse import urlencode

from evidence.board.keys import FACET_KEYS
from evidence.coverage.report import CoverageReport, Item, Status
from evidence.coverage.shots import FACES, ForEach, ShotList
from evidence.model import (
    Condition,
    Duty,
    Face,
    Facet,
    FacetValue,
    Finding,
    MediaKind,
    PhotoRecord,
    Sha256,
    Source,
)
from evidence.plain_words import guess_percent, size_text
from evidence.review.staleness import mark_of
from evidence.tags.vocabulary import Vocabulary

FACET_ORDER = (Facet.FACE, Facet.ROLE, Facet.COMPONENT, Facet.CONDITION, Facet.COUNT)

STATUS_WORDS = {
    Status.MET: "shown",
    Status.GUESSED: "guess only",
    Status.MISSING: "not shown",
    Status.WAIVED: "set aside",
    Status.NOT_NEEDED: "not required",
}
SOURCE_WORDS = {
    Source.PERSON: "stated by a person",
    Source.LABEL: "stated by a label card",
    Source.WRITING: "guessed from writing",
    Source.PIXELS: "guessed from the picture",
    Source.PLACE: "guessed from where it was taken",
    Source.HABIT: "guessed from the usual order of photos",
    Source.FUSED: "guessed from several sources",
}
DUTY_WORDS = {Duty.ADJUSTER: "adjuster", Duty.REVIEWER: "file reviewer", Duty.OFFICE: "office"}
CELL_PICTURES = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Pill:
    """One facet of a photo, as shown."""

    facet: str
    value: str
    words: str
    guess_percent: int | None
    """How probable the guess is, in percent; None when the facet is stated."""
    why: str

    @property
    def text(self) -> str:
        """The text of the pill; a guess is marked as one."""
        return (
            self.words
            if self.guess_percent is None
            else f"{self.words}? guess {with_percent(self.guess_percent)}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Tile:
    """One photo among many."""

    sha: Sha256
    number: int
    name: str
    time: str
    kind: str
    mark: str
    pills: tuple[Pill, ...]
    flags: tuple[str, ...]
    confirm: bool
    """Whether its house is to confirm."""

    @property
    def pictured(self) -> bool:
        """Whether it can have a thumbnail."""
        return self.kind in (MediaKind.PHOTO, MediaKind.RAW)

    @property
    def alt(self) -> str:
        """A description for screen readers."""
        tags = ", ".join(pill.text for pill in self.pills)
        return f"Photo {self.number}, {self.name}: {tags or 'no tags yet'}"


def percent(share: float) -> int:
    """A probability in whole percent; 100 only when it is 1."""
    return 100 if share >= 1 else min(99, round(share * 100))


def with_percent(number: int) -> str:
    """`99 %` with a space at which no line breaks."""
    return f"{number}\u00a0%"


def pills_of(record: PhotoRecord, vocabulary: Vocabulary) -> tuple[Pill, ...]:
    """The stated facets, and the guesses that are probable enough to be shown."""
    found = []
    for facet in FACET_ORDER:
        value = record.tags.get(facet)
        if value is None or not _shows(value, vocabulary):
            continue
        found.append(
            Pill(
                facet=facet.value,
                value=value.value,
                words=value_words(vocabulary, facet, value.value),
                guess_percent=None if value.stated else guess_percent(value.confidence),
                why=f"{SOURCE_WORDS[value.source]}{f': {value.reason}' if value.reason else ''}",
            )
        )
    return tuple(found)


def _shows(value: FacetValue, vocabulary: Vocabulary) -> bool:
    if value.facet is Facet.CONDITION and value.value == Condition.UNSTATED:
        return False
    return value.stated or value.confidence >= vocabulary.guess.shows


def value_words(vocabulary: Vocabulary, facet: Facet, value: str) -> str:
    """The value in words; a count with its unit."""
    if facet is Facet.COUNT:
        return f"{value} {'hit' if value == '1' else 'hits'}"
    return vocabulary.plain(facet, value)


def tile_of(record: PhotoRecord, vocabulary: Vocabulary, flags: Sequence[Finding] = ()) -> Tile:
    """The photo as a tile; `flags` are the findings of the claim's report about it."""
    return Tile(
        sha=record.sha256,
        number=record.order + 1,
        name=record.name,
        time=clock(record.corrected),
        kind=record.kind.value,
        mark=mark_of(record),
        pills=pills_of(record, vocabulary),
        flags=tuple(flag.message for flag in flags),
        confirm=record.to_confirm,
    )


def tile_data(tile: Tile) -> dict[str, object]:
    """The parts of a tile that change with its tags, for the page's script."""
    return {
        "sha": tile.sha,
        "mark": tile.mark,
        "alt": tile.alt,
        "pills": [
            {
                "facet": p.facet,
                "value": p.value,
                "text": p.text,
                "guess": p.guess_percent is not None,
                "why": p.why,
            }
            for p in tile.pills
        ],
    }


def clock(moment: datetime | None) -> str:
    """The time of day, to the second."""
    return moment.strftime("%H:%M:%S") if moment else "no time"


def day_words(text: str | None) -> str:
    """The day of an ISO date or time, with the month as a word."""
    if not text:
        return "no date"
    day = datetime.fromisoformat(text)
    return f"{day.day} {day:%b %Y}"


def size_words(octets: int) -> str:
    """`size_text` with a space at which no line breaks."""
    return size_text(octets).replace(" ", "\u00a0")


def flags_by_photo(report: CoverageReport) -> dict[str, list[Finding]]:
    """The report's flags by photo digest; those about the whole claim under the empty string."""
    found: dict[str, list[Finding]] = defaultdict(list)
    for flag in report.flags:
        found[flag.subject].append(flag)
    return found


# --- the table of required shots ---------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One required shot in one place."""

    item: Item
    status: str
    words: str
    pictures: tuple[Sha256, ...]
    more: int
    link: str
    guessed: frozenset[Sha256]
    """The pictures among them that count only by a guess."""

    @property
    def where(self) -> str:
        """Its place, as forms send it."""
        return self.item.key[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class TableRow:
    """One required shot, in all its places."""

    requirement: str
    title: str
    asked: str
    faced: bool
    """Whether it is required on each face: then there is one cell a face; else the cells span the row."""
    cells: Mapping[str, Cell]
    """By face, or by place for the others."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TableSection:
    """The rows of one area: outside, inside or roof."""

    area: str
    rows: tuple[TableRow, ...] = field(default=())


def proof_table(report: CoverageReport, shots: ShotList, number: str) -> list[TableSection]:
    """The list's shots in their order, grouped by area."""
    by_shot: dict[str, list[Item]] = defaultdict(list)
    for item in report.items:
        if item.status is not Status.NOT_NEEDED:
            by_shot[item.requirement].append(item)
    parts: dict[str, list[TableRow]] = {}
    for shot in shots.shots:
        items = by_shot.get(shot.id)
        if not items:
            continue
        faced = shot.for_each in (ForEach.ELEVATION, ForEach.SLOPE)
        order = {face: place for place, face in enumerate(FACES)}
        items.sort(key=lambda item: (order.get(item.face or Face.NONE, 9), item.structure))
        row = TableRow(
            requirement=shot.id,
            title=shot.title,
            asked=items[0].asked,
            faced=faced,
            cells={(item.key[1] if not faced else str(item.face)): _cell(item, number) for item in items},
        )
        parts.setdefault(shot.area.value, []).append(row)
    return [TableSection(area=area, rows=tuple(rows)) for area, rows in parts.items()]


def _cell(item: Item, number: str) -> Cell:
    photos = dict.fromkeys((*item.photos, *item.guesses))
    pictures = list(photos)
    words = "not enough" if item.status is Status.MISSING and pictures else STATUS_WORDS[item.status]
    query = urlencode({"number": number, "need": item.requirement, "at": item.key[1]})
    return Cell(
        item=item,
        status=item.status.value,
        words=words,
        pictures=tuple(pictures[:CELL_PICTURES]),
        more=max(0, len(pictures) - CELL_PICTURES),
        link=f"/photos?{query}",
        guessed=frozenset(item.guesses),
    )


def find_item(report: CoverageReport, requirement: str, place: str) -> Item | None:
    """The report's item for that shot and place."""
    return next((item for item in report.items if item.key == (requirement, place)), None)


# --- the buttons of the tag panel --------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class TagChoice:
    """A button of the tag panel: a word that can be stated, and its key."""

    facet: str
    value: str
    words: str
    key: str


def tag_choices(vocabulary: Vocabulary, shots: ShotList | None) -> dict[str, list[TagChoice]]:
    """The words that have a key, by facet; of the components first those that the claim's list requires."""
    found = {
        facet.value: [
            TagChoice(facet=facet.value, value=value, words=vocabulary.plain(facet, value), key=key)
            for value, key in keys.items()
            if vocabulary.word(facet, value)
        ]
        for facet, keys in FACET_KEYS.items()
    }
    asked = list(dict.fromkeys([*_components(shots), *vocabulary.ids(Facet.COMPONENT)]))
    found["component"] = [
        TagChoice(
            facet="component", value=value, words=vocabulary.plain(Facet.COMPONENT, value), key=str(number)
        )
        for number, value in enumerate(asked[:9], start=1)
        if vocabulary.word(Facet.COMPONENT, value)
    ]
    return found


def _components(shots: ShotList | None) -> list[str]:
    found: dict[str, None] = {}
    for shot in shots.shots if shots else ():
        for way in shot.ways:
            for part in way.parts:
                found |= dict.fromkeys(sorted(part.criteria.components or ()))
    return list(found)
