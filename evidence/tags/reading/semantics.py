"""The words of a board resolved into one value for each facet, with alternatives and flags."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from evidence.model import Facet, Finding, Role
from evidence.tags.reading.lexicon import may_be_no
from evidence.tags.vocabulary import MAX_COUNT, Word

IMPLIED = 0.9
"""Confidence factor of an implied value: a gauge is a measurement, no damage is its proof."""

FIRST_OF_TWO = 0.7
"""Confidence factor of the preferred meaning of a letter with two meanings."""

_ROLE_RANK = (
    Role.TEST_SQUARE,
    Role.MEASUREMENT,
    Role.CLOSE_UP,
    Role.NO_DAMAGE_PROOF,
    Role.SLOPE,
    Role.ELEVATION,
    Role.OVERVIEW,
    Role.OTHER,
)
"""Of several roles on one board the most specific counts: `SLOPE TS` is a test square."""

COUNTED_ROLES = frozenset({Role.TEST_SQUARE, Role.SLOPE})
"""Roles whose photos carry a count of hits."""
_GENERAL = frozenset({"roof", "shingle", "room", "contents", "window", "tape_measure"})
"""Components so general that a second component on the board is meant instead."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenFacet:
    """One facet value that the writing states or implies."""

    facet: Facet
    value: str
    confidence: float
    """Confidence of the recognition times that of the correction; not calibrated."""
    seen: str
    """The text it was read from."""
    implied: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """Everything read from the writing in one photo."""

    text: str = ""
    facets: tuple[WrittenFacet, ...] = ()
    """For each facet the value to take comes before its alternatives."""
    compass: float | None = None
    """Direction of the side or slope that a compass word names, in degrees clockwise from north."""
    notes: tuple[str, ...] = ()
    """What fits no facet: `pitch 8/12`, `2 layers`, `drip edge: yes`."""
    flags: tuple[Finding, ...] = ()
    unread: tuple[str, ...] = ()
    legible: float = 0.0
    """Share of its letters that are in known words."""

    def best(self, facet: Facet) -> WrittenFacet | None:
        """The value to take for a facet."""
        return next((one for one in self.facets if one.facet is facet), None)

    def all(self, facet: Facet) -> tuple[WrittenFacet, ...]:
        """The value to take and its alternatives."""
        return tuple(one for one in self.facets if one.facet is facet)


@dataclass(slots=True)
class ParsedWords:
    """The words of a board by kind, before they are resolved."""

    notes: list[str]
    words: list[tuple[Word, float, str, int]] = field(default_factory=list)
    numbers: list[tuple[int, bool, int]] = field(default_factory=list)
    either: list[tuple[tuple[str, ...], float, str]] = field(default_factory=list)
    answers: list[tuple[bool, int]] = field(default_factory=list)
    unread: list[str] = field(default_factory=list)
    gaps: list[tuple[str, int]] = field(default_factory=list)
    """Unknown words, and their indices."""
    compass: float | None = None
    compass_at: list[int] = field(default_factory=list)

    def of(self, facet: Facet) -> list[tuple[Word, float, str, int]]:
        """The words found for one facet."""
        return [item for item in self.words if item[0].facet is facet]


def resolve(text: str, found: ParsedWords, *, legible: float) -> Reading:
    """Resolve the words of a board into values of facets; `legible` is the share of letters in known words."""
    flags: list[Finding] = []
    faces = _faces(found, flags)
    components = _components(found, flags)
    conditions = _conditions(found, flags)
    roles = _roles(found, components, conditions)
    counts = _counts(found, roles, flags)
    _answers(found, components)
    facets = [*faces, *components, *conditions, *roles, *counts]
    trust = 1.0 if legible >= 0.6 else legible  # mostly unknown words: a sign, a page, a wrapper
    return Reading(
        text=text,
        facets=tuple(replace(s, confidence=s.confidence * trust) for s in facets if s.confidence * trust > 0),
        compass=found.compass,
        notes=tuple(found.notes),
        flags=tuple(flags),
        unread=tuple(found.unread),
        legible=legible,
    )


def _distinct(items: Iterable[tuple[Word, float, str, int]]) -> dict[str, tuple[Word, float, str, int]]:
    kept: dict[str, tuple[Word, float, str, int]] = {}
    for item in items:
        if item[0].id not in kept or kept[item[0].id][1] < item[1]:
            kept[item[0].id] = item
    return kept


def _faces(found: ParsedWords, flags: list[Finding]) -> list[WrittenFacet]:
    named = _distinct(found.of(Facet.FACE))
    values = [
        WrittenFacet(facet=Facet.FACE, value=w.id, confidence=confidence, seen=seen)
        for w, confidence, seen, _ in named.values()
    ]
    if len(values) > 1:
        flags.append(
            _flag("two_faces", f"The board names {_and(s.value for s in values)}; the first one is used.")
        )
        return [replace(s, confidence=s.confidence * (0.6 if k == 0 else 0.4)) for k, s in enumerate(values)]
    for meanings, confidence, seen in found.either:
        if values:
            continue
        flags.append(_flag("ambiguous_word", f"'{seen}' may mean {_or(meanings)}; {meanings[0]} is used."))
        rest = (1 - FIRST_OF_TWO) / max(1, len(meanings) - 1)
        values = [
            WrittenFacet(
                facet=Facet.FACE, value=name, confidence=confidence * (rest if k else FIRST_OF_TWO), seen=seen
            )
            for k, name in enumerate(meanings)
        ]
    return values


def _components(found: ParsedWords, flags: list[Finding]) -> list[WrittenFacet]:
    named = list(_distinct(found.of(Facet.COMPONENT)).values())
    named.sort(key=lambda item: (item[0].group == "room" or item[0].id in _GENERAL, item[3]))
    values = [
        WrittenFacet(facet=Facet.COMPONENT, value=w.id, confidence=confidence, seen=seen)
        for w, confidence, seen, _ in named
    ]
    particular = [w for w, _, _, _ in named if w.group != "room" and w.id not in _GENERAL]
    if len(particular) > 1:
        names = _and(w.words for w in particular)
        flags.append(_flag("two_components", f"The board names {names}; {particular[0].words} is used."))
    return values


def _conditions(found: ParsedWords, flags: list[Finding]) -> list[WrittenFacet]:
    named = _distinct(found.of(Facet.CONDITION))
    named.pop("unstated", None)
    values = [
        WrittenFacet(facet=Facet.CONDITION, value=w.id, confidence=confidence, seen=seen)
        for w, confidence, seen, _ in named.values()
    ]
    if len(values) > 1:
        flags.append(_flag("two_conditions", "The board says both damage and no damage; neither is used."))
        return []
    if values and values[0].value == "damage" and _maybe_no(found):
        flags.append(
            _flag(
                "unclear_condition", "A short word before the word for damage cannot be read; it may be NO."
            )
        )
        return []
    if (
        values
        and values[0].value == "damage"
        and (numbers := _numbers_beside(found, values))
        and all(n == 0 for n in numbers)
    ):
        return []  # `0 HITS` is a count, not a statement of damage
    return values


def _maybe_no(found: ParsedWords) -> bool:
    """Whether a short word before the damage may be NO: `MO DMG`, `N DMG` may be no-damage proofs."""
    short = {place for seen, place in found.gaps if may_be_no(seen)}
    short |= {place for yes, place in found.answers if not yes} | set(found.compass_at)
    return any(place - 1 in short for word, _, _, place in found.of(Facet.CONDITION) if word.id == "damage")


def _numbers_beside(found: ParsedWords, values: list[WrittenFacet]) -> list[int]:
    """Numbers directly before or after the word for damage."""
    places = [place for w, _, _, place in found.of(Facet.CONDITION) if w.id == values[0].value]
    return [number for number, _, where in found.numbers if any(abs(where - place) == 1 for place in places)]


def _roles(
    found: ParsedWords, components: list[WrittenFacet], conditions: list[WrittenFacet]
) -> list[WrittenFacet]:
    named = {Role(w.id): (confidence, seen) for w, confidence, seen, _ in found.of(Facet.ROLE)}
    values = [
        WrittenFacet(facet=Facet.ROLE, value=role.value, confidence=named[role][0], seen=named[role][1])
        for role in _ROLE_RANK
        if role in named
    ]
    if (
        values
        and values[0].value == Role.SLOPE
        and any(not plus or number for number, plus, _ in found.numbers)
    ):
        # `R SLOPE 10+` is the slope's test square as often as its overview: the chalk decides
        slope = values[0]
        square = replace(
            slope, value=Role.TEST_SQUARE.value, confidence=slope.confidence * 0.45, implied=True
        )
        return [replace(slope, confidence=slope.confidence * 0.55), square, *values[1:]]
    implied: list[WrittenFacet] = []
    for word, confidence, seen, _ in found.words:
        for facet, value in word.implies:
            if facet is not Facet.ROLE or not _counts_here(word, components, conditions):
                continue
            implied.append(
                WrittenFacet(
                    facet=facet, value=value, confidence=confidence * IMPLIED, seen=seen, implied=True
                )
            )
    measured = any(s.value == Role.MEASUREMENT for s in implied)
    if values and not (measured and values[0].value in (Role.SLOPE, Role.OVERVIEW)):
        return values[:1]
    if implied:
        return sorted(implied, key=lambda s: _ROLE_RANK.index(Role(s.value)))[:1]
    if conditions and conditions[0].value == "damage":
        return [
            replace(
                conditions[0],
                facet=Facet.ROLE,
                value=Role.CLOSE_UP.value,
                confidence=conditions[0].confidence * 0.6,
                implied=True,
            )
        ]
    return values[:1]


def _counts_here(word: Word, components: list[WrittenFacet], conditions: list[WrittenFacet]) -> bool:
    if word.facet is Facet.COMPONENT:
        return bool(components) and components[0].value == word.id
    return any(c.value == word.id for c in conditions)


def _counts(found: ParsedWords, roles: list[WrittenFacet], flags: list[Finding]) -> list[WrittenFacet]:
    """The number of hits: next to a word for hits, or on a board that names a test square or slope."""
    layers = {place for w, _, _, place in found.of(Facet.COMPONENT) if w.id == "layers"}
    hits = {place for w, _, _, place in found.of(Facet.CONDITION) if w.id == "damage"}
    squares = [s for s in roles if s.value in COUNTED_ROLES]
    confidence = max(
        (s for w, s, _, _ in found.words if w.facet in (Facet.ROLE, Facet.CONDITION)), default=0.9
    )
    near: list[tuple[int, bool]] = []
    loose: list[tuple[int, bool]] = []
    for number, plus, place in found.numbers:
        if place + 1 in layers or place - 1 in layers:
            found.notes.append(f"{number} layers" if number != 1 else "1 layer")
        elif number <= MAX_COUNT:
            (near if {place - 1, place + 1} & hits else loose).append((number, plus))
    chosen = near or (loose if squares or any(plus for _, plus in loose) else [])
    if len(set(chosen)) > 1:
        flags.append(
            _flag(
                "two_counts", f"The board shows the numbers {_and(str(n) for n, _ in chosen)}; none is used."
            )
        )
        return []
    if not chosen:
        return []
    number, plus = chosen[0]
    if plus:
        found.notes.append(f"{number} or more")
    return [
        WrittenFacet(
            facet=Facet.COUNT, value=str(number), confidence=confidence, seen=f"{number}{'+' if plus else ''}"
        )
    ]


def _answers(found: ParsedWords, components: list[WrittenFacet]) -> None:
    """Note a yes or no after a component: `DRIP EDGE Y`."""
    for yes, place in found.answers:
        before = [w for w, _, _, at in found.of(Facet.COMPONENT) if at < place]
        after = [w for w, _, _, at in found.of(Facet.COMPONENT) if at == place + 1]
        about = before[-1:] or after[:1]
        if components and about:
            found.notes.append(f"{about[0].words}: {'yes' if yes else 'no'}")


def _flag(code: str, message: str) -> Finding:
    return Finding(code=code, message=message)


def _and(names: Iterable[str]) -> str:
    return " and ".join(names)


def _or(names: Iterable[str]) -> str:
    return " or ".join(names)
