"""Values of a required-shot list's TOML, each checked as it is read and blamed with its line."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, NoReturn

from evidence.coverage.toml_lines import Lines, nearest
from evidence.errors import BadInputError
from evidence.tags.vocabulary import Vocabulary


@dataclass(frozen=True, slots=True)
class Source:
    """Where a text comes from, and what its words may be."""

    origin: str
    lines: Lines
    vocabulary: Vocabulary


class Node:
    """A table that knows where it stands. `inline`: it is a value inside another table's key."""

    def __init__(self, raw: Mapping[str, Any], source: Source, name: str, inline: str = "") -> None:
        self.raw, self.source, self.name, self.inline = raw, source, name, inline

    def refuse(self, key: str, what: str, hint: str) -> NoReturn:
        """Raise BadInputError with the line of `key`."""
        self._refuse(self.source.lines.key(self.name, self.inline or key), what, hint)

    def refuse_word(self, key: str, word: str, what: str, hint: str) -> NoReturn:
        """Raise BadInputError with the line on which `word` stands in the value of `key`."""
        self._refuse(self.source.lines.word(self.name, self.inline or key, word), what, hint)

    def _refuse(self, line: int, what: str, hint: str) -> NoReturn:
        raise BadInputError(f"{self.source.origin}, line {line}: {what}.", hint)

    def only(self, *keys: str) -> None:
        """Refuse every key that is none of these."""
        for key in self.raw:
            if key not in keys:
                self.refuse(key, f"unknown key {key!r}", nearest(key, keys))

    def text(self, key: str, default: str | None = None) -> str:
        """A text; without a default it must be there and not be blank."""
        value = self.raw.get(key, default)
        if value is None:
            self.refuse(key, f"{key!r} is missing", f'Add {key} = "...".')
        if not isinstance(value, str) or (default is None and not value.strip()):
            self.refuse(key, f"{key!r} must be a text", f'Write it as {key} = "...".')
        return value

    def truth(self, key: str, default: bool) -> bool:
        """True or false."""
        value = self.raw.get(key, default)
        if not isinstance(value, bool):
            self.refuse(key, f"{key} = {value!r} is neither true nor false", "Write true or false.")
        return value

    def whole(self, key: str, default: int, low: int, high: int) -> int:
        """A whole number from `low` to `high`."""
        value = self.raw.get(key, default)
        if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
            self.refuse(key, f"{key} = {value!r} is not a whole number from {low} to {high}", "Correct it.")
        return value

    def number(self, key: str, default: float) -> float:
        """A number from 0 up."""
        value = self.raw.get(key, default)
        if not isinstance(value, int | float) or isinstance(value, bool) or not 0 <= value < 10**9:
            self.refuse(key, f"{key} = {value!r} is not a number from 0 up", "Correct it.")
        return float(value)

    def words(self, key: str) -> list[str]:
        """A text or a list of texts, as a list."""
        value = self.raw.get(key, [])
        found = [value] if isinstance(value, str) else value
        if not isinstance(found, list) or not all(isinstance(word, str) and word.strip() for word in found):
            self.refuse(
                key, f"{key!r} must be a word or a list of words", f'Write it as {key} = ["...", "..."].'
            )
        if key in self.raw and not found:
            self.refuse(key, f"{key!r} is empty", "Name a word, or leave it out.")
        return found

    def word_choices(self, key: str, known: Iterable[str]) -> list[str]:
        """A word or a list of words, each of which is known."""
        options = [str(word) for word in known]
        for word in self.words(key):
            if word not in options:
                self.refuse_word(key, word, f"{key} cannot be {word!r}", nearest(word, options))
        return self.words(key)

    def choice(self, key: str, known: Iterable[str], default: str) -> str:
        """One known word."""
        value = self.text(key, default)
        options = [str(word) for word in known]
        if key in self.raw and value not in options:
            self.refuse_word(key, value, f"{key} cannot be {value!r}", nearest(value, options))
        return value

    def table(self, key: str) -> Node:
        """The table under `key`; an empty one when there is none."""
        value = self.raw.get(key, {})
        if not isinstance(value, dict):
            self.refuse(key, f"{key!r} must be a table", f"Write it as {key} = {{ ... }}.")
        return Node(value, self.source, *self._place_of(key))

    def tables(self, key: str) -> list[Node]:
        """The list of tables under `key`."""
        value = self.raw.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            self.refuse(key, f"{key!r} must be a list of tables", f"Write each one under [[{key}]].")
        return [Node(item, self.source, *self._place_of(key, n)) for n, item in enumerate(value)]

    def tables_or_table(self, key: str) -> list[Node]:
        """The same where a single table may stand for a list of one."""
        return [self.table(key)] if isinstance(self.raw.get(key), dict) else self.tables(key)

    def _place_of(self, key: str, number: int | None = None) -> tuple[str, str]:
        """Name and inline key of a table below this one: under a header of its own, or inside a value."""
        if self.inline or self.source.lines.has_key(self.name, key):
            return self.name, self.inline or key
        below = f"{self.name}.{key}" if self.name else key
        return (below if number is None else f"{below}#{number}"), ""
