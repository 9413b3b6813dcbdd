"""Required-shot lists as data: read from TOML, checked against the vocabulary, every mistake with its line.

The language is described at the head of `config/required_shots/hail_roof.toml`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from evidence.coverage.explain import criteria_words, explain
from evidence.coverage.list_file import (
    FacetTable,
    HeadTable,
    ListFile,
    PartTable,
    ShotTable,
    WayTable,
    WhenTable,
    with_lists,
)
from evidence.coverage.shots import (
    FACES,
    UNSTATED,
    Area,
    AskedWhen,
    Bounds,
    Criteria,
    ForEach,
    Part,
    QualityFloor,
    Shot,
    ShotList,
    Way,
)
from evidence.model import Facet, Role
from evidence.tags.vocabulary import Vocabulary, Word, Zone
from evidence.toml_files import KeyPath, TomlFile, nearest

__all__ = ["BaseLoader", "explain", "load_list"]

BaseLoader = Callable[[str], str]
"""The TOML text of another list by its id; raises FileNotFoundError (or BadInputError) when there is none."""


def load_list(text: str, origin: str, vocabulary: Vocabulary, base_loader: BaseLoader) -> ShotList:
    """The complete list that a TOML text describes, with the shots of the lists it builds on.

    `origin` names the text in messages. Raises BadInputError with the line of a mistake: an unknown key, word or
    list (and the nearest right one), a shot that no photo can satisfy, a circle of lists.
    """
    return _load(text, origin, vocabulary, base_loader, ())


def _load(
    text: str, origin: str, vocabulary: Vocabulary, loader: BaseLoader, path: tuple[str, ...]
) -> ShotList:
    file = TomlFile(text, origin)
    tables = file.read(ListFile, with_lists(file.data))
    head = tables.list
    base = _base(head, file, vocabulary, loader, path)
    reader = _ListReader(file, vocabulary, tables)
    own = [reader.shot(table, ("shot", n)) for n, table in enumerate(tables.shot)]
    structures = [w for w in reader.components if w.group == "structure"]
    result = ShotList(
        id=head.id,
        title=_or_base(head.title, base.title if base else head.id),
        basis=_or_base(head.basis, base.basis if base else ""),
        safety=_or_base(head.safety, base.safety if base else ""),
        shots=tuple(_merged(base, own, head, file)),
        structures=frozenset(w.id for w in structures),
        plain=tuple((w.id, w.words) for w in structures),
        builds_on=(base.id, *base.builds_on) if base else (),
    )
    _check_whole(result, tables, file)
    return result


def _or_base(stated: str | None, base: str) -> str:
    return base if stated is None else stated


def _base(
    head: HeadTable, file: TomlFile, vocabulary: Vocabulary, loader: BaseLoader, path: tuple[str, ...]
) -> ShotList | None:
    wanted, place = head.builds_on, ("list", "builds_on")
    if not wanted:
        return None
    chain = (*path, head.id)
    if wanted in chain:
        circle = " -> ".join((*chain, wanted))
        file.refuse(
            place, f"the lists build on each other in a circle: {circle}", "Remove one of these links."
        )
    try:
        text = loader(wanted)
    except FileNotFoundError:
        file.refuse(place, f"there is no list {wanted!r} to build on", "`evidence lists` shows all lists.")
    return _load(text, f"{wanted}.toml", vocabulary, loader, chain)


def _merged(base: ShotList | None, own: list[Shot], head: HeadTable, file: TomlFile) -> list[Shot]:
    """The base's shots less those dropped, own ones in the place of those they replace, then the new ones."""
    known = {shot.id: shot for shot in base.shots} if base else {}
    for n, name in enumerate(head.drop):
        if name not in known:
            what = f"the list it builds on has no shot {name!r}"
            file.refuse(("list", "drop", n), what, nearest(name, known))
        del known[name]
    seen: set[str] = set()
    for n, shot in enumerate(own):
        if shot.id in seen:
            file.refuse(("shot", n, "id"), f"a second shot {shot.id!r}", "Give it an id of its own.")
        seen.add(shot.id)
        known[shot.id] = shot
    return list(known.values())


def _check_whole(shots: ShotList, tables: ListFile, file: TomlFile) -> None:
    """Check what needs all shots."""
    if not shots.shots:
        file.refuse(
            ("list", "id"),
            f"list {shots.id!r} asks for nothing",
            "Give it a [[shot]], or build on another list.",
        )
    ids = [shot.id for shot in shots.shots]
    for n, table in enumerate(tables.shot):
        if table.after and (table.after not in ids or table.after == table.id):
            what = f"there is no other shot {table.after!r}"
            file.refuse(("shot", n, "after"), what, nearest(table.after, ids))
    for shot in shots.shots:
        if shot.bounds.after and shot.bounds.after not in ids:
            file.refuse(
                ("list", "drop"),
                f"shot {shot.id!r} comes after {shot.bounds.after!r}, which is dropped",
                "Keep both, or drop both.",
            )
    on_roof = any(shot.area is Area.ROOF or shot.for_each is ForEach.SLOPE for shot in shots.shots)
    if on_roof and not shots.safety.strip():
        file.refuse(
            ("list", "safety"), "shots on the roof, and no safety note", 'Add safety = "..." under [list].'
        )


# --- shots -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _ListReader:
    """Turns the tables of one file into shots; refuses what no photo can satisfy."""

    file: TomlFile
    vocabulary: Vocabulary
    tables: ListFile

    @property
    def components(self) -> list[Word]:
        return [w for w in self.vocabulary.words if w.facet is Facet.COMPONENT]

    def shot(self, table: ShotTable, place: KeyPath) -> Shot:
        for_each = table.for_each
        ways = self._ways(table, place)
        if table.faces and for_each not in {ForEach.ELEVATION, ForEach.SLOPE}:
            self.file.refuse(
                (*place, "faces"),
                "'faces' is for a shot of each elevation or slope",
                "Write face under facets instead.",
            )
        bounds, quality = self.tables.bounds, self.tables.quality
        return Shot(
            id=table.id,
            title=table.title,
            for_each=for_each,
            ways=ways,
            area=table.area or _area(for_each, ways, self.components),
            only_when=tuple(
                self._condition(when, (*place, "only_when", n)) for n, when in enumerate(table.only_when)
            ),
            faces=tuple(face for face in FACES if not table.faces or face in table.faces),
            bounds=Bounds(
                after_loss=bounds.after_loss if table.after_loss is None else table.after_loss,
                in_window=bounds.in_window if table.in_window is None else table.in_window,
                same_day=bounds.same_day if table.same_day is None else table.same_day,
                after=table.after,
            ),
            quality=QualityFloor(
                sharpness=quality.sharpness if table.sharpness is None else table.sharpness,
                pixels=quality.pixels if table.pixels is None else table.pixels,
            ),
        )

    def _ways(self, table: ShotTable, place: KeyPath) -> tuple[Way, ...]:
        if (table.facets is None) == (table.any_of is None):
            self.file.refuse(
                (*place, "id"), "a shot needs either 'facets' or 'any_of'", "Give it one of the two."
            )
        if table.facets is not None:
            only = PartTable(least=table.least or 1, facets=table.facets)
            return (Way(parts=(self._part(only, table.for_each, place),)),)
        if table.least is not None:
            self.file.refuse((*place, "least"), "'least' belongs in each way of 'any_of'", "Move it there.")
        ways = tuple(
            self._way(way, table.for_each, (*place, "any_of", n)) for n, way in enumerate(table.any_of or ())
        )
        if not ways or not all(way.parts for way in ways):
            self.file.refuse((*place, "any_of"), "'any_of' is empty", "Add a way that satisfies the shot.")
        return ways

    def _way(self, way: WayTable, for_each: ForEach, place: KeyPath) -> Way:
        if (way.facets is None) == (way.parts is None):
            self.file.refuse(
                (*place, "facets"), "a way needs either 'facets' or 'parts'", "Give it one of the two."
            )
        if way.facets is not None:
            part = PartTable(title=way.title, least=way.least, facets=way.facets)
            return Way(parts=(self._part(part, for_each, place),))
        parts = enumerate(way.parts or ())
        return Way(
            parts=tuple(self._part(part, for_each, (*place, "parts", n)) for n, part in parts),
            title=way.title,
        )

    def _part(self, part: PartTable, for_each: ForEach, place: KeyPath) -> Part:
        place = (*place, "facets")
        if part.facets == FacetTable() and for_each is ForEach.ONCE:
            self.file.refuse(place, "empty facets are met by any photo", "Name a role or a component.")
        criteria = self._criteria(part.facets, place)
        if criteria.faces is not None and for_each in {ForEach.ELEVATION, ForEach.SLOPE}:
            self.file.refuse((*place, "face"), "the face is given by 'for_each'", "Leave face out.")
        if criteria.components is not None and for_each is ForEach.STRUCTURE:
            self.file.refuse(
                (*place, "component"), "the component is given by 'for_each'", "Leave component out."
            )
        return Part(criteria=criteria, least=part.least, title=part.title)

    def _criteria(self, facets: FacetTable, place: KeyPath) -> Criteria:
        roles = [r for r in self.vocabulary.ids(Facet.ROLE) if r not in {Role.DIVIDER, Role.LABEL}]
        for n, role in enumerate(facets.role):
            self.file.choose((*place, "role", n), role, roles)
        least, most = self._count(facets, place)
        criteria = Criteria(
            roles=frozenset(facets.role) or None,
            faces=frozenset(face.value for face in facets.face) or None,
            components=frozenset(self._components(facets, place)) or None,
            conditions=frozenset(condition.value for condition in facets.condition) or None,
            count_least=least,
            count_most=most,
        )
        named = [f"any {w.replace('_', ' ')}" for w in facets.group]
        named += [f"anything of the {w}" for w in facets.zone]
        words = criteria_words(criteria, self.vocabulary.plain, instead=tuple(named), listed=facets.component)
        return replace(criteria, words=words)

    def _components(self, facets: FacetTable, place: KeyPath) -> set[str]:
        """Components named one by one, by their group or by their zone; together they are all allowed."""
        words = self.components
        for n, name in enumerate(facets.component):
            self.file.choose((*place, "component", n), name, [*(w.id for w in words), UNSTATED])
        for n, group in enumerate(facets.group):
            self.file.choose((*place, "group", n), group, sorted({w.group for w in words if w.group}))
        return set(facets.component) | {
            w.id for w in words if w.group in facets.group or (w.zone and w.zone in facets.zone)
        }

    def _count(self, facets: FacetTable, place: KeyPath) -> tuple[int | None, int | None]:
        least, most = facets.count_least, facets.count_most
        if facets.count or most is not None:
            least = least or 0
        if least is not None and most is not None and least > most:
            self.file.refuse(
                (*place, "count_most"),
                f"no count is at least {least} and at most {most}",
                "Correct one of them.",
            )
        return least, most

    def _condition(self, when: WhenTable, place: KeyPath) -> AskedWhen:
        if when == WhenTable():
            self.file.refuse(place, "'only_when' is empty", "Name what must be so, or leave it out.")
        criteria = self._criteria(when, place)
        asked = criteria if criteria != Criteria() else None
        perils = frozenset(word.strip().casefold() for word in when.perils)
        words = [f"some photo shows {criteria.words}"] if asked else []
        words += [f"the peril is {' or '.join(sorted(perils))}"] if perils else []
        words += [f"the house has {when.stories_least} or more storeys"] if when.stories_least else []
        return AskedWhen(
            criteria=asked, perils=perils, stories_least=when.stories_least, words=" and ".join(words)
        )


def _area(for_each: ForEach, ways: tuple[Way, ...], components: list[Word]) -> Area:
    """Where a shot is taken when the list does not say: on the roof if any way to satisfy it is."""
    zones = {w.id: w.zone for w in components}
    if for_each is ForEach.SLOPE:
        return Area.ROOF
    found = set()
    for part in (part for way in ways for part in way.parts):
        if part.criteria.roles and part.criteria.roles & {Role.SLOPE, Role.TEST_SQUARE}:
            return Area.ROOF
        found |= {zones.get(c) for c in part.criteria.components or ()}
    if Zone.ROOF in found:
        return Area.ROOF
    return Area.INSIDE if found == {Zone.INSIDE} else Area.OUTSIDE
