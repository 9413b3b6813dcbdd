"""What is written in a photo, as facets: `LEFT SIDE GUTTER NO DMG`, `F TS 8`, `8/12`."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from evidence.model import Box, Facet, Finding, Role, WritingLine
from evidence.tags.lexicon import Lexicon, Token, as_number, build_lexicon
from evidence.tags.vocabulary import MAX_COUNT, Vocabulary, Word, normal

DOUBT = 0.2
"""How much of the reader's own doubt is left once a word of the vocabulary stands there: a misread letter
hardly ever makes another word of ours."""

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

_COUNTED = frozenset({Role.TEST_SQUARE, Role.SLOPE})
_GENERAL = frozenset({"roof", "shingle", "room", "contents", "window", "tape_measure"})
"""Components so general that a second one on the board is the one that is meant."""

_STREETS = "ST|STREET|AVE|AVENUE|RD|ROAD|DR|DRIVE|LN|LANE|CT|COURT|BLVD|WAY|PL|PLACE|CIR|CIRCLE|TRL|TRAIL|PKWY|HWY|TER"
_ADDRESS = re.compile(rf"^\d{{1,6}}[A-Z]?\s+(?:[A-Z0-9]+\s+){{1,4}}(?:{_STREETS})\b")
_PITCH = re.compile(r"^([0-9OILZSBG|!]{1,2})\s*/\s*([1I|!L][2Z])$")
_PITCH_WORDS = re.compile(r"\b(\d{1,2})\s*(?:/|IN|ON|X|:)\s*12\b")
_DATES = re.compile(r"\b\d{1,2}[/-]\d{1,2}[/-]\d{2,4}\b|\b\d{4}-\d{2}-\d{2}\b|\b\d{1,2}:\d{2}(?:\s*[AP]M)?\b")
_UNITS = re.compile(r"\b\d+(?:ST|ND|RD|TH)\b|\b\d+(?:\.\d+)?\s*(?:\"|%|IN\b|INCH(?:ES)?\b|FT\b|MM\b|CM\b)")
_SQUARE_SIZE = re.compile(r"\b1[0O]\s*'?\s*X\s*1[0O]\b\s*'?")


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


class Grammar:
    """A vocabulary made ready for reading; build it once and read many photos with it."""

    def __init__(self, vocabulary: Vocabulary) -> None:
        self.vocabulary = vocabulary
        self.lexicon: Lexicon = build_lexicon(vocabulary)

    def read(self, lines: Sequence[WritingLine]) -> Reading:
        """Parse the lines of one photo, in any order; those the reader itself doubts are left out."""
        options = self.vocabulary.writing
        kept = [line for line in reading_order(lines) if line.confidence >= options.min_confidence]
        tokens: list[Token] = []
        notes: list[str] = []
        text = " ".join(line.text.strip() for line in kept)
        for line in kept:
            more, noted = self._tokens(line)
            tokens += more
            notes += noted
        return self._understand(text, tokens, notes)

    def read_text(self, text: str, confidence: float = 1.0) -> Reading:
        """Parse one line of text."""
        tokens, notes = self._tokens(_line(text, confidence))
        return self._understand(text, tokens, notes)

    # --- words ---------------------------------------------------------------------------

    def _tokens(self, line: WritingLine) -> tuple[list[Token], list[str]]:
        """A line as corrected words, and what it notes by the way."""
        text = normal(line.text.replace("_", " "))
        if _ADDRESS.match(text) or self._about_the_file(text):
            return [], []
        notes: list[str] = []
        sure = 1 - DOUBT * (1 - line.confidence)
        text = _SQUARE_SIZE.sub(" 10X10 ", _DATES.sub(" ", text))
        if pitch := _PITCH_WORDS.search(text):
            notes.append(f"pitch {int(pitch[1])}/12")
            text = _PITCH_WORDS.sub(" PITCH ", text)
        text = _UNITS.sub(" ", text)
        words = [word for word in re.split(r"[\s,&()\[\]#*=]+", text) if word.strip("+/")]
        tokens: list[Token] = []
        for word in words:
            for part in self._parts(word):
                if (rise := _rise(part)) is not None:
                    notes.append(f"pitch {rise}/12")
                    tokens.append(Token("PITCH", sure, part))
                    continue
                token = self.lexicon.correct(part)
                tokens.append(replace(token, sure=token.sure * sure))
        return self._joined(tokens, sure), notes

    def _about_the_file(self, text: str) -> bool:
        return any(
            text == start or text.startswith((start + " ", start + "#"))
            for start in self.vocabulary.writing.skip_lines
        )

    def _parts(self, word: str) -> list[str]:
        """A written word cut at slashes, plus signs and digits, unless it is a known spelling as it stands."""
        if self.lexicon.spells(word) or _rise(word) is not None or re.fullmatch(r"\d+\+?", word):
            return [word]
        if (number := as_number(word.rstrip("+"))) is not None and len(word) <= 3:
            return [f"{number}+" if word.endswith("+") else str(number)]
        for separator in ("/", "+"):
            if separator in word.strip(separator):
                pieces = self._rejoined([piece for piece in word.split(separator) if piece])
                return [part for piece in pieces for part in self._parts(piece)]
        word = word.strip("/+") if not word.rstrip("+").isdigit() else word
        if found := re.fullmatch(r"([A-Z]+)(\d+\+?)", word) or re.fullmatch(r"(\d+)([A-Z]+)", word):
            pieces = [found[1], found[2]]
            if all(piece.rstrip("+").isdigit() or piece in self.lexicon.tokens for piece in pieces):
                return pieces
        return self._run_together(word) or [word]

    def _rejoined(self, pieces: list[str]) -> list[str]:
        """`B`, `DS`, `N`, `D` as `B`, `DS`, `N/D`: a known abbreviation keeps its slash."""
        out: list[str] = []
        for piece in pieces:
            if out and f"{out[-1]}/{piece}" in self.lexicon.tokens:
                out[-1] = f"{out[-1]}/{piece}"
            else:
                out.append(piece)
        return out

    def _run_together(self, word: str) -> list[str] | None:
        """`LEFTGUTTER` as its two words; None where the cut is not plain."""
        cuts = [
            [word[:k], word[k:]]
            for k in range(2, len(word) - 2)
            if word[:k] in self.lexicon.tokens
            and word[k:] in self.lexicon.tokens
            and (k >= 4 or word[:k] == "NO")
        ]
        return cuts[0] if len(cuts) == 1 and self.lexicon.correct(word).sure < 1 else None

    def _joined(self, tokens: list[Token], confidence: float) -> list[Token]:
        """Two unknown neighbours that are one known word with a gap in it: `GUT TER`."""
        out: list[Token] = []
        for token in tokens:
            if out and not (out[-1].known and token.known) and len(out[-1].seen + token.seen) >= 5:
                whole = out[-1].seen + token.seen
                if whole in self.lexicon.tokens:
                    out[-1] = Token(whole, 0.95 * confidence, f"{out[-1].seen} {token.seen}")
                    continue
            out.append(token)
        return out

    # --- meaning -------------------------------------------------------------------------

    def _among_ours(self, tokens: list[Token]) -> list[Token]:
        """Unknown words once more, less strictly, when most of the board is made of ours."""
        ours = sum(len(t.seen) for t in tokens if t.known and len(t.seen) > 1)
        if 2 * ours < sum(len(t.seen) for t in tokens if any(c.isalpha() for c in t.seen)):
            return tokens
        return [t if t.known else self.lexicon.correct(t.seen, among_ours=True) for t in tokens]

    def _understand(self, text: str, tokens: list[Token], notes: list[str]) -> Reading:
        tokens = self._among_ours(tokens)
        found = _Found(notes=list(notes))
        place = 0
        while place < len(tokens):
            place += self._step(tokens, place, found)
        read = sum(len(t.seen) for t in tokens if t.known or as_number(t.text.rstrip("+")) is not None)
        total = sum(len(t.seen) for t in tokens)
        return _settle(text, found, legible=read / total if total else 0.0)

    def _step(self, tokens: list[Token], place: int, found: _Found) -> int:
        """Understand what begins at `place`; how many words it took."""
        options = self.vocabulary.writing
        head = tokens[place].text
        for length in range(min(self.lexicon.longest, len(tokens) - place), 0, -1):
            run = tokens[place : place + length]
            words = self.lexicon.phrases.get(tuple(token.text for token in run))
            if words and not (length == 1 and len(head) == 1 and not _face_fits(tokens, place, self)):
                sure = min(token.sure for token in run)
                seen = " ".join(token.seen for token in run)
                found.words.extend((word, sure, seen, place) for word in words)
                return length
        token = tokens[place]
        if (number := as_number(head.rstrip("+"))) is not None:
            found.numbers.append((number, head.endswith("+"), place))
        elif head in options.either:
            found.either.append((options.either[head], token.sure, token.seen))
        elif head in options.compass and _compass_fits(tokens, place, self):
            found.compass = options.compass[head]
            found.compass_at.append(place)
        elif head in ("Y", "YES", "N", "NO", "NONE"):
            found.answers.append((head in ("Y", "YES"), place))
        elif not token.known:
            found.unread.append(token.seen)
            found.gaps.append((token.seen, place))
        return 1

    def word_at(self, tokens: Sequence[Token], place: int) -> bool:
        """Whether a role or component is named at `place`."""
        if not 0 <= place < len(tokens):
            return False
        for length in range(min(self.lexicon.longest, len(tokens) - place), 0, -1):
            words = self.lexicon.phrases.get(tuple(t.text for t in tokens[place : place + length]))
            if words and any(w.facet in (Facet.ROLE, Facet.COMPONENT, Facet.CONDITION) for w in words):
                return True
        return False


def _rise(text: str) -> int | None:
    """The rise of a pitch such as `8/12`, in inches a foot of run; None when it is none."""
    found = _PITCH.match(text)
    return as_number(found[1]) if found else None


@dataclass(slots=True)
class _Found:
    """What a line of words holds before it is weighed."""

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
        return [item for item in self.words if item[0].facet is facet]


def _face_fits(tokens: Sequence[Token], place: int, grammar: Grammar) -> bool:
    """A lone letter names a side only on a short board, before SIDE, or beside a role or component."""
    following = tokens[place + 1].text if place + 1 < len(tokens) else ""
    return (
        len(tokens) <= 2
        or following in ("SIDE", "OF")
        or grammar.word_at(tokens, place + 1)
        or grammar.word_at(tokens, place - 1)
    )


def _compass_fits(tokens: Sequence[Token], place: int, grammar: Grammar) -> bool:
    """A compass word counts when it names a side or a slope and not a street."""
    following = tokens[place + 1].text if place + 1 < len(tokens) else ""
    return (
        following in ("SIDE", "FACING")
        or grammar.word_at(tokens, place + 1)
        or (place == 0 and len(tokens) == 1)
    )


def _settle(text: str, found: _Found, *, legible: float) -> Reading:
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


def _faces(found: _Found, flags: list[Finding]) -> list[Spoken]:
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


def _components(found: _Found, flags: list[Finding]) -> list[Spoken]:
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


def _conditions(found: _Found, flags: list[Finding]) -> list[Spoken]:
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


def _maybe_no(found: _Found) -> bool:
    """`MO DMG`, `N DMG`: taking it for damage would turn a no-damage proof round."""
    short = {place for seen, place in found.gaps if len(seen) <= 3}
    short |= {place for yes, place in found.answers if not yes} | set(found.compass_at)
    return any(place - 1 in short for word, _, _, place in found.of(Facet.CONDITION) if word.id == "damage")


def _beside(found: _Found, said: list[Spoken]) -> list[int]:
    """Numbers right before or after the word for damage."""
    places = [place for w, _, _, place in found.of(Facet.CONDITION) if w.id == said[0].value]
    return [number for number, _, where in found.numbers if any(abs(where - place) == 1 for place in places)]


def _roles(found: _Found, components: list[Spoken], conditions: list[Spoken]) -> list[Spoken]:
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


def _counts(found: _Found, roles: list[Spoken], flags: list[Finding]) -> list[Spoken]:
    """The number of hits: beside a word for hits, or on a board that names a test square or slope."""
    layers = {place for w, _, _, place in found.of(Facet.COMPONENT) if w.id == "layers"}
    hits = {place for w, _, _, place in found.of(Facet.CONDITION) if w.id == "damage"}
    squares = [s for s in roles if s.value in _COUNTED]
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


def _answers(found: _Found, components: list[Spoken]) -> None:
    """`DRIP EDGE Y`: a yes or no after a component is noted."""
    for yes, place in found.answers:
        before = [w for w, _, _, at in found.of(Facet.COMPONENT) if at < place]
        after = [w for w, _, _, at in found.of(Facet.COMPONENT) if at == place + 1]
        about = before[-1:] or after[:1]
        if components and about:
            found.notes.append(f"{about[0].words}: {'yes' if yes else 'no'}")


def reading_order(lines: Sequence[WritingLine]) -> list[WritingLine]:
    """Top to bottom, and left to right where two pieces stand on one height."""
    left = sorted(lines, key=lambda line: (line.box.top + line.box.bottom) / 2)
    rows: list[list[WritingLine]] = []
    for line in left:
        middle = (line.box.top + line.box.bottom) / 2
        if rows and rows[-1][0].box.top <= middle <= rows[-1][0].box.bottom:
            rows[-1].append(line)
        else:
            rows.append([line])
    return [line for row in rows for line in sorted(row, key=lambda line: line.box.left)]


def _flag(code: str, message: str) -> Finding:
    return Finding(code=code, message=message)


def _and(names: Iterable[str]) -> str:
    return " and ".join(names)


def _or(names: Iterable[str]) -> str:
    return " or ".join(names)


def _line(text: str, confidence: float) -> WritingLine:
    return WritingLine(text=text, confidence=confidence, box=Box(left=0, top=0, right=1, bottom=0.1))
