"""What is still to shoot, in walking order, with the safety note when a shot is on the roof."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from evidence.coverage.report import CoverageReport, Item
from evidence.coverage.shots import FACES, Area, ForEach
from evidence.model import Face

SAFETY = (
    "Go on a roof only if it is safe and you are equipped, trained and allowed to. Follow local codes and your "
    "employer's rules. When in doubt stay down, photograph from the ground, or ask for a licensed roofer."
)
"""For a list without a note of its own."""

NOTHING = "no photo shows it"
"""The reason when no photo matches any part of the shot."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShootLine:
    """One thing to photograph or to confirm."""

    text: str
    area: Area
    requirement: str
    face: Face | None = None
    structure: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ToShoot:
    """The adjuster's list before driving off."""

    lines: tuple[ShootLine, ...]
    """First outside, then inside, the roof last."""
    safety: str
    """Never empty when a line is on the roof."""
    confirm: tuple[ShootLine, ...] = ()
    """What only guesses satisfy: a person must confirm these instead of shooting them."""


def still_to_shoot(report: CoverageReport) -> ToShoot:
    """The missing shots of a report in walking order: front, right, back, left, then single shots."""
    lines = tuple(_line(item, _what(item)) for item in _walked(report.missing))
    confirm = tuple(_line(item, item.why) for item in _walked(report.guessed))
    return ToShoot(lines=lines, safety=_note(report), confirm=confirm)


def _note(report: CoverageReport) -> str:
    """The list's note when a missing shot is on the roof, or when the list has no roof shots and so means all shots."""
    if any(_on_roof(item) for item in report.missing):
        return report.safety or SAFETY
    return report.safety if report.missing and not any(_on_roof(item) for item in report.items) else ""


def _on_roof(item: Item) -> bool:
    return item.area is Area.ROOF or item.for_each is ForEach.SLOPE


def _what(item: Item) -> str:
    return item.asked if item.why == NOTHING else f"{item.asked} (so far {item.why})"


def _line(item: Item, what: str) -> ShootLine:
    place = f"{item.place[0].upper()}{item.place[1:]}: " if item.place else ""
    title = item.title[0].lower() + item.title[1:] if place and not item.title[1:2].isupper() else item.title
    return ShootLine(
        text=f"{place}{title}: {what}",
        area=item.area,
        requirement=item.requirement,
        face=item.face,
        structure=item.structure,
    )


def _walked(items: Sequence[Item]) -> list[Item]:
    """In walking order; within one place in the list's own order."""
    areas = list(Area)
    return sorted(items, key=lambda item: (areas.index(item.area), *_stop(item)))


def _stop(item: Item) -> tuple[int, int]:
    """Sort key: faces in walking order, then structures, then single shots."""
    if item.face is not None:
        return 0, FACES.index(item.face) if item.face in FACES else len(FACES)
    return (1, 0) if item.for_each is ForEach.STRUCTURE else (2, 0)
