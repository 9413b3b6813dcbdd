"""The last claim of the day goes to the last house without a name, if that house has a sheet that cannot be read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from statistics import median

from evidence.model import Claim, ClaimId, GeoPoint
from evidence.timeline.assemble import PlacedUnit
from evidence.timeline.fixes import distance
from evidence.timeline.split.observations import CANDIDATE_RANGE
from evidence.timeline.split.split_day import UNSUPPORTED_CONFIDENCE

EDGE = 2
"""Photos at the beginning and at the end of a house among which its sheet is looked for."""
FEW = 3
"""A segment of so few photos is not a house that could need the claim."""


def name_last_house(
    chains: Sequence[Sequence[PlacedUnit]], claims: Mapping[ClaimId, Claim]
) -> list[list[PlacedUnit]]:
    """The chains, with the only unnamed house filed under the only claim left, to confirm.

    Nothing changes unless exactly one claim has no photos and no sheet, exactly one house has no name, and
    a page without a readable code begins or ends that house. Positions far from the claim's address rule
    it out.
    """
    out = [list(chain) for chain in chains]
    taken = {placed.claim for chain in out for placed in chain}
    taken |= {c for chain in out for placed in chain for f in placed.timed.unit.files for c in f.dividers}
    left = [claim for claim in claims if claim not in taken]
    unnamed = [
        (chain, a, b) for chain in out for a, b in _segments(chain) if chain[a].unknown and b - a > FEW
    ]
    if len(left) != 1 or len(unnamed) != 1:
        return out
    chain, a, b = unnamed[0]
    house = chain[a:b]
    if any(map(_shows_page, (*house[:EDGE], *house[-EDGE:]))) and not _far(house, claims[left[0]].place):
        chain[a:b] = [_named(placed, left[0]) for placed in house]
    return out


def _segments(chain: Sequence[PlacedUnit]) -> list[tuple[int, int]]:
    """(first, end) of each segment of a chain."""
    starts = [i for i, placed in enumerate(chain) if placed.opened_by is not None]
    return list(zip(starts, [*starts[1:], len(chain)], strict=True))


def _shows_page(placed: PlacedUnit) -> bool:
    return any(f.sheet is not None and f.sheet.confidence >= 0.5 for f in placed.timed.unit.files)


def _far(house: Sequence[PlacedUnit], site: GeoPoint | None) -> bool:
    """Whether the middle of the photos' positions is too far from the claim's address to belong to it."""
    fixes = [placed.timed.unit.lead.gps for placed in house]
    away = [distance(fix, site) for fix in fixes if fix is not None and site is not None]
    return bool(away) and median(away) > CANDIDATE_RANGE


def _named(placed: PlacedUnit, claim: ClaimId) -> PlacedUnit:
    opened = placed.opened_by
    if opened is not None:
        reasons = (
            *opened.reasons,
            f"claim {claim} is the only one left, and this house's sheet was not read",
        )
        opened = replace(opened, reasons=reasons)
    return replace(
        placed,
        claim=claim,
        unknown=False,
        confidence=min(placed.confidence, UNSUPPORTED_CONFIDENCE),
        to_confirm=True,
        opened_by=opened,
    )
