"""What is written in a photo, as facets: `LEFT SIDE GUTTER NO DMG`, `F TS 8`, `8/12`."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import islice, product

from evidence.model import Box, Facet, WritingLine
from evidence.tags.reading.decoder import BELIEVED, Piece, build_speller, intact
from evidence.tags.reading.lexicon import BREAKS, FUZZY, LOOKALIKE, Lexicon, Token, as_number, build_lexicon
from evidence.tags.reading.semantics import Found, Reading, settle
from evidence.tags.vocabulary import Vocabulary, normal

DOUBT = 0.2
"""How much of the reader's own doubt is left once a word of the vocabulary stands there: a misread letter
hardly ever makes another word of ours."""

_LARGE_NUMBER = 100
"""From here on a number is no count of hits or layers, and rather something misread."""

_HARDLY_WORN = 0.65
_WEAR_ALONE = 0.5
"""What a letter may be worn where little else is ours: one of six for another of like shape, one of twelve for any."""

_CONTEST = 0.1
"""Another reading of a line, so many times as likely as the first, calls for a second thought."""

_MOST_BOARDS = 8
"""Combinations of what a board's lines may say that are looked at, the likeliest first."""

_PAGE = 120
"""Letters from which on writing is a page and no board: its words are looked at one by one."""

_STREETS = "ST|STREET|AVE|AVENUE|RD|ROAD|DR|DRIVE|LN|LANE|CT|COURT|BLVD|WAY|PL|PLACE|CIR|CIRCLE|TRL|TRAIL|PKWY|HWY|TER"
_ADDRESS = re.compile(rf"^\d{{1,6}}[A-Z]?\s+(?:[A-Z0-9]+\s+){{1,4}}(?:{_STREETS})\b")
_PITCH = re.compile(r"^([0-9OILZSBG|!]{1,2})\s*/\s*([1I|!L][2Z])$")
_PITCH_WORDS = re.compile(r"\b(\d{1,2})\s*(?:/|IN|ON|X|:)\s*12\b")
_DATES = re.compile(r"\b\d{1,2}[/-]\d{1,2}[/-]\d{2,4}\b|\b\d{4}-\d{2}-\d{2}\b|\b\d{1,2}:\d{2}(?:\s*[AP]M)?\b")
_UNITS = re.compile(r"\b\d+(?:ST|ND|RD|TH)\b|\b\d+(?:\.\d+)?\s*(?:\"|%|IN\b|INCH(?:ES)?\b|FT\b|MM\b|CM\b)")
_SQUARE_SIZE = re.compile(r"\b1[0O]\s*'?\s*X\s*1[0O]\b\s*'?")


class Grammar:
    """A vocabulary made ready for reading; build it once and read many photos with it."""

    def __init__(self, vocabulary: Vocabulary) -> None:
        self.vocabulary = vocabulary
        self.lexicon: Lexicon = build_lexicon(vocabulary)
        self.speller = build_speller(vocabulary, self.lexicon)

    def read(self, lines: Sequence[WritingLine]) -> Reading:
        """Parse the lines of one photo, in reading order; those the reader itself doubts are left out."""
        least = self.vocabulary.writing.min_confidence
        kept = [line for line in lines if line.confidence >= least]
        text = " ".join(line.text.strip() for line in kept)
        parsed = [self._parsed(line) for line in kept]
        page = sum(len(line.said[0][0]) for line in parsed) > _PAGE
        if page or all(line.plain for line in parsed) or (likely := self._likely(parsed)) is None:
            tokens = [token for line in parsed for token in line.tokens]
            notes = [note for line in parsed for note in line.notes]
        else:
            tokens, notes = likely
        return self._understand(text, tokens, notes)

    def read_text(self, text: str, confidence: float = 1.0) -> Reading:
        """Parse one line of text."""
        box = Box(left=0, top=0, right=1, bottom=0.1)
        return self.read([WritingLine(text=text, confidence=max(confidence, 0.0), box=box)])

    # --- words ---------------------------------------------------------------------------

    def _parsed(self, line: WritingLine) -> _Line:
        """A line as its words, each looked at for itself."""
        sure = 1 - DOUBT * (1 - line.confidence)
        text, notes = self._prepared(line.text)
        tokens = [self.lexicon.correct(part) for word in _words(text) for part in self._parts(word)]
        plain = all(self._plain(token) for token in tokens) and not _contested(line)
        return _Line(
            said=((text, notes, 0.0), *(() if plain else self._others(line))),
            tokens=self._joined([replace(token, sure=token.sure * sure) for token in tokens], sure),
            notes=notes,
            plain=plain,
            sure=sure,
        )

    def _others(self, line: WritingLine) -> list[tuple[str, list[str], float]]:
        """What else a line may say, each with its price as `likely` counts them."""
        return [(*self._prepared(o.text), -math.log(min(o.share, 1.0))) for o in line.also if o.share > 0]

    def _prepared(self, text: str) -> tuple[str, list[str]]:
        """A line without what is no tag, and what it notes by the way; empty where it speaks of the file."""
        text = normal(text.replace("_", " "))
        if ")" not in text:
            text = text.replace("(", "|")  # a bent stroke: an L, as a rule
        if _ADDRESS.match(text) or self._about_the_file(text):
            return "", []
        notes: list[str] = []
        text = _SQUARE_SIZE.sub(" 10X10 ", _DATES.sub(" ", text))
        if pitch := _PITCH_WORDS.search(text):
            notes.append(f"pitch {int(pitch[1])}/12")
            text = _PITCH_WORDS.sub(" PITCH ", text)
        words = []
        for word in _UNITS.sub(" ", text).split():
            if (rise := _rise(word)) is not None:
                notes.append(f"pitch {rise}/12")
            words.append(word if rise is None else "PITCH")
        return " ".join(words), notes

    def _plain(self, token: Token) -> bool:
        """Whether a word says of itself what it means."""
        number = as_number(token.text.rstrip("+"))
        return token.sure >= LOOKALIKE or (number is not None and number < _LARGE_NUMBER)

    def _likely(self, lines: Sequence[_Line]) -> tuple[list[Token], list[str]] | None:
        """The words of a whole board where they are not plain, and what it notes."""
        boards = list(islice(product(*(line.said for line in lines)), 1000))
        boards = sorted(boards, key=lambda board: sum(price for _, _, price in board))[:_MOST_BOARDS]
        found = self.speller.read(
            [
                (" ".join(text for text, _, _ in board), sum(price for _, _, price in board))
                for board in boards
            ]
        )
        if found is None:
            return None
        sure = min(line.sure for line in lines)
        notes = [note for _, noted, _ in boards[found.text] for note in noted]
        most_wear = math.inf if _ours(found.pieces) else _WEAR_ALONE
        tokens = [token for piece, share in found.pieces for token in _tokens(piece, share, sure, most_wear)]
        return tokens, notes

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

    def _understand(self, text: str, tokens: list[Token], notes: list[str]) -> Reading:
        found = Found(notes=list(notes))
        place = 0
        while place < len(tokens):
            place += self._step(tokens, place, found)
        read = sum(len(t.seen) for t in tokens if t.known or as_number(t.text.rstrip("+")) is not None)
        total = sum(len(t.seen) for t in tokens)
        return settle(text, found, legible=read / total if total else 0.0)

    def _step(self, tokens: list[Token], place: int, found: Found) -> int:
        """Understand what begins at `place`; how many words it took."""
        options = self.vocabulary.writing
        head = tokens[place].text
        for length in range(min(self.lexicon.longest, len(tokens) - place), 0, -1):
            run = tokens[place : place + length]
            words = self.lexicon.phrases.get(tuple(token.text for token in run))
            if words and not (length == 1 and len(head) == 1 and not _face_fits(tokens, place, self)):
                sure = min(token.sure for token in run)
                seen = " ".join(token.seen for token in run if token.seen)
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


def _ours(pieces: Sequence[tuple[Piece, float]]) -> bool:
    """Whether a board is one of ours: most of its letters are, and enough of them in words that need no doubt.

    Or two facets are named in words that hardly need any.
    """
    letters = sum(len(piece.seen) for piece, _ in pieces)
    believed = [piece for piece, share in pieces if share >= BELIEVED and not piece.foreign]
    whole = sum(intact(piece) for piece in believed)
    exact = sum(len(word) for piece in believed for word in _words(piece.seen) if word in piece.phrase.tokens)
    facets = {piece.phrase.slot for piece in believed} & set(Facet)
    return 2 * whole >= letters and (
        4 * exact >= letters or (len(facets) > 1 and whole >= _HARDLY_WORN * letters)
    )


def _contested(line: WritingLine) -> bool:
    """Whether the reader thought of other letters, too likely to be passed over."""
    letters = line.text.upper().replace(" ", "")
    return any(o.share >= _CONTEST and o.text.upper().replace(" ", "") != letters for o in line.also)


def _words(text: str) -> list[str]:
    return [word for word in BREAKS.split(text) if word.strip("+/")]


def _tokens(piece: Piece, share: float, sure: float, most_wear: float) -> list[Token]:
    """A piece of a board as words: known ones when enough ways to read the board hold it.

    `most_wear` is what a letter may be worn on the average.
    """
    if piece.foreign or share < BELIEVED or piece.wear > most_wear * len(piece.seen):
        return [Token(word, 0.0, word) for word in _words(piece.seen)]
    certainty = sure * share * (FUZZY if piece.wear else 1.0)
    first, *others = piece.phrase.tokens
    return [Token(first, certainty, piece.seen), *(Token(word, certainty, "") for word in others)]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """One line of a board."""

    said: tuple[tuple[str, list[str], float], ...]
    """What it may say: the text, what that notes, and its price."""
    tokens: list[Token]
    notes: list[str]
    plain: bool
    """Every word says of itself what it means."""
    sure: float
