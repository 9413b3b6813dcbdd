"""TOML files that an office edits, read into dataclasses; each mistake is reported with its line.

The standard library parses the text, pydantic checks the data against the dataclass, and a second parser
finds the positions of keys. `TomlFile` turns their reports into one line with the nearest right word.
"""

from __future__ import annotations

import dataclasses
import difflib
import re
import tomllib
import types
from collections.abc import Iterable, Mapping, Sequence
from functools import cached_property
from typing import (
    TYPE_CHECKING,
    Annotated,
    Any,
    NewType,
    NoReturn,
    TypeVar,
    Union,
    get_args,
    get_origin,
    get_type_hints,
)

from annotated_types import Predicate

from evidence.codec import validated
from evidence.errors import BadInputError

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

T = TypeVar("T")

KeyPath = tuple[str | int, ...]
"""The path to a value: keys, and indices from 0 in lists; `("shot", 2, "title")`."""


def _filled(text: str) -> bool:
    return bool(text.strip())


Filled = Annotated[str, Predicate(_filled)]
"""Text that is not blank."""


class TomlFile:
    """The text of one file, its data, and the positions of its keys.

    `origin` names the file in messages. Raises BadInputError, with the line, for text that is not TOML.
    """

    def __init__(self, text: str, origin: str) -> None:
        self.origin = origin
        self._text = text
        try:
            self.data: Mapping[str, Any] = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            last = text.rstrip().count("\n") + 1
            what = str(error).replace("at end of document", f"at the end, line {last}")
            raise BadInputError(
                f"{origin}: not valid TOML: {what}.", "Fix this line and run the command again."
            ) from None

    def read(self, cls: type[T], data: Mapping[str, Any] | None = None) -> T:
        """The file as a `cls`; with `data`, `data` as a `cls`, with the positions of the file.

        Raises BadInputError for the first mistake: an unknown key (it may explain a missing one), else
        the first in the file.
        """
        from pydantic import ValidationError  # noqa: PLC0415 - slow to import, and help texts do not need it

        try:
            return validated(cls, self.data if data is None else data)
        except ValidationError as trouble:
            problems = trouble.errors(include_url=False)
        problem = min(problems, key=lambda one: (not _is_unknown(one), self.line(_place(one))))
        what, hint = _explained(problem, cls)
        raise self.error(_place(problem), what, hint)

    def error(self, place: KeyPath, what: str, hint: str) -> BadInputError:
        """The error that names the line of `place`."""
        return BadInputError(f"{self.origin}, line {self.line(place)}: {what}.", hint)

    def refuse(self, place: KeyPath, what: str, hint: str) -> NoReturn:
        """Raise that error."""
        raise self.error(place, what, hint)

    def choose(self, place: KeyPath, word: str, known: Iterable[str]) -> None:
        """Refuse the `word` at `place` unless it is one of `known`."""
        options = [str(one) for one in known]
        if word not in options:
            self.refuse(place, f"{_name(place)} cannot be {word!r}", nearest(word, options))

    def line(self, place: KeyPath) -> int:
        """Line of `place`, from 1; of the nearest table around it when the text does not have it."""
        node: Any = self._positions
        at: int = 0
        for depth, step in enumerate(place):
            found = node.inner()
            if isinstance(found, dict) and step in found:
                at, node = next(key.span().start for key in found if key == step), found[step]
            elif isinstance(found, list) and isinstance(step, int) and step < len(found):
                node = found[step]
                at = node.span().start or self._header(place[:depth], found[:step], at)
            elif isinstance(step, int) and isinstance(found, dict):
                continue  # a table that stands for a list of one
            else:
                break
        return self._text.count("\n", 0, at) + 1

    @cached_property
    def _positions(self) -> Any:
        import spanned_toml  # noqa: PLC0415 - only a mistake needs it

        # tomllib reads \r\n as \n; so must the parser of positions, and then no line number changes.
        self._text = self._text.replace("\r\n", "\n")
        try:
            return spanned_toml.loads(self._text)
        except ValueError:  # newer TOML, which only a newer Python reads: report line 1 for everything
            return spanned_toml.loads("")

    def _header(self, place: KeyPath, before: Sequence[Any], at: int) -> int:
        """Position of the [[header]] that follows the tables `before` it; the parser does not keep it."""
        name = r"\s*\.\s*".join(f"[\"']?{re.escape(step)}[\"']?" for step in place if isinstance(step, str))
        header = re.compile(rf"^[ \t]*\[\[\s*{name}\s*\]\]", re.MULTILINE)
        found = header.search(self._text, self._text.rfind("\n", 0, at) + 1)
        for table in before:
            if found is None:
                break
            found = header.search(self._text, max(found.end(), _end(table)))
        return found.start() if found else at


def _end(node: Any) -> int:
    """End of the last value inside `node`; 0 for an empty table."""
    inner = node.inner()
    within = inner.values() if isinstance(inner, dict) else inner if isinstance(inner, list) else ()
    return max([int(node.span().stop), *(_end(one) for one in within)])


def nearest(word: str, known: Iterable[str]) -> str:
    """A hint for an unknown word: the known one that is most similar, or all of them."""
    words = [str(one) for one in known]
    close = difflib.get_close_matches(word.casefold(), words, n=1, cutoff=0.5)
    if close:
        return f"Did you mean {close[0]!r}?"
    return f"Use one of: {', '.join(words)}." if words else "Remove it."


# --- pydantic's reports in our words -----------------------------------------------------

_UNKNOWN = ("unexpected_keyword_argument", "extra_forbidden")

_LIMITS = {
    "greater_than_equal": ("at least", "ge"),
    "greater_than": ("more than", "gt"),
    "less_than_equal": ("at most", "le"),
    "less_than": ("less than", "lt"),
}
_KINDS = {
    "int_type": ("a whole number", "Correct it."),
    "float_type": ("a number", "Correct it."),
    "finite_number": ("a finite number", "Correct it."),
    "bool_type": ("true or false", "Write true or false, without quotes."),
    "string_type": ("text", "Put it in quotes."),
    "tuple_type": ("a list", "Put square brackets around it: [...]."),
    "dict_type": ("a table", "Write it as a table: { key = value }, or under a [header]."),
    "dataclass_type": ("a table", "Write it as a table: { key = value }, or under a [header]."),
    "model_type": ("a table", "Write it as a table: { key = value }, or under a [header]."),
}


def _explained(problem: ErrorDetails, cls: type) -> tuple[str, str]:
    """What is wrong and what to do about it."""
    kind, given, context = problem["type"], problem["input"], problem.get("ctx", {})
    place = _place(problem)
    key = _name(place)
    if kind in _UNKNOWN:
        return f"unknown key {key}", nearest(str(place[-1]), _keys(cls, place[:-1]))
    if kind == "missing":
        if isinstance(place[-1], int):
            return f"{key} has too few values", "Add what is missing."
        return f"{key} is missing", "Add it."
    if kind in {"enum", "literal_error"}:
        expected = re.findall(r"'([^']*)'", context["expected"])
        if problem["loc"][-1] == "[key]":
            return f"unknown key {key}", nearest(str(given), expected)
        return f"{key} cannot be {given!r:.60}", nearest(str(given), expected)
    if kind in _LIMITS:
        words, limit = _LIMITS[kind]
        return f"{key} must be {words} {context[limit]:g}, not {given!r}", "Correct it."
    if kind in _KINDS:
        words, hint = _KINDS[kind]
        return f"{key} must be {words}, not {given!r:.60}", hint
    if kind in {"string_too_short", "too_short", "predicate_failed"}:
        return f"{key} is empty or too short", "Fill it in, or remove it."
    return (
        f"{key}: {problem['msg'].removeprefix('Input ').removeprefix('String ')}, not {given!r:.60}",
        "Correct it.",
    )


def _is_unknown(problem: ErrorDetails) -> bool:
    return problem["type"] in _UNKNOWN or problem["loc"][-1] == "[key]"


def _place(problem: ErrorDetails) -> KeyPath:
    """The key path of the problem, without the tuple of `validated` and pydantic's mark for keys."""
    return tuple(step for step in problem["loc"][1:] if step != "[key]")


def _name(place: KeyPath) -> str:
    keys = [step for step in place if isinstance(step, str)]
    return repr(keys[-1]) if keys else "the file"


def _keys(cls: Any, place: KeyPath) -> list[str]:
    """The keys that would be right in the table at `place` of a file that is a `cls`."""
    hint = _bare(cls)
    for step in place:
        if _fields(hint):
            hint = _bare(get_type_hints(hint)[str(step)])
        else:
            hint = _bare(get_args(hint)[0 if isinstance(step, int) else -1])
    return _fields(hint)


def _fields(hint: Any) -> list[str]:
    if dataclasses.is_dataclass(hint):
        return [field.name for field in dataclasses.fields(hint)]
    return list(getattr(hint, "model_fields", ()))


def _bare(hint: Any) -> Any:
    """A type without its name of our own and without None."""
    if isinstance(hint, NewType):
        return _bare(hint.__supertype__)
    if get_origin(hint) in (Union, types.UnionType):
        return next(_bare(arm) for arm in get_args(hint) if arm is not types.NoneType)
    return hint
