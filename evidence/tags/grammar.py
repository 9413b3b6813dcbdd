"""What is written in a photo, as facets: `LEFT SIDE GUTTER NO DMG`, `F TS 8`, `8/12`."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from evidence.model import Box, Facet, WritingLine
from evidence.tags.lexicon import Lexicon, Token, as_number, build_lexicon
from evidence.tags.meaning import Found, Reading, settle
from evidence.tags.vocabulary import Vocabulary, normal

DOUBT = 0.2
"""How much of the reader's own doubt is left once a word of the vocabulary stands there: a misread letter
hardly ever makes another word of ours."""

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


def _line(text: str, confidence: float) -> WritingLine:
    return WritingLine(text=text, confidence=confidence, box=Box(left=0, top=0, right=1, bottom=0.1))
