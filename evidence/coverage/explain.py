"""A list of required shots in plain English."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from evidence.coverage.shots import (
    FACES,
    UNSTATED,
    Area,
    Bounds,
    Criteria,
    ForEach,
    Part,
    Shot,
    ShotList,
    Way,
)
from evidence.errors import counted
from evidence.model import Facet

_HEADINGS = {
    ForEach.ELEVATION: "For each elevation",
    ForEach.SLOPE: "For each roof slope",
    ForEach.STOREY: "For each storey",
    ForEach.STRUCTURE: "For each other structure that was photographed",
    ForEach.ONCE: "Once",
}
_AREAS = {Area.OUTSIDE: "", Area.INSIDE: " (inside)", Area.ROOF: " (on the roof)"}


def explain(shots: ShotList) -> str:
    """The whole list for a person who has not seen its file; ends with a newline."""
    lines = [f"{shots.title} ({shots.id})", f"Basis: {shots.basis or 'not stated'}."]
    if shots.builds_on:
        lines.append(f"Builds on: {', '.join(shots.builds_on)}.")
    common = set.intersection(*(set(bounds_words(shot.bounds, shots)) for shot in shots.shots))
    for for_each, heading in _HEADINGS.items():
        group = [shot for shot in shots.shots if shot.for_each is for_each]
        if group:
            lines += ["", f"{heading}:"]
            for shot in group:
                lines += _shot(shot, shots, common)
    if common:
        lines += ["", f"Every photo: {'; '.join(sorted(common))}."]
    floors = {(shot.quality.sharpness, shot.quality.pixels) for shot in shots.shots}
    if floors != {(0.0, 0)}:
        lines += ["", "A photo counts only when it is sharp and large enough:"]
        lines += [f"  {_floor(sharpness, pixels)}" for sharpness, pixels in sorted(floors)]
    lines += ["", "Photos that are nearly the same count once; claim sheets and label cards never count."]
    if shots.safety:
        lines += ["", f"Safety: {shots.safety}"]
    return "\n".join(lines) + "\n"


def asked_words(shot: Shot) -> str:
    """What satisfies a shot, as a short phrase to stand beside its title."""
    joint = "; or " if any(len(way.parts) > 1 for way in shot.ways) else " or "
    if len(shot.ways) == len(shot.ways[0].parts) == 1 and not shot.ways[0].parts[0].title:
        return counted(shot.ways[0].parts[0].least, "photo")
    return joint.join(way_words(way) for way in shot.ways)


def way_words(way: Way, *, facets: bool = False) -> str:
    """One way to satisfy a shot, as a phrase; with `facets`, followed by the facets that its photos need."""
    return " and ".join(part_words(part, facets=facets) for part in way.parts)


def part_words(part: Part, *, facets: bool = False) -> str:
    """One part of a way, as a phrase with its number."""
    photos = counted(part.least, "photo")
    if not part.title:
        return f"{photos}: {part.criteria.words}" if part.criteria.words else photos
    shown = f"{part.least} {part.title}"
    return f"{shown} [{part.criteria.words}]" if facets and part.criteria.words else shown


def criteria_words(
    criteria: Criteria,
    plain: Callable[[Facet, str], str],
    *,
    instead: Sequence[str] = (),
    listed: Sequence[str] = (),
) -> str:
    """The criteria as a phrase; `instead` names components that the list gives by group or zone."""
    said = []
    if criteria.faces:
        said.append(_or(plain(Facet.FACE, f) for f in criteria.faces))
    if criteria.components is not None:
        named = [plain(Facet.COMPONENT, word) for word in listed if word != UNSTATED]
        if UNSTATED in criteria.components:
            named.append("nothing named")
        said.append(_or([*named, *instead], in_order=True))
    if criteria.roles:
        said.append(_or(plain(Facet.ROLE, role) for role in criteria.roles))
    if criteria.conditions:
        said.append(_or(plain(Facet.CONDITION, c) for c in criteria.conditions))
    if criteria.count_least is not None:
        said.append(_count(criteria.count_least, criteria.count_most))
    return ", ".join(said)


def _shot(shot: Shot, shots: ShotList, common: set[str]) -> list[str]:
    lines = [f"  {shot.title}{_AREAS[shot.area] if shot.for_each is not ForEach.SLOPE else ''}"]
    for number, way in enumerate(shot.ways):
        lines.append(f"      {'or ' if number else ''}{way_words(way, facets=True)}")
    if shot.faces != FACES:
        lines.append(f"      only on: {', '.join(shot.faces)}")
    if shot.only_when:
        lines.append(f"      only when {' or when '.join(c.words for c in shot.only_when)}")
    lines += [f"      {words}" for words in bounds_words(shot.bounds, shots) if words not in common]
    return lines


def bounds_words(bounds: Bounds, shots: ShotList) -> list[str]:
    """Each bound as a phrase."""
    words = []
    if bounds.after_loss:
        words.append("taken on or after the date of loss")
    if bounds.in_window:
        words.append("taken during the inspection")
    if bounds.same_day:
        words.append("all on one day")
    if bounds.after:
        other = shots.shot(bounds.after)
        words.append(f"taken after: {other.title if other else bounds.after}")
    return words


def _floor(sharpness: float, pixels: int) -> str:
    return f"sharpness {sharpness:g} or more, {pixels / 1e6:g} megapixels or more"


def _count(least: int, most: int | None) -> str:
    if most is None:
        return f"with a count of {least} or more" if least else "with its count"
    return f"with a count of {least}" if least == most else f"with a count from {least} to {most}"


def _or(words: Iterable[str], *, in_order: bool = False) -> str:
    found = list(words)
    return " or ".join(dict.fromkeys(found if in_order else sorted(found)))
