"""Where in a TOML text a key stands, so that a complaint about a setting can name its line.

The standard library's parser says what a text means but not where. This reads the same text a second
time for positions only: table headers, keys and the lines their values run over.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from evidence.errors import BadInputError

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(#.*)?$")
_KEY = re.compile(
    r"""^\s*((?:"[^"]*"|'[^']*'|[A-Za-z0-9_-]+)(?:\s*\.\s*(?:"[^"]*"|'[^']*'|[A-Za-z0-9_-]+))*)\s*="""
)
_STRING = re.compile(r'"""|\'\'\'|"(?:\\.|[^"\\])*"|\'[^\']*\'|#|[\[\]{}]')


@dataclass(frozen=True, slots=True)
class Span:
    """The lines a key and its value stand on, counted from 1, both included."""

    first: int
    last: int


class Lines:
    """Positions of the tables and keys of one TOML text.

    A table is named by its header and, for an array of tables, its place in it: `shot#0`, `shot#1.way#0`;
    keys before any header belong to the table with the empty name.
    """

    def __init__(self, text: str) -> None:
        self._text = text.splitlines()
        self._tables: dict[str, int] = {"": 1}
        self._keys: dict[tuple[str, str], Span] = {}
        self._scan()

    def table(self, name: str) -> int:
        """Line of the table's header; 1 for a table that is not there."""
        return self._tables.get(name, 1)

    def has_key(self, table: str, key: str) -> bool:
        """True when `key` is written as `key = ...` in `table`."""
        return (table, key) in self._keys

    def key(self, table: str, key: str) -> int:
        """Line of `key` in `table`; the table's own line for a key that is not there."""
        span = self._keys.get((table, key))
        return span.first if span else self.table(table)

    def word(self, table: str, key: str, word: str) -> int:
        """Line on which `word` stands in quotes inside the value of `key`; else the key's own line."""
        span = self._keys.get((table, key))
        if span is None:
            return self.table(table)
        for number in range(span.first, span.last + 1):
            line = self._text[number - 1]
            if f'"{word}"' in line or f"'{word}'" in line:
                return number
        return span.first

    def _scan(self) -> None:
        table, counts, number = "", dict[str, int](), 0
        while number < len(self._text):
            line = self._text[number]
            header, key = _HEADER.match(line), _KEY.match(line)
            if header:
                table = _within(header[2].replace(" ", ""), counts)
                if header[1] == "[[":
                    place = counts.get(table, 0)
                    counts[table] = place + 1
                    table = f"{table}#{place}"
                self._tables[table] = number + 1
                number += 1
            elif key:
                last = self._end_of_value(number, key.end())
                name = key[1].strip("\"'").replace(" ", "")
                self._keys[table, name] = Span(number + 1, last + 1)
                self._keys.setdefault((table, name.split(".")[0]), Span(number + 1, last + 1))
                number = last + 1
            else:
                number += 1

    def _end_of_value(self, number: int, start: int) -> int:
        """Index of the line on which the value that begins at `start` of line `number` ends."""
        depth, quote = 0, ""
        while number < len(self._text):
            line = self._text[number]
            at = start
            while at < len(line):
                if quote:
                    close = line.find(quote, at)
                    if close < 0:
                        break
                    at, quote = close + 3, ""
                    continue
                token = _STRING.search(line, at)
                if token is None or token[0] == "#":
                    break
                if token[0] in {'"""', "'''"}:
                    quote = token[0]
                elif token[0] in {"[", "{"}:
                    depth += 1
                elif token[0] in {"]", "}"}:
                    depth -= 1
                at = token.end()
            if not quote and depth <= 0:
                return number
            number, start = number + 1, 0
        return len(self._text) - 1


def _within(name: str, counts: Mapping[str, int]) -> str:
    """A header's name, each array of tables on the way numbered by the table it is in at present."""
    done = ""
    parts = name.split(".")
    for number, part in enumerate(parts):
        done = f"{done}.{part}" if done else part
        if number < len(parts) - 1 and done in counts:
            done = f"{done}#{counts[done] - 1}"
    return done


def parse_toml(text: str, origin: str) -> tuple[Mapping[str, Any], Lines]:
    """What `text` means and where its keys stand.

    Raises BadInputError, naming `origin` and the line, for text that is not TOML.
    """
    try:
        return tomllib.loads(text), Lines(text)
    except tomllib.TOMLDecodeError as error:
        raise BadInputError(f"{origin}: not valid TOML: {error}.", "Correct that line.") from None


def nearest(word: str, known: Iterable[str]) -> str:
    """A hint for a word nobody knows: the known one it most likely stands for, or all there are."""
    words = sorted(known)
    close = difflib.get_close_matches(word.casefold(), words, n=1, cutoff=0.6)
    if close:
        return f"Did you mean {close[0]!r}?"
    return f"Use one of: {', '.join(words)}."
