"""TOML tables that know where they stand, so that every complaint about a setting can say so."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import cast

from evidence.errors import BadInputError


def nearest(value: str, known: Iterable[str]) -> str:
    """A remedy: the nearest right word where there is one, else all of them."""
    options = list(known)
    close = difflib.get_close_matches(value, options, n=1, cutoff=0.5)
    return f"Did you mean '{close[0]}'?" if close else f"Use one of: {', '.join(options)}."


@dataclass(frozen=True, slots=True)
class Table:
    """A table of a TOML file and the words for its place in it."""

    raw: Mapping[str, object]
    where: str

    def fail(self, what: str, hint: str) -> BadInputError:
        """The error for something wrong in this table."""
        return BadInputError(f"{self.where}: {what}", hint)

    def only(self, *keys: str) -> None:
        """Refuse any other key, naming the nearest right one."""
        for key in self.raw:
            if key not in keys:
                raise self.fail(f"unknown key '{key}'.", nearest(key, keys))

    def tables(self, key: str) -> list[Table]:
        """An array of tables; empty when absent."""
        found = self.raw.get(key, [])
        if not isinstance(found, list) or not all(isinstance(item, dict) for item in found):
            raise self.fail(f"'{key}' must be a list of tables.", f"Write each one under [[{key}]].")
        return [
            Table(cast("Mapping[str, object]", item), f"{self.where}, [[{key}]] {number}")
            for number, item in enumerate(found, 1)
        ]

    def table(self, key: str) -> Table:
        """A table inside this one; empty when absent."""
        found = self.raw.get(key, {})
        if not isinstance(found, dict):
            raise self.fail(f"'{key}' must be a table.", f"Write it under [{key}].")
        return Table(found, f"{self.where}, [{key}]")

    def text(self, key: str, default: str | None = None) -> str:
        """A text; without a default it must be there and not be blank."""
        found = self.raw.get(key, default)
        if not isinstance(found, str) or (default is None and not found.strip()):
            raise self.fail(f"'{key}' must be a text.", f'Write it as {key} = "...".')
        return found

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of texts; empty when absent."""
        found = self.raw.get(key, [])
        if not isinstance(found, list) or not all(isinstance(item, str) for item in found):
            raise self.fail(f"'{key}' must be a list of texts.", f'Write it as {key} = ["...", "..."].')
        return tuple(found)

    def number(self, key: str, default: float, low: float, high: float) -> float:
        """A number within its bounds."""
        found = self.raw.get(key, default)
        if isinstance(found, bool) or not isinstance(found, int | float) or not low <= found <= high:
            raise self.fail(
                f"'{key}' must be a number from {low:g} to {high:g}, not {found!r}.", "Correct that number."
            )
        return float(found)

    def pair(self, key: str, default: tuple[float, float]) -> tuple[float, float]:
        """Two positive numbers."""
        found = self.raw.get(key, list(default))
        if (
            not isinstance(found, list)
            or len(found) != 2
            or not all(isinstance(n, int | float) and not isinstance(n, bool) and n > 0 for n in found)
        ):
            raise self.fail(f"'{key}' must be two positive numbers.", f"Write it as {key} = [6.0, 0.8].")
        return float(found[0]), float(found[1])

    def choice(self, key: str, known: Iterable[str], default: str | None = None) -> str:
        """One of the known words."""
        found, options = self.text(key, default), list(known)
        if found not in options:
            raise self.fail(f"'{key}' cannot be '{found}'.", nearest(found, options))
        return found

    def choices(self, key: str, known: Iterable[str]) -> tuple[str, ...]:
        """A list of known words."""
        options = list(known)
        for found in self.texts(key):
            if found not in options:
                raise self.fail(f"'{key}' cannot hold '{found}'.", nearest(found, options))
        return self.texts(key)


def parse(text: str, origin: str) -> Table:
    """The whole file as a table. Raises BadInputError when it is not TOML."""
    try:
        return Table(tomllib.loads(text), origin)
    except tomllib.TOMLDecodeError as error:
        raise BadInputError(
            f"{origin} is not valid TOML: {error}.", "Correct that line and try again."
        ) from error
