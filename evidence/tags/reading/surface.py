"""Decides whether writing in a photo is about the photo: on a board, a card, a sheet, or in chalk on a roof.

A road sign, a street's name, a house number or the lettering of a van shares words with the boards of the trade.
"""

from __future__ import annotations

from dataclasses import replace

from evidence.model import Facet, Look, SceneKind
from evidence.tags.reading.semantics import Reading

_ON_ROOF = 0.5
"""Probability of a roof or shingles from which writing is taken for chalk or a board laid there."""

_OF_THE_TRADE = 0.6
"""Share of letters in known words from which writing is that of a board; RIGHT TURN ON RED has 0.36."""

_NEAR = 0.08
"""Longer side of the writing as a share of the frame from which a board is held near enough to be meant."""

_FAR_AND_SURE = 0.9
"""Share of letters in known words that smaller writing needs."""

_ADVERTISED = 3
"""From this many things, and no side, role, condition or count, writing lists services, as on a van."""


def of_the_photo(reading: Reading, look: Look) -> Reading:
    """The reading without the facets of a sign in the street; `look` is that of the same photo.

    What stands on a sheet, beside a label card or on a roof is kept. Elsewhere writing must be in words of the
    trade, more of them where it is small in the frame.
    """
    if not reading.facets and reading.compass is None:
        return reading
    roof = look.scenes.get(SceneKind.ROOF, 0.0) + look.scenes.get(SceneKind.SHINGLE, 0.0)
    if look.labels or look.sheet is not None or roof >= _ON_ROOF:
        return reading
    least = _OF_THE_TRADE if _extent(look) >= _NEAR else _FAR_AND_SURE
    facets = {one.facet for one in reading.facets}
    things = {one.value for one in reading.all(Facet.COMPONENT)}
    if reading.legible >= least and not (facets == {Facet.COMPONENT} and len(things) >= _ADVERTISED):
        return reading
    return replace(reading, facets=(), compass=None)


def _extent(look: Look) -> float:
    """The longer side of all writing together, as a share of the frame."""
    boxes = [line.box for line in look.writing]
    wide = max((box.right for box in boxes), default=0.0) - min((box.left for box in boxes), default=0.0)
    high = max((box.bottom for box in boxes), default=0.0) - min((box.top for box in boxes), default=0.0)
    return max(wide, high)
