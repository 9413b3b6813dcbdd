"""Required-shot lists as data: read from TOML, checked against the vocabulary, every fault with its line.

The language is described at the head of `config/required_shots/hail_roof.toml`.
"""

from __future__ import annotations

from collections.abc import Callable

from evidence.coverage.explain import criteria_words, explain
from evidence.coverage.nodes import Node, Source
from evidence.coverage.shots import (
    FACES,
    UNSTATED,
    Area,
    Bounds,
    Condition,
    Criteria,
    ForEach,
    Part,
    QualityFloor,
    Shot,
    ShotList,
    Way,
)
from evidence.coverage.toml_lines import nearest, parse_toml
from evidence.model import Face, Facet, Role
from evidence.tags.vocabulary import Vocabulary, Zone

__all__ = ["BaseLoader", "explain", "load_list"]

BaseLoader = Callable[[str], str]
"""The TOML text of another list by its id; raises FileNotFoundError (or BadInputError) when there is none."""

MOST_SHOTS = 50
"""More distinct shots of one thing are taken for a typing error."""

_LIST_KEYS = ("id", "title", "basis", "safety", "builds_on", "drop")
_CRITERIA_KEYS = (
    "role",
    "face",
    "component",
    "group",
    "zone",
    "condition",
    "count",
    "count_least",
    "count_most",
)
_BOUND_KEYS = ("after_loss", "in_window", "same_day", "after")
_QUALITY_KEYS = ("sharpness", "pixels")
_SHOT_KEYS = (
    "id", "title", "for_each", "area", "faces", "least", "facets", "any_of", "only_when", *_BOUND_KEYS, *_QUALITY_KEYS
)  # fmt: skip
_WAY_KEYS = ("title", "least", "facets", "parts")
_PART_KEYS = ("title", "least", "facets")
_WHEN_KEYS = (*_CRITERIA_KEYS, "perils", "stories_least")


def load_list(text: str, origin: str, vocabulary: Vocabulary, base_loader: BaseLoader) -> ShotList:
    """The list that a TOML text describes, whole, with all that it builds on.

    `origin` names the text in messages. Raises BadInputError with the line for anything that cannot be meant: an
    unknown key, word or list (and the nearest right one), a shot that nothing can satisfy, a circle of lists.
    """
    return _load(text, origin, vocabulary, base_loader, ())


def _load(
    text: str, origin: str, vocabulary: Vocabulary, loader: BaseLoader, path: tuple[str, ...]
) -> ShotList:
    data, lines = parse_toml(text, origin)
    root = Node(data, Source(origin, lines, vocabulary), "")
    root.only("list", "quality", "bounds", "shot")
    head = root.table("list")
    head.only(*_LIST_KEYS)
    name = head.text("id")
    base = _base(head, name, vocabulary, loader, path)
    own = [_shot(node, root) for node in root.tables("shot")]
    shots = _merged(base, own, head, root)
    structures = [w for w in vocabulary.words if w.facet is Facet.COMPONENT and w.group == "structure"]
    result = ShotList(
        id=name,
        title=head.text("title", base.title if base else name),
        basis=head.text("basis", base.basis if base else ""),
        safety=head.text("safety", base.safety if base else ""),
        shots=tuple(shots),
        structures=frozenset(w.id for w in structures),
        plain=tuple((w.id, w.words) for w in structures),
        builds_on=(base.id, *base.builds_on) if base else (),
    )
    _check_whole(result, head, root)
    return result


def _base(
    head: Node, name: str, vocabulary: Vocabulary, loader: BaseLoader, path: tuple[str, ...]
) -> ShotList | None:
    wanted = head.text("builds_on", "")
    if not wanted:
        return None
    chain = (*path, name)
    if wanted in chain:
        head.refuse(
            "builds_on",
            f"the lists build on each other in a circle: {' -> '.join((*chain, wanted))}",
            "Break it.",
        )
    try:
        text = loader(wanted)
    except FileNotFoundError:
        head.refuse(
            "builds_on",
            f"there is no list {wanted!r} to build on",
            "See `evidence lists` for those there are.",
        )
    return _load(text, f"{wanted}.toml", vocabulary, loader, chain)


def _merged(base: ShotList | None, own: list[Shot], head: Node, root: Node) -> list[Shot]:
    """The base's shots less those dropped, own ones in the place of those they replace, then the new ones."""
    known = {shot.id: shot for shot in base.shots} if base else {}
    for name in head.words("drop"):
        if name not in known:
            head.refuse_word(
                "drop", name, f"the list it builds on has no shot {name!r}", nearest(name, known or ["-"])
            )
        del known[name]
    seen: set[str] = set()
    for node, shot in zip(root.tables("shot"), own, strict=True):
        if shot.id in seen:
            node.refuse("id", f"a second shot {shot.id!r}", "Give it an id of its own.")
        seen.add(shot.id)
        known[shot.id] = shot
    return list(known.values())


def _check_whole(shots: ShotList, head: Node, root: Node) -> None:
    """What can only be judged when all shots are known."""
    if not shots.shots:
        head.refuse(
            "id", f"list {shots.id!r} asks for nothing", "Give it a [[shot]], or build on another list."
        )
    ids = [shot.id for shot in shots.shots]
    for node in root.tables("shot"):
        after = node.text("after", "")
        if after and (after not in ids or after == node.text("id")):
            node.refuse("after", f"there is no other shot {after!r}", nearest(after, ids))
    for shot in shots.shots:
        if shot.bounds.after and shot.bounds.after not in ids:
            head.refuse(
                "drop", f"shot {shot.id!r} comes after {shot.bounds.after!r}, which is gone", "Keep both."
            )
    if (
        any(shot.area is Area.ROOF or shot.for_each is ForEach.SLOPE for shot in shots.shots)
        and not shots.safety.strip()
    ):
        head.refuse("safety", "shots on the roof, and no safety note", 'Add safety = "..." under [list].')


# --- shots -------------------------------------------------------------------------------


def _shot(node: Node, root: Node) -> Shot:
    node.only(*_SHOT_KEYS)
    for_each = ForEach(node.choice("for_each", list(ForEach), ForEach.ONCE))
    ways = _ways(node, for_each)
    faces = tuple(Face(f) for f in node.word_choices("faces", FACES)) or FACES
    if "faces" in node.raw and for_each not in {ForEach.ELEVATION, ForEach.SLOPE}:
        node.refuse(
            "faces", "'faces' is for a shot of each elevation or slope", "Write face under facets instead."
        )
    return Shot(
        id=node.text("id"),
        title=node.text("title"),
        for_each=for_each,
        ways=ways,
        area=Area(node.choice("area", list(Area), _area(for_each, ways, node))),
        only_when=tuple(_condition(when) for when in node.tables_or_table("only_when")),
        faces=tuple(face for face in FACES if face in faces),
        bounds=_bounds(node, root.table("bounds")),
        quality=_quality(node, root.table("quality")),
    )


def _ways(node: Node, for_each: ForEach) -> tuple[Way, ...]:
    if ("facets" in node.raw) == ("any_of" in node.raw):
        node.refuse("id", "a shot needs either 'facets' or 'any_of'", "Give it one of the two.")
    if "any_of" not in node.raw:
        return (Way(parts=(_part(node, for_each, ""),)),)
    if "least" in node.raw:
        node.refuse("least", "'least' belongs into each way of 'any_of'", "Move it there.")
    ways = []
    for way in node.tables("any_of"):
        way.only(*_WAY_KEYS)
        if ("facets" in way.raw) == ("parts" in way.raw):
            way.refuse("facets", "a way needs either 'facets' or 'parts'", "Give it one of the two.")
        title = way.text("title", "")
        if "facets" in way.raw:
            ways.append(Way(parts=(_part(way, for_each, title),)))
            continue
        inner = way.tables("parts")
        for part in inner:
            part.only(*_PART_KEYS)
        ways.append(Way(parts=tuple(_part(p, for_each, p.text("title", "")) for p in inner), title=title))
    if not ways or not all(way.parts for way in ways):
        node.refuse("any_of", "'any_of' is empty", "Give it a way that satisfies the shot.")
    return tuple(ways)


def _part(node: Node, for_each: ForEach, title: str) -> Part:
    inner = node.table("facets")
    inner.only(*_CRITERIA_KEYS)
    if not inner.raw and for_each is ForEach.ONCE:
        inner.refuse("facets", "empty facets are met by any photo", "Name a role or a component.")
    criteria = _criteria(inner)
    if criteria.faces is not None and for_each in {ForEach.ELEVATION, ForEach.SLOPE}:
        inner.refuse("face", "the face is given by 'for_each'", "Leave face out.")
    if criteria.components is not None and for_each is ForEach.STRUCTURE:
        inner.refuse("component", "the component is given by 'for_each'", "Leave component out.")
    return Part(criteria=criteria, least=node.whole("least", 1, 1, MOST_SHOTS), title=title)


def _criteria(node: Node) -> Criteria:
    vocabulary = node.source.vocabulary
    roles = node.word_choices(
        "role", [r for r in vocabulary.ids(Facet.ROLE) if r not in {Role.DIVIDER, Role.LABEL}]
    )
    faces = node.word_choices("face", vocabulary.ids(Facet.FACE))
    conditions = node.word_choices("condition", vocabulary.ids(Facet.CONDITION))
    components = _components(node, vocabulary)
    least, most = _count(node)
    criteria = Criteria(
        roles=frozenset(roles) or None,
        faces=frozenset(faces) or None,
        components=frozenset(components) or None,
        conditions=frozenset(conditions) or None,
        count_least=least,
        count_most=most,
    )
    return _with_words(criteria, vocabulary, node)


def _with_words(criteria: Criteria, vocabulary: Vocabulary, node: Node) -> Criteria:
    named = [f"any {w.replace('_', ' ')}" for w in node.words("group")]
    named += [f"anything of the {w}" for w in node.words("zone")]
    words = criteria_words(
        criteria, vocabulary.plain, instead=tuple(named), listed=tuple(node.words("component"))
    )
    return Criteria(
        roles=criteria.roles,
        faces=criteria.faces,
        components=criteria.components,
        conditions=criteria.conditions,
        count_least=criteria.count_least,
        count_most=criteria.count_most,
        words=words,
    )


def _components(node: Node, vocabulary: Vocabulary) -> set[str]:
    """Components named one by one, by their group or by their zone; together they are all allowed."""
    words = [w for w in vocabulary.words if w.facet is Facet.COMPONENT]
    found = set(node.word_choices("component", [*(w.id for w in words), UNSTATED]))
    groups = node.word_choices("group", sorted({w.group for w in words if w.group}))
    zones = node.word_choices("zone", list(Zone))
    return found | {w.id for w in words if w.group in groups or (w.zone and w.zone in zones)}


def _count(node: Node) -> tuple[int | None, int | None]:
    stated = node.choice("count", ["stated"], "")
    least = node.whole("count_least", 0, 0, 10_000) if "count_least" in node.raw else None
    most = node.whole("count_most", 0, 0, 10_000) if "count_most" in node.raw else None
    if stated or most is not None:
        least = least or 0
    if least is not None and most is not None and least > most:
        node.refuse("count_most", f"no count is at least {least} and at most {most}", "Correct one of them.")
    return least, most


def _condition(node: Node) -> Condition:
    node.only(*_WHEN_KEYS)
    if not node.raw:
        node.refuse("only_when", "'only_when' says nothing", "Name what must be so, or leave it out.")
    facets = Node(
        {k: v for k, v in node.raw.items() if k in _CRITERIA_KEYS}, node.source, node.name, node.inline
    )
    criteria = _criteria(facets) if facets.raw else None
    perils = frozenset(word.strip().casefold() for word in node.words("perils"))
    stories = node.whole("stories_least", 0, 0, 200)
    words = [f"some photo shows {criteria.words}"] if criteria else []
    words += [f"the peril is {' or '.join(sorted(perils))}"] if perils else []
    words += [f"the house has {stories} or more storeys"] if stories else []
    return Condition(criteria=criteria, perils=perils, stories_least=stories, words=" and ".join(words))


def _bounds(node: Node, default: Node) -> Bounds:
    default.only(*(key for key in _BOUND_KEYS if key != "after"))
    return Bounds(
        after_loss=node.truth("after_loss", default.truth("after_loss", False)),
        in_window=node.truth("in_window", default.truth("in_window", False)),
        same_day=node.truth("same_day", default.truth("same_day", False)),
        after=node.text("after", ""),
    )


def _quality(node: Node, default: Node) -> QualityFloor:
    default.only(*_QUALITY_KEYS)
    return QualityFloor(
        sharpness=node.number("sharpness", default.number("sharpness", 0.0)),
        pixels=node.whole("pixels", default.whole("pixels", 0, 0, 10**9), 0, 10**9),
    )


def _area(for_each: ForEach, ways: tuple[Way, ...], node: Node) -> Area:
    """Where a shot is taken when the list does not say: on the roof if any way to satisfy it is."""
    zones = {w.id: w.zone for w in node.source.vocabulary.words if w.facet is Facet.COMPONENT}
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
