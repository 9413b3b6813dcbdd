"""What a decoded photo shows: its scene, writing, sheet and chalk; each step runs only where it can matter."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol, TypeVar

from evidence.model import ChalkSeen, SceneKind, SheetSeen, WritingLine
from evidence.sight.chalk import see_chalk
from evidence.sight.embedding import embed
from evidence.sight.pixels import Pixels
from evidence.sight.scene_head import pack_vector, shipped_head
from evidence.sight.sheet import see_sheet
from evidence.sight.writing import TextSpot, find_writing, read_writing

T = TypeVar("T")

_ROOF = (SceneKind.ROOF, SceneKind.SHINGLE)
"""Chalk is searched where these are likely: elsewhere frames, joints and printed lines look like it."""
_SURE = 0.5


class Attempt(Protocol):
    """Runs a step; when it fails, flags it by its name and returns the fallback."""

    def __call__(self, what: str, step: Callable[[], T], otherwise: T) -> T:
        """The step's value, or `otherwise`."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Contents:
    """What was found; empty where a step did not run."""

    scenes: dict[SceneKind, float] = field(default_factory=dict)
    embedding: bytes = b""
    writing: tuple[WritingLine, ...] = ()
    sheet: SheetSeen | None = None
    chalk: ChalkSeen | None = None


def see_contents(
    rgb: Pixels,
    tried: Attempt,
    *,
    kinds: bool,
    words: bool,
    labelled: bool,
    full: Callable[[], Pixels] | None = None,
) -> Contents:
    """What an upright RGB picture shows. `kinds`: classify its scene; `words`: read writing, unless it is `labelled`.

    A code or label card states what a board or the print of a sheet would state. `full` gives the same picture
    at full size in grey, for small writing.
    """
    scenes, embedding = _scene(rgb, tried) if kinds else ({}, b"")
    spots: tuple[TextSpot, ...] = ()
    if words and not labelled:
        spots = tried("finding writing", lambda: find_writing(rgb), spots)
    writing: tuple[WritingLine, ...] = ()
    sheet: SheetSeen | None = None
    if spots:
        writing = tried("reading", lambda: read_writing(rgb, spots=spots, full=full), writing)
        boxes = [spot.box for spot in spots]
        sheet = tried("judging the paper", lambda: see_sheet(rgb, boxes, writing, scenes or None), sheet)
    chalk: ChalkSeen | None = None
    if sum(scenes.get(kind, 0.0) for kind in _ROOF) >= _SURE:
        chalk = tried("looking for chalk", lambda: see_chalk(rgb, writing), chalk)
    return Contents(scenes=scenes, embedding=embedding, writing=writing, sheet=sheet, chalk=chalk)


def _scene(rgb: Pixels, tried: Attempt) -> tuple[dict[SceneKind, float], bytes]:
    """Probability of each kind, and the packed embedding; both are empty when the network is missing."""
    scenes: dict[SceneKind, float] = {}
    vector = tried("embedding", lambda: embed(rgb), None)
    if vector is None:
        return scenes, b""
    return tried("naming the scene", lambda: shipped_head().scenes(vector), scenes), pack_vector(vector)
