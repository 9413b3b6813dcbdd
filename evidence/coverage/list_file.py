"""The tables of a required-shot list's TOML file, as they stand there.

The language is explained at the head of `config/required_shots/hail_roof.toml`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, Literal

from annotated_types import Interval, MinLen

from evidence.coverage.shots import Area, ForEach
from evidence.model import Condition, Face
from evidence.tags.vocabulary import Zone
from evidence.toml_files import Filled

MOST_SHOTS = 50
"""More distinct shots of one thing are taken for a typing error."""

Words = Annotated[tuple[Filled, ...], MinLen(1)]
"""In the file a single word may stand for a list of one; see `with_lists`."""
Least = Annotated[int, Interval(ge=1, le=MOST_SHOTS)]
Count = Annotated[int, Interval(ge=0, le=10_000)]
Sharpness = Annotated[float, Interval(ge=0, lt=10**9)]
Pixels = Annotated[int, Interval(ge=0, le=10**9)]

_WORD_LISTS = frozenset(
    {"role", "face", "component", "group", "zone", "condition", "faces", "perils", "drop"}
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FacetTable:
    """The facets that a photo must have; an empty tuple where nothing is asked."""

    role: Words = ()
    face: Annotated[tuple[Face, ...], MinLen(1)] = ()
    component: Words = ()
    group: Words = ()
    zone: Annotated[tuple[Zone, ...], MinLen(1)] = ()
    condition: Annotated[tuple[Condition, ...], MinLen(1)] = ()
    count: Literal["stated"] | None = None
    count_least: Count | None = None
    count_most: Count | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WhenTable(FacetTable):
    """When a shot is asked for."""

    perils: Words = ()
    stories_least: Annotated[int, Interval(ge=0, le=200)] = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class PartTable:
    """A number of photos of one kind."""

    title: str = ""
    least: Least = 1
    facets: FacetTable = field(default_factory=FacetTable)


@dataclass(frozen=True, slots=True, kw_only=True)
class WayTable:
    """One way to satisfy a shot: by `facets`, or by `parts`."""

    title: str = ""
    least: Least = 1
    facets: FacetTable | None = None
    parts: tuple[PartTable, ...] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotTable:
    """One [[shot]]. None: not stated."""

    id: Filled
    title: Filled
    for_each: ForEach = ForEach.ONCE
    area: Area | None = None
    faces: Annotated[tuple[Literal["front", "right", "back", "left"], ...], MinLen(1)] = ()
    least: Least | None = None
    facets: FacetTable | None = None
    any_of: tuple[WayTable, ...] | None = None
    only_when: tuple[WhenTable, ...] = ()
    after_loss: bool | None = None
    in_window: bool | None = None
    same_day: bool | None = None
    after: str = ""
    sharpness: Sharpness | None = None
    pixels: Pixels | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadTable:
    """[list]. None: taken from the list that it builds on."""

    id: Filled
    title: str | None = None
    basis: str | None = None
    safety: str | None = None
    builds_on: str = ""
    drop: Words = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class BoundsTable:
    """[bounds]: for every shot that states no other."""

    after_loss: bool = False
    in_window: bool = False
    same_day: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class QualityTable:
    """[quality]: for every shot that states no other."""

    sharpness: Sharpness = 0.0
    pixels: Pixels = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class ListFile:
    """The whole file."""

    list: HeadTable
    quality: QualityTable = field(default_factory=QualityTable)
    bounds: BoundsTable = field(default_factory=BoundsTable)
    shot: tuple[ShotTable, ...] = ()


def with_lists(data: Mapping[str, Any]) -> Mapping[str, Any]:
    """The file's data with a list wherever a single word or a single `only_when` stands for one."""
    return {key: _listed(key, value) for key, value in data.items()}


def _listed(key: str, value: Any) -> Any:
    if isinstance(value, str) and key in _WORD_LISTS:
        return [value]
    if isinstance(value, list):
        return [_listed("", item) for item in value]
    if isinstance(value, dict):
        table = with_lists(value)
        return [table] if key == "only_when" else table
    return value
