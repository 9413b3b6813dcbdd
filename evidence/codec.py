"""Shared values to plain JSON and back: dicts, lists, strings, numbers, booleans and None, nothing else.

One generic pair serves every frozen dataclass, so a field that a room appends travels without
another line. Times are ISO 8601 text and keep their offset, or its absence; bytes are base64
(RFC 4648); enums are their values. What was written by an older program lacks the newer fields:
those with a default take it. A field this program does not know is refused, because writing the
value again would lose it.
"""

from __future__ import annotations

import base64
import binascii
import dataclasses
import math
import types
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from datetime import date, datetime
from enum import Enum
from functools import cache
from typing import Any, NewType, TypeVar, Union, cast, get_args, get_origin, get_type_hints

T = TypeVar("T")

Decoder = Callable[[Any], Any]


class CodecError(ValueError):
    """The data is not what the type says; the message begins with the field's path."""


def to_json(value: object) -> Any:
    """`value` as plain JSON data; a dataclass becomes a dict with every field, in order.

    Raises CodecError for a NaN or infinite number, which JSON lacks, and for a type this
    module does not know.
    """
    if value is None or isinstance(value, bool | str | int | float):
        return _plain(value)
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, bytes):
        return base64.b64encode(value).decode("ascii")
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: to_json(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {_key(key): to_json(item) for key, item in value.items()}
    if isinstance(value, frozenset | set):
        return sorted((to_json(item) for item in value), key=repr)
    if isinstance(value, tuple | list):
        return [to_json(item) for item in value]
    raise CodecError(f"{type(value).__name__} has no form in JSON here")


def from_json(cls: type[T], data: object) -> T:
    """The value of type `cls` that `to_json` turned into `data`.

    `cls` is a dataclass or any type its fields may have, `tuple[Finding, ...]` for instance.
    Raises CodecError, with the path of the offending field, when the data does not fit, and
    TypeError when the type itself cannot be carried.
    """
    return cast("T", _decoder(cast("Hashable", cls))(data))


def _plain(value: str | float | None) -> str | float | None:
    if isinstance(value, Enum):
        return cast("str | float", value.value)
    if isinstance(value, float) and not math.isfinite(value):
        raise CodecError(f"{value} is no number in JSON")
    return value


def _key(key: object) -> str:
    """A mapping's key as text: JSON knows no other."""
    plain = to_json(key)
    if not isinstance(plain, str | int) or isinstance(plain, bool):
        raise CodecError(f"{key!r} cannot be a key in JSON")
    return str(plain)


@cache
def _decoder(hint: Any) -> Decoder:
    """What turns plain data into a value of the type `hint`."""
    if isinstance(hint, NewType):
        return _decoder(hint.__supertype__)
    origin = get_origin(hint)
    if origin in (Union, types.UnionType):
        return _optional(hint)
    if origin is tuple:
        return _tuple(get_args(hint))
    if origin in (list, Sequence, frozenset, set):
        return _collection(cast("type", list if origin is Sequence else origin), *get_args(hint))
    if origin in (dict, Mapping):
        return _mapping(*get_args(hint))
    if isinstance(hint, type):
        return _simple(hint)
    raise TypeError(f"{hint!r} cannot be carried in JSON")


def _simple(hint: type) -> Decoder:
    if dataclasses.is_dataclass(hint):
        return _dataclass(hint)
    if issubclass(hint, Enum):
        return lambda data: _parsed(hint, data, (str, int), f"a {hint.__name__}")
    if hint in _SCALARS:
        return _SCALARS[hint]
    raise TypeError(f"{hint!r} cannot be carried in JSON")


def _dataclass(hint: type) -> Decoder:
    fields = {field.name: field for field in dataclasses.fields(hint)}
    hints = get_type_hints(hint)
    needed = {
        name
        for name, field in fields.items()
        if field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING
    }

    def decode(data: Any) -> Any:
        given = _expect(data, dict, f"an object for {hint.__name__}")
        if strange := sorted(set(given) - set(fields)):
            raise CodecError(f"{strange[0]}: {hint.__name__} has no such field")
        if lacking := sorted(needed - set(given)):
            raise CodecError(f"{lacking[0]}: {hint.__name__} needs this field")
        return hint(**{name: _within(name, _decoder(hints[name]), item) for name, item in given.items()})

    return decode


def _optional(hint: Any) -> Decoder:
    arms = [arm for arm in get_args(hint) if arm is not types.NoneType]
    if len(arms) != 1:
        raise TypeError(f"{hint!r}: only one type or None can be told apart in JSON")
    inner = _decoder(arms[0])
    return lambda data: None if data is None else inner(data)


def _tuple(parts: tuple[Any, ...]) -> Decoder:
    if len(parts) == 2 and parts[1] is Ellipsis:
        return _collection(tuple, parts[0])
    inner = [_decoder(part) for part in parts]

    def decode(data: Any) -> tuple[Any, ...]:
        items = _expect(data, list, "a list")
        if len(items) != len(inner):
            raise CodecError(f"{len(items)} items where {len(inner)} belong")
        return tuple(
            _within(str(i), one, item) for i, (one, item) in enumerate(zip(inner, items, strict=True))
        )

    return decode


def _collection(make: Callable[[Iterable[Any]], Any], part: Any) -> Decoder:
    inner = _decoder(part)
    return lambda data: make(
        _within(str(i), inner, item) for i, item in enumerate(_expect(data, list, "a list"))
    )


def _mapping(key_hint: Any, value_hint: Any) -> Decoder:
    key, inner = _decoder(key_hint), _decoder(value_hint)
    from_text = int if key_hint is int else str

    def decode(data: Any) -> dict[Any, Any]:
        given = _expect(data, dict, "an object")
        return {_within(k, key, from_text(k)): _within(k, inner, item) for k, item in given.items()}

    return decode


def _within(step: str, decode: Decoder, data: Any) -> Any:
    """Decode, and put `step` before the path of whatever goes wrong."""
    try:
        return decode(data)
    except CodecError as problem:
        raise CodecError(f"{step}: {problem}") from problem


def _expect(data: Any, kind: type | tuple[type, ...], what: str) -> Any:
    """`data`, when it is of that kind; a boolean never passes for a number."""
    kinds = kind if isinstance(kind, tuple) else (kind,)
    if not isinstance(data, kinds) or (isinstance(data, bool) and bool not in kinds):
        raise CodecError(f"{data!r:.60} is not {what}")
    return data


def _parsed(parse: Callable[[Any], Any], data: Any, kind: type | tuple[type, ...], what: str) -> Any:
    try:
        return parse(_expect(data, kind, what))
    except CodecError:
        raise
    except (ValueError, OverflowError, binascii.Error) as problem:
        raise CodecError(f"{data!r:.60} is not {what}") from problem


def _base64(text: str) -> bytes:
    return base64.b64decode(text, validate=True)


_SCALARS: dict[type, Decoder] = {
    str: lambda data: _expect(data, str, "text"),
    bool: lambda data: _expect(data, bool, "true or false"),
    int: lambda data: _expect(data, int, "a whole number"),
    float: lambda data: _parsed(float, data, (float, int), "a number"),
    bytes: lambda data: _parsed(_base64, data, str, "base64"),
    datetime: lambda data: _parsed(datetime.fromisoformat, data, str, "an ISO 8601 time"),
    date: lambda data: _parsed(date.fromisoformat, data, str, "an ISO 8601 date"),
}
