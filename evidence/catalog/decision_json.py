"""Decisions as JSON data: the catalog's `kind`, `before` and `after` columns, and records in bags."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import fields
from functools import cache, lru_cache
from typing import Annotated, Any, get_args

from pydantic import Field, TypeAdapter, ValidationError

from evidence.catalog.decisions import AnyDecision, Decision, DecisionRow, Tag
from evidence.errors import BadInputError

KINDS: Mapping[str, type[Decision]] = {
    next(str(one.default) for one in fields(each) if one.name == "kind"): each
    for each in get_args(AnyDecision)
}
"""Every type of decision by its kind."""


def kinds_of(base: type[Decision]) -> list[str]:
    """The kinds of a type of decision, or of a group of them."""
    return sorted(kind for kind, each in KINDS.items() if issubclass(each, base))


@cache
def _adapter() -> TypeAdapter[AnyDecision]:
    return TypeAdapter(Annotated[AnyDecision, Field(discriminator="kind")])


def encode(decision: Decision) -> tuple[Any, Any]:
    """The JSON data of the columns `before` and `after`."""
    # mypy knows only the base here; the adapter refuses what is not one of the closed set.
    data = _adapter().dump_python(decision, mode="json", by_alias=True)  # type: ignore[arg-type]
    before = data.pop("replaced")
    del data["kind"]
    return before, data["stated"] if isinstance(decision, Tag) else data


def decode(kind: str, before: Any, after: Any) -> AnyDecision:
    """The decision that `encode` turned into these; raises BadInputError for data of no known decision."""
    if kind == "tag":
        after = {"stated": after}
    if kind in ("move", "name"):
        after = {name: value for name, value in after.items() if name != "to"}  # older programs repeated it
    try:
        return _adapter().validate_python({**after, "kind": kind, "replaced": before})
    except ValidationError as trouble:
        first = trouble.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise BadInputError(
            f"A decision of the kind '{kind}' cannot be read: {where or 'kind'}: {first['msg']}.",
            "Use the program version that wrote it, or a newer one.",
        ) from trouble


_ALIKE = frozenset({"closed", "reopened", "event"})
"""Kinds whose decisions hold single values only, mostly a day: thousands of claims share a few texts."""


def decode_text(kind: str, before: str, after: str) -> AnyDecision:
    """The decision in the text of the columns; raises as `decode` does."""
    if kind in _ALIKE and len(before) + len(after) < 200:
        return _decode_alike(kind, before, after)
    return decode(kind, json.loads(before), json.loads(after))


@lru_cache(maxsize=10_000)
def _decode_alike(kind: str, before: str, after: str) -> AnyDecision:
    return decode(kind, json.loads(before), json.loads(after))


def as_record(row: DecisionRow[Decision]) -> dict[str, Any]:
    """The row as JSON data, for a bag's records/claim.json and for `--json`."""
    before, after = encode(row.decision)
    return {
        "number": row.number,
        "at": row.at.isoformat(),
        "actor": row.actor,
        "kind": row.decision.kind,
        "claim": row.claim,
        "before": before,
        "after": after,
        "undone": row.undone,
    }
