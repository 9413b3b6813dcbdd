"""A list of required shots after it was read and checked."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from evidence.model import Face

UNSTATED = "unstated"
"""In a criterion: the facet may also have no value."""

FACES = (Face.FRONT, Face.RIGHT, Face.BACK, Face.LEFT)
"""In the order of the list: from the street to the right round the house, counter-clockwise as seen from above."""


class ForEach(StrEnum):
    """How often a shot is asked for."""

    ONCE = "once"
    ELEVATION = "elevation"
    SLOPE = "slope"
    STOREY = "storey"
    STRUCTURE = "structure"


class Area(StrEnum):
    """Where the adjuster stands for the shot; in the order of the walk."""

    OUTSIDE = "outside"
    INSIDE = "inside"
    ROOF = "roof"


@dataclass(frozen=True, slots=True, kw_only=True)
class Criteria:
    """The facet values that match; None where a facet does not matter."""

    roles: frozenset[str] | None = None
    faces: frozenset[str] | None = None
    components: frozenset[str] | None = None
    conditions: frozenset[str] | None = None
    count_least: int | None = None
    """A count is needed, and at least this."""
    count_most: int | None = None
    words: str = ""
    """The same in plain English."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A number of distinct photos of one kind."""

    criteria: Criteria
    least: int = 1
    title: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One way to satisfy a shot: all of its parts."""

    parts: tuple[Part, ...]
    title: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedWhen:
    """When a shot is asked for; every field that is set must hold."""

    criteria: Criteria | None = None
    """Some photo of the claim matches; for a shot of a face, some photo of that face."""
    perils: frozenset[str] = frozenset()
    """The claim's peril, case-folded, is one of these."""
    stories_least: int = 0
    """The house is known to have at least this number of storeys."""
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """When a photo must have been taken to count. A photo without a known time can satisfy only `after`."""

    after_loss: bool = False
    """Not before the date of loss, where that is known."""
    in_window: bool = False
    """Within the inspection."""
    same_day: bool = False
    """All photos that satisfy the shot are of one calendar day."""
    after: str = ""
    """Id of another shot of which some photo, of the same face, comes earlier in the shooting order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class QualityFloor:
    """A photo below either does not count."""

    sharpness: float = 0.0
    """Variance of the Laplacian at 1024 pixels, as `Quality.sharpness`."""
    pixels: int = 0
    """Width times height of the original."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """One required shot of a list."""

    id: str
    title: str
    for_each: ForEach
    ways: tuple[Way, ...]
    area: Area
    only_when: tuple[AskedWhen, ...] = ()
    """The shot is asked for when any of these holds; without any, always."""
    faces: tuple[Face, ...] = FACES
    """For an elevation's or slope's shot: the faces it is asked for on."""
    bounds: Bounds = field(default_factory=Bounds)
    quality: QualityFloor = field(default_factory=QualityFloor)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotList:
    """A checked list of required shots; ids are unique, and every shot can be satisfied."""

    id: str
    title: str
    basis: str
    """What the list rests on, in words."""
    safety: str
    """The safety note; never empty when the list asks for a shot on the roof."""
    shots: tuple[Shot, ...]
    structures: frozenset[str] = frozenset()
    """Components that are a structure of their own (a shed, a fence)."""
    plain: tuple[tuple[str, str], ...] = ()
    """Id and plain words of every structure."""
    builds_on: tuple[str, ...] = ()
    """The lists that it builds on, nearest first."""

    def shot(self, name: str) -> Shot | None:
        """The shot of that id."""
        return next((shot for shot in self.shots if shot.id == name), None)
