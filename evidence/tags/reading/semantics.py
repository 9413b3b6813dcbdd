"""The words found on a board weighed into one value for each facet, its alternatives and its doubts."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from evidence.model import Facet, Finding, Role
from evidence.tags.reading.lexicon import may_be_no
from evidence.tags.vocabulary import MAX_COUNT, Word

IMPLIED = 0.9
"""Certainty factor of what goes without saying: a gauge is a measurement, no damage is its proof."""

FIRST_OF_TWO = 0.7
"""Certainty factor of the meaning a setting prefers for a letter that has two."""

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
"""Of several roles on one board the most particular counts: `SLOPE TS` is a test square."""

COUNTED = frozenset({Role.TEST_SQUARE, Role.SLOPE})
"""Roles whose photos have their hits counted."""
_GENERAL = frozenset({"roof", "shingle", "room", "contents", "window", "tape_measure"})
"""Components so general that a second one on the board is the one that is meant."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spoken:
    """One facet value that the writing states or implies."""

    facet: Facet
    value: str
    sure: float
    """The reader's certainty times ours; not calibrated."""
    seen: str
    """The words it was read from."""
    implied: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """Everything the writing of one photo says."""

    text: str = ""
    spoken: tuple[Spoken, ...] = ()
    """The value to take for each facet comes before its alternatives."""
    compass: float | None = None
    """Degrees of the side or slope a compass word names."""
    notes: tuple[str, ...] = ()
    """What no facet holds: `pitch 8/12`, `2 layers`, `drip edge: yes`."""
    flags: tuple[Finding, ...] = ()
    unread: tuple[str, ...] = ()

    def best(self, facet: Facet) -> Spoken | None:
        """The value to take for a facet."""
        return next((spoken for spoken in self.spoken if spoken.facet is facet), None)

    def all(self, facet: Facet) -> tuple[Spoken, ...]:
        """The value to take and its alternatives."""
        return tuple(spoken for spoken in self.spoken if spoken.facet is facet)


@dataclass(slots=True)
class Found:
    """What a board of words holds before it is weighed."""

    notes: list[str]
    words: list[tuple[Word, float, str, int]] = field(default_factory=list)
    numbers: list[tuple[int, bool, int]] = field(default_factory=list)
    either: list[tuple[tuple[str, ...], float, str]] = field(default_factory=list)
    answers: list[tuple[bool, int]] = field(default_factory=list)
    unread: list[str] = field(default_factory=list)
    gaps: list[tuple[str, int]] = field(default_factory=list)
    """Words that were not understood, and where they stand."""
    compass: float | None = None
    compass_at: list[int] = field(default_factory=list)

    def of(self, facet: Facet) -> list[tuple[Word, float, str, int]]:
        """The words found for one facet."""
        return [item for item in self.words if item[0].facet is facet]


def settle(text: str, found: Found, *, legible: float) -> Reading:
    """Weigh what was found: one value for each facet first, its alternatives after it."""
    flags: list[Finding] = []
    faces = _faces(found, flags)
    components = _components(found, flags)
    conditions = _conditions(found, flags)
    roles = _roles(found, components, conditions)
    counts = _counts(found, roles, flags)
    _answers(found, components)
    spoken = [*faces, *components, *conditions, *roles, *counts]
    trust = 1.0 if legible >= 0.6 else legible  # mostly foreign words: a sign, a page, a wrapper
    return Reading(
        text=text,
        spoken=tuple(replace(s, sure=s.sure * trust) for s in spoken if s.sure * trust > 0),
        compass=found.compass,
        notes=tuple(found.notes),
        flags=tuple(flags),
        unread=tuple(found.unread),
    )


def _distinct(items: Iterable[tuple[Word, float, str, int]]) -> dict[str, tuple[Word, float, str, int]]:
    kept: dict[str, tuple[Word, float, str, int]] = {}
    for item in items:
        if item[0].id not in kept or kept[item[0].id][1] < item[1]:
            kept[item[0].id] = item
    return kept


def _faces(found: Found, flags: list[Finding]) -> list[Spoken]:
    named = _distinct(found.of(Facet.FACE))
    said = [Spoken(facet=Facet.FACE, value=w.id, sure=sure, seen=seen) for w, sure, seen, _ in named.values()]
    if len(said) > 1:
        flags.append(_flag("two_faces", f"Writing names {_and(s.value for s in said)}; the first is taken."))
        return [replace(s, sure=s.sure * (0.6 if k == 0 else 0.4)) for k, s in enumerate(said)]
    for meanings, sure, seen in found.either:
        if said:
            continue
        flags.append(_flag("ambiguous_word", f"'{seen}' may mean {_or(meanings)}; {meanings[0]} is taken."))
        rest = (1 - FIRST_OF_TWO) / max(1, len(meanings) - 1)
        said = [
            Spoken(facet=Facet.FACE, value=name, sure=sure * (rest if k else FIRST_OF_TWO), seen=seen)
            for k, name in enumerate(meanings)
        ]
    return said


def _components(found: Found, flags: list[Finding]) -> list[Spoken]:
    named = list(_distinct(found.of(Facet.COMPONENT)).values())
    named.sort(key=lambda item: (item[0].group == "room" or item[0].id in _GENERAL, item[3]))
    said = [Spoken(facet=Facet.COMPONENT, value=w.id, sure=sure, seen=seen) for w, sure, seen, _ in named]
    particular = [w for w, _, _, _ in named if w.group != "room" and w.id not in _GENERAL]
    if len(particular) > 1:
        names = _and(w.words for w in particular)
        flags.append(
            _flag("two_components", f"Writing names {names}; it is filed under {particular[0].words}.")
        )
    return said


def _conditions(found: Found, flags: list[Finding]) -> list[Spoken]:
    named = _distinct(found.of(Facet.CONDITION))
    named.pop("unstated", None)
    said = [
        Spoken(facet=Facet.CONDITION, value=w.id, sure=sure, seen=seen) for w, sure, seen, _ in named.values()
    ]
    if len(said) > 1:
        flags.append(_flag("two_conditions", "Writing says both damage and no damage; neither is taken."))
        return []
    if said and said[0].value == "damage" and _maybe_no(found):
        flags.append(
            _flag("unclear_condition", "A short word before the damage cannot be read; it may be NO.")
        )
        return []
    if (
        said
        and said[0].value == "damage"
        and (numbers := _beside(found, said))
        and all(n == 0 for n in numbers)
    ):
        return []  # `0 HITS` counts, it does not claim damage
    return said


def _maybe_no(found: Found) -> bool:
    """`MO DMG`, `N DMG`: taking it for damage would turn a no-damage proof round."""
    short = {place for seen, place in found.gaps if may_be_no(seen)}
    short |= {place for yes, place in found.answers if not yes} | set(found.compass_at)
    return any(place - 1 in short for word, _, _, place in found.of(Facet.CONDITION) if word.id == "damage")


def _beside(found: Found, said: list[Spoken]) -> list[int]:
    """Numbers right before or after the word for damage."""
    places = [place for w, _, _, place in found.of(Facet.CONDITION) if w.id == said[0].value]
    return [number for number, _, where in found.numbers if any(abs(where - place) == 1 for place in places)]


def _roles(found: Found, components: list[Spoken], conditions: list[Spoken]) -> list[Spoken]:
    named = {Role(w.id): (sure, seen) for w, sure, seen, _ in found.of(Facet.ROLE)}
    said = [
        Spoken(facet=Facet.ROLE, value=role.value, sure=named[role][0], seen=named[role][1])
        for role in _ROLE_RANK
        if role in named
    ]
    if said and said[0].value == Role.SLOPE and any(not plus or number for number, plus, _ in found.numbers):
        # `R SLOPE 10+` is the slope's test square as often as its overview: the chalk decides
        slope = said[0]
        square = replace(slope, value=Role.TEST_SQUARE.value, sure=slope.sure * 0.45, implied=True)
        return [replace(slope, sure=slope.sure * 0.55), square, *said[1:]]
    implied: list[Spoken] = []
    for word, sure, seen, _ in found.words:
        for facet, value in word.implies:
            if facet is not Facet.ROLE or not _counts_here(word, components, conditions):
                continue
            implied.append(Spoken(facet=facet, value=value, sure=sure * IMPLIED, seen=seen, implied=True))
    measured = any(s.value == Role.MEASUREMENT for s in implied)
    if said and not (measured and said[0].value in (Role.SLOPE, Role.OVERVIEW)):
        return said[:1]
    if implied:
        return sorted(implied, key=lambda s: _ROLE_RANK.index(Role(s.value)))[:1]
    if conditions and conditions[0].value == "damage":
        return [
            replace(
                conditions[0],
                facet=Facet.ROLE,
                value=Role.CLOSE_UP.value,
                sure=conditions[0].sure * 0.6,
                implied=True,
            )
        ]
    return said[:1]


def _counts_here(word: Word, components: list[Spoken], conditions: list[Spoken]) -> bool:
    if word.facet is Facet.COMPONENT:
        return bool(components) and components[0].value == word.id
    return any(c.value == word.id for c in conditions)


def _counts(found: Found, roles: list[Spoken], flags: list[Finding]) -> list[Spoken]:
    """The number of hits: beside a word for hits, or on a board that names a test square or slope."""
    layers = {place for w, _, _, place in found.of(Facet.COMPONENT) if w.id == "layers"}
    hits = {place for w, _, _, place in found.of(Facet.CONDITION) if w.id == "damage"}
    squares = [s for s in roles if s.value in COUNTED]
    sure = max((s for w, s, _, _ in found.words if w.facet in (Facet.ROLE, Facet.CONDITION)), default=0.9)
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
                "two_counts", f"Writing holds the numbers {_and(str(n) for n, _ in chosen)}; none is taken."
            )
        )
        return []
    if not chosen:
        return []
    number, plus = chosen[0]
    if plus:
        found.notes.append(f"{number} or more")
    return [Spoken(facet=Facet.COUNT, value=str(number), sure=sure, seen=f"{number}{'+' if plus else ''}")]


def _answers(found: Found, components: list[Spoken]) -> None:
    """`DRIP EDGE Y`: a yes or no after a component is noted."""
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
