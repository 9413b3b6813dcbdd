"""Shared values to plain JSON data and back.

`to_json` writes every field of a dataclass in order. Times are ISO 8601 text with their offset, if they have
one; bytes are base64 (RFC 4648, section 4); enums are their values; sets are sorted. `from_json` checks
strictly: a number in quotes is not a number. Data that an older program wrote lacks newer fields; they take
their defaults. A field that this program does not know is refused, because writing the value again would
lose it.
"""

from __future__ import annotations

import base64
import dataclasses
import json
from collections.abc import Mapping
from datetime import date
from functools import cache
from typing import TYPE_CHECKING, Any, TypeVar, cast

if TYPE_CHECKING:
    from collections.abc import Hashable

    from pydantic import TypeAdapter
    from pydantic_core import ErrorDetails

T = TypeVar("T")


class CodecError(ValueError):
    """The data does not fit the type; the message begins with the field's path."""


def to_json(value: object) -> Any:
    """`value` as plain JSON data: dicts, lists, strings, numbers, booleans and None.

    Raises CodecError for a NaN or infinite number, which JSON lacks, and for a type that has no form here.
    """
    try:
        return json.loads(json.dumps(value, default=_plain, allow_nan=False))
    except CodecError:
        raise
    except (TypeError, ValueError) as problem:
        raise CodecError(f"no form in JSON: {problem}") from problem


def from_json(cls: type[T], data: object) -> T:
    """The value of type `cls` that `to_json` turned into `data`.

    `cls` is a dataclass or any type that its fields may have, `tuple[Finding, ...]` for instance.
    Raises CodecError, with the path of the first field that does not fit.
    """
    from pydantic import ValidationError  # noqa: PLC0415 - slow to import, and help texts do not need it

    try:
        return validated(cls, data)
    except ValidationError as problem:
        raise CodecError(_explained(problem.errors(include_url=False)[0])) from problem


def validated(cls: type[T], data: object) -> T:
    """The same; raises pydantic's own ValidationError, every location of which begins with a 0."""
    # Strict pydantic takes text for an enum and a list for a tuple only from JSON text.
    text = json.dumps([data], default=_plain)
    return cast("tuple[T]", _adapter(cast("Hashable", cls)).validate_json(text))[0]


@cache
def _adapter(cls: Any) -> TypeAdapter[Any]:
    from pydantic import ConfigDict, TypeAdapter  # noqa: PLC0415 - as above

    rules = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False, val_json_bytes="base64")
    # A tuple of one: an adapter passes its rules on to the dataclasses inside it, but not to one of its own.
    return TypeAdapter(tuple[cls], config=rules)


def _plain(value: object) -> object:
    """One step of what the standard library's encoder cannot do by itself."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: getattr(value, field.name) for field in dataclasses.fields(value)}
    if isinstance(value, date):  # a datetime is one too
        return value.isoformat()
    if isinstance(value, bytes):
        return base64.b64encode(value).decode("ascii")
    if isinstance(value, frozenset | set):
        return sorted((to_json(item) for item in value), key=repr)
    if isinstance(value, Mapping):
        return dict(value)
    raise CodecError(f"{type(value).__name__} has no form in JSON here")


def _explained(problem: ErrorDetails) -> str:
    path = "".join(f"{step}: " for step in problem["loc"][1:])
    if problem["type"] == "missing":
        return f"{path}this field is missing"
    if problem["type"] == "unexpected_keyword_argument":
        return f"{path}no such field"
    return f"{path}{problem['input']!r:.60}: {problem['msg']}"
