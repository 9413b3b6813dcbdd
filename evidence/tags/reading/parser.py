"""The parser of boards: `LEFT SIDE GUTTER NO DMG`, `F TS 8`, `8/12` into facets."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import islice, product

from evidence.model import Box, Facet, Look, WritingLine
from evidence.tags.reading.decoder import ACCEPTED, Piece, build_decoder, intact_letters
from evidence.tags.reading.lexicon import (
    BREAKS,
    CORRECTED,
    LOOKALIKE,
    Lexicon,
    Token,
    as_number,
    build_lexicon,
)
from evidence.tags.reading.semantics import ParsedWords, Reading, resolve
from evidence.tags.reading.surface import of_the_photo
from evidence.tags.vocabulary import Vocabulary, normal

REMAINING_DOUBT = 0.2
"""Share of the recognition's doubt that is left for a word of the vocabulary: a misread letter hardly ever makes
another word of the vocabulary."""

_LARGE_NUMBER = 100
"""From here on a number is hardly a count of hits or layers; it is probably misread."""

_MOSTLY_INTACT = 0.65
_MOST_ERRORS_ALONE = 0.5
"""Highest cost of errors for each letter where little else is of the vocabulary: one letter in six replaced by a
similar one, or one in twelve by any other."""

_RIVAL_SHARE = 0.1
"""An alternative reading of a line, this many times as probable as the first, sends the board to the decoder."""

_MOST_BOARDS = 8
"""Combinations of the readings of a board's lines that are decoded, the most probable first."""

_PAGE = 120
"""From this many letters on, writing is a page and not a board: its words are corrected one by one."""

_MOST_KEPT = 4096
"""Photos whose reading a parser keeps: with each answer of a reviewer a claim is tagged anew, from the same lines."""

_STREETS = "ST|STREET|AVE|AVENUE|RD|ROAD|DR|DRIVE|LN|LANE|CT|COURT|BLVD|WAY|PL|PLACE|CIR|CIRCLE|TRL|TRAIL|PKWY|HWY|TER"
_ADDRESS = re.compile(rf"^\d{{1,6}}[A-Z]?\s+(?:[A-Z0-9]+\s+){{1,4}}(?:{_STREETS})\b")
_STREET_NAME = re.compile(r"^(?:[A-Z0-9]+\s+){1,2}(?:STREET|AVENUE|AVE|ROAD|LANE|BOULEVARD|BLVD)$")
_PITCH = re.compile(r"^([0-9OILZSBG|!]{1,2})\s*/\s*([1I|!L][2Z])$")
_PITCH_WORDS = re.compile(r"\b(\d{1,2})\s*(?:/|IN|ON|X|:)\s*12\b")
_DATES = re.compile(r"\b\d{1,2}[/-]\d{1,2}[/-]\d{2,4}\b|\b\d{4}-\d{2}-\d{2}\b|\b\d{1,2}:\d{2}(?:\s*[AP]M)?\b")
_UNITS = re.compile(r"\b\d+(?:ST|ND|RD|TH)\b|\b\d+(?:\.\d+)?\s*(?:\"|%|IN\b|INCH(?:ES)?\b|FT\b|MM\b|CM\b)")
_SQUARE_SIZE = re.compile(r"\b1[0O]\s*'?\s*X\s*1[0O]\b\s*'?")


class BoardParser:
    """Reads boards with one vocabulary; build it once and read many photos with it."""

    def __init__(self, vocabulary: Vocabulary) -> None:
        self.vocabulary = vocabulary
        self.lexicon: Lexicon = build_lexicon(vocabulary)
        self.decoder = build_decoder(vocabulary, self.lexicon)
        self._read_once = lru_cache(maxsize=_MOST_KEPT)(self._read)

    def read(self, lines: Sequence[WritingLine]) -> Reading:
        """Parse the lines of one photo, in reading order; lines of low confidence are left out."""
        return self._read_once(tuple(lines))

    def _read(self, lines: tuple[WritingLine, ...]) -> Reading:
        least = self.vocabulary.writing.min_confidence
        kept = [line for line in lines if line.confidence >= least]
        text = " ".join(line.text.strip() for line in kept)
        parsed = [self._parse_line(line) for line in kept]
        page = sum(len(line.readings[0][0]) for line in parsed) > _PAGE
        if page or all(line.unambiguous for line in parsed) or (decoded := self._decode(parsed)) is None:
            tokens = [token for line in parsed for token in line.tokens]
            notes = [note for line in parsed for note in line.notes]
        else:
            tokens, notes = decoded
        return self._interpret(text, tokens, notes)

    def read_photo(self, look: Look) -> Reading:
        """Parse the writing of one photo; a sign in the street gives no facets."""
        return of_the_photo(self.read(look.writing), look)

    def read_text(self, text: str, confidence: float = 1.0) -> Reading:
        """Parse one line of text."""
        box = Box(left=0, top=0, right=1, bottom=0.1)
        return self.read([WritingLine(text=text, confidence=max(confidence, 0.0), box=box)])

    # --- words ---------------------------------------------------------------------------

    def _parse_line(self, line: WritingLine) -> _Line:
        """A line as words, each corrected by itself."""
        confidence = 1 - REMAINING_DOUBT * (1 - line.confidence)
        text, notes = self._clean(line.text)
        tokens = [self.lexicon.correct(part) for word in _words(text) for part in self._split_word(word)]
        unambiguous = all(self._unambiguous(token) for token in tokens) and not _has_rival(line)
        return _Line(
            readings=((text, notes, 0.0), *(() if unambiguous else self._alternatives(line))),
            tokens=self._join_halves(
                [replace(token, confidence=token.confidence * confidence) for token in tokens], confidence
            ),
            notes=notes,
            unambiguous=unambiguous,
            confidence=confidence,
        )

    def _alternatives(self, line: WritingLine) -> list[tuple[str, list[str], float]]:
        """Alternative readings of a line, each with its cost as the decoder counts it."""
        return [(*self._clean(o.text), -math.log(min(o.share, 1.0))) for o in line.also if o.share > 0]

    def _clean(self, text: str) -> tuple[str, list[str]]:
        """A line without dates, units and the like, and the notes found in it; empty if it describes the file."""
        text = normal(text.replace("_", " "))
        if ")" not in text:
            text = text.replace("(", "|")  # a bent stroke is usually an L
        if _ADDRESS.match(text) or _STREET_NAME.match(text) or self._about_the_file(text):
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

    def _unambiguous(self, token: Token) -> bool:
        """Whether a word needs no context to be understood."""
        number = as_number(token.text.rstrip("+"))
        return token.confidence >= LOOKALIKE or (number is not None and number < _LARGE_NUMBER)

    def _decode(self, lines: Sequence[_Line]) -> tuple[list[Token], list[str]] | None:
        """The words of a whole board as the decoder reads it, and its notes; None if it finds no reading."""
        boards = list(islice(product(*(line.readings for line in lines)), 1000))
        boards = sorted(boards, key=lambda board: sum(cost for _, _, cost in board))[:_MOST_BOARDS]
        found = self.decoder.read(
            [(" ".join(text for text, _, _ in board), sum(cost for _, _, cost in board)) for board in boards]
        )
        if found is None:
            return None
        confidence = min(line.confidence for line in lines)
        notes = [note for _, noted, _ in boards[found.text] for note in noted]
        most_errors = math.inf if _is_board(found.pieces) else _MOST_ERRORS_ALONE
        tokens = [
            token for piece, share in found.pieces for token in _tokens(piece, share, confidence, most_errors)
        ]
        return tokens, notes

    def _about_the_file(self, text: str) -> bool:
        return any(
            text == start or text.startswith((start + " ", start + "#"))
            for start in self.vocabulary.writing.skip_lines
        )

    def _split_word(self, word: str) -> list[str]:
        """A written word cut at slashes, plus signs and digits, unless it is a known spelling."""
        if self.lexicon.spells(word) or _rise(word) is not None or re.fullmatch(r"\d+\+?", word):
            return [word]
        if (number := as_number(word.rstrip("+"))) is not None and len(word) <= 3:
            return [f"{number}+" if word.endswith("+") else str(number)]
        for separator in ("/", "+"):
            if separator in word.strip(separator):
                pieces = self._rejoin([piece for piece in word.split(separator) if piece])
                return [part for piece in pieces for part in self._split_word(piece)]
        word = word.strip("/+") if not word.rstrip("+").isdigit() else word
        if found := re.fullmatch(r"([A-Z]+)(\d+\+?)", word) or re.fullmatch(r"(\d+)([A-Z]+)", word):
            pieces = [found[1], found[2]]
            if all(piece.rstrip("+").isdigit() or piece in self.lexicon.tokens for piece in pieces):
                return pieces
        return self._split_run_on(word) or [word]

    def _rejoin(self, pieces: list[str]) -> list[str]:
        """`B`, `DS`, `N`, `D` as `B`, `DS`, `N/D`: a known abbreviation keeps its slash."""
        out: list[str] = []
        for piece in pieces:
            if out and f"{out[-1]}/{piece}" in self.lexicon.tokens:
                out[-1] = f"{out[-1]}/{piece}"
            else:
                out.append(piece)
        return out

    def _split_run_on(self, word: str) -> list[str] | None:
        """`LEFTGUTTER` as two words; None where more than one cut is possible."""
        cuts = [
            [word[:k], word[k:]]
            for k in range(2, len(word) - 2)
            if word[:k] in self.lexicon.tokens
            and word[k:] in self.lexicon.tokens
            and (k >= 4 or word[:k] == "NO")
        ]
        return cuts[0] if len(cuts) == 1 and self.lexicon.correct(word).confidence < 1 else None

    def _join_halves(self, tokens: list[Token], confidence: float) -> list[Token]:
        """Join two unknown neighbours that make one known word: `GUT TER`."""
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

    def _interpret(self, text: str, tokens: list[Token], notes: list[str]) -> Reading:
        found = ParsedWords(notes=list(notes))
        place = 0
        while place < len(tokens):
            place += self._interpret_at(tokens, place, found)
        read = sum(len(t.seen) for t in tokens if t.known or as_number(t.text.rstrip("+")) is not None)
        total = sum(len(t.seen) for t in tokens)
        return resolve(text, found, legible=read / total if total else 0.0)

    def _interpret_at(self, tokens: list[Token], place: int, found: ParsedWords) -> int:
        """Interpret the phrase that begins at `place`; returns how many words it has."""
        options = self.vocabulary.writing
        head = tokens[place].text
        for length in range(min(self.lexicon.longest, len(tokens) - place), 0, -1):
            run = tokens[place : place + length]
            words = self.lexicon.phrases.get(tuple(token.text for token in run))
            if words and not (length == 1 and len(head) == 1 and not _face_fits(tokens, place, self)):
                confidence = min(token.confidence for token in run)
                seen = " ".join(token.seen for token in run if token.seen)
                found.words.extend((word, confidence, seen, place) for word in words)
                return length
        token = tokens[place]
        if (number := as_number(head.rstrip("+"))) is not None:
            found.numbers.append((number, head.endswith("+"), place))
        elif head in options.either:
            found.either.append((options.either[head], token.confidence, token.seen))
        elif head in options.compass and _compass_fits(tokens, place, self):
            found.compass = options.compass[head]
            found.compass_at.append(place)
        elif head in ("Y", "YES", "N", "NO", "NONE"):
            found.answers.append((head in ("Y", "YES"), place))
        elif not token.known:
            found.unread.append(token.seen)
            found.gaps.append((token.seen, place))
        return 1

    def names_thing_at(self, tokens: Sequence[Token], place: int) -> bool:
        """Whether a role or component is named at `place`."""
        if not 0 <= place < len(tokens):
            return False
        for length in range(min(self.lexicon.longest, len(tokens) - place), 0, -1):
            words = self.lexicon.phrases.get(tuple(t.text for t in tokens[place : place + length]))
            if words and any(w.facet in (Facet.ROLE, Facet.COMPONENT, Facet.CONDITION) for w in words):
                return True
        return False


@lru_cache(maxsize=4)
def parser_of(vocabulary: Vocabulary) -> BoardParser:
    """The parser of a vocabulary, the same for each call."""
    return BoardParser(vocabulary)


def _rise(text: str) -> int | None:
    """The rise of a pitch such as `8/12`, in inches for each foot of run; None for anything else."""
    found = _PITCH.match(text)
    return as_number(found[1]) if found else None


def _face_fits(tokens: Sequence[Token], place: int, parser: BoardParser) -> bool:
    """A lone letter names a side only on a short board, before SIDE, or beside a role or component."""
    following = tokens[place + 1].text if place + 1 < len(tokens) else ""
    return (
        len(tokens) <= 2
        or following in ("SIDE", "OF")
        or parser.names_thing_at(tokens, place + 1)
        or parser.names_thing_at(tokens, place - 1)
    )


def _compass_fits(tokens: Sequence[Token], place: int, parser: BoardParser) -> bool:
    """A compass word counts when it names a side or a slope, not a street."""
    following = tokens[place + 1].text if place + 1 < len(tokens) else ""
    return (
        following in ("SIDE", "FACING")
        or parser.names_thing_at(tokens, place + 1)
        or (place == 0 and len(tokens) == 1)
    )


def _is_board(pieces: Sequence[tuple[Piece, float]]) -> bool:
    """Whether a decoded board is written in words of the vocabulary.

    Most of its letters belong to accepted words and enough of them to exact ones, or two facets are named in
    words with hardly an error.
    """
    letters = sum(len(piece.seen) for piece, _ in pieces)
    accepted = [piece for piece, share in pieces if share >= ACCEPTED and not piece.unknown]
    whole = sum(intact_letters(piece) for piece in accepted)
    exact = sum(len(word) for piece in accepted for word in _words(piece.seen) if word in piece.phrase.tokens)
    facets = {piece.phrase.category for piece in accepted} & set(Facet)
    return 2 * whole >= letters and (
        4 * exact >= letters or (len(facets) > 1 and whole >= _MOSTLY_INTACT * letters)
    )


def _has_rival(line: WritingLine) -> bool:
    """Whether the recognition offers other letters that are too probable to ignore."""
    letters = line.text.upper().replace(" ", "")
    return any(o.share >= _RIVAL_SHARE and o.text.upper().replace(" ", "") != letters for o in line.also)


def _words(text: str) -> list[str]:
    return [word for word in BREAKS.split(text) if word.strip("+/")]


def _tokens(piece: Piece, share: float, confidence: float, most_errors: float) -> list[Token]:
    """A piece of a board as words: known ones if its probability is high enough.

    `most_errors` is the highest cost of errors for each letter, on average.
    """
    if piece.unknown or share < ACCEPTED or piece.errors > most_errors * len(piece.seen):
        return [Token(word, 0.0, word) for word in _words(piece.seen)]
    certainty = confidence * share * (CORRECTED if piece.errors else 1.0)
    first, *others = piece.phrase.tokens
    return [Token(first, certainty, piece.seen), *(Token(word, certainty, "") for word in others)]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """One line of a board."""

    readings: tuple[tuple[str, list[str], float], ...]
    """Its possible readings: text, notes and cost of each."""
    tokens: list[Token]
    notes: list[str]
    unambiguous: bool
    """No word needs context to be understood."""
    confidence: float
