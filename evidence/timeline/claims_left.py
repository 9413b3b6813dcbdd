"""Claims by elimination: a house without a name gets the only claim of the list that it can belong to, to confirm."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median

from evidence.model import Claim, ClaimId, GeoPoint
from evidence.timeline.assemble import PlacedUnit
from evidence.timeline.fixes import distance
from evidence.timeline.merge import TimedUnit
from evidence.timeline.split.observations import CANDIDATE_RANGE
from evidence.timeline.split.positions import NEIGHBOUR
from evidence.timeline.split.sheet_text import names_another
from evidence.timeline.split.split_day import UNSUPPORTED_CONFIDENCE

EDGE = 2
"""Photos at the beginning and at the end of a house among which its sheet is looked for."""
FEW = 3
"""A stretch of so few photos is no house that could need the claim."""
SURE_BOUNDARY = 0.5
"""Least probability of a house that shows no page, or of the boundary before it, so that a pause is not named as one."""
CLEAR_SHARE = 0.6
"""Least probability that the claim belongs to this one of several houses."""
BARE_CONFIDENCE = 0.7
"""Highest confidence in the claim of a house that shows no page: it may also be on no list."""


@dataclass(frozen=True, slots=True)
class _House:
    """An unnamed house: a segment, or several at one place."""

    parts: tuple[tuple[int, int, int], ...]
    """(chain, first, end) of each segment."""
    place: GeoPoint | None
    """The middle of its photos' positions."""
    page: bool
    """Whether a page without a readable code begins or ends it."""
    texts: tuple[tuple[str, ...], ...]
    """The lines of those pages."""
    sure: bool
    """Whether the boundary before it, or the house itself, is more probable than not."""
    probability: float
    """That it is a house without a name, and no part of another one."""


def name_houses_left(
    chains: Sequence[Sequence[PlacedUnit]], claims: Mapping[ClaimId, Claim], lists: Mapping[ClaimId, str]
) -> list[list[PlacedUnit]]:
    """The chains, with each unnamed house that can belong to one claim only filed under it, to confirm.

    A claim is left if it has no photos and no sheet, and came with a list of which another claim was read (or
    nothing tells the lists apart); `lists` gives the list that each claim came with. A house's positions rule out the claims whose addresses are far from them, and a page with
    another number rules it out too. Nothing changes for a house with two possible claims, nor for two houses that the same one
    is left for, unless one of them is rather a part of the house before it.
    """
    out = [list(chain) for chain in chains]
    left = _claims_left(out, claims, lists)
    houses = _unnamed(out)
    possible = [[c for c in left if _may_be(house, claims[c])] for house in houses]
    possible = _with_pages_first(houses, possible)
    for house, own in zip(houses, possible, strict=True):
        if len(own) != 1 or (not house.page and not house.sure):
            continue
        rivals = [h for h, other in zip(houses, possible, strict=True) if own[0] in other]
        if _share(house, rivals) < CLEAR_SHARE:
            continue
        for c, a, b in house.parts:
            out[c][a:b] = [_named(placed, own[0], page=house.page) for placed in out[c][a:b]]
    return out


def _share(house: _House, rivals: Sequence[_House]) -> float:
    """The probability that a claim belongs to this house and not to another of the `rivals`, of which it is one.

    A rival that is no house of its own, but a part of the house before it, has no claim to it; those that are houses
    are equally probable.
    """
    shares = [
        rival.probability * sum(p / (1 + k) for k, p in enumerate(_how_many(rivals, rival)))
        for rival in rivals
    ]
    return shares[rivals.index(house)] / max(sum(shares), 1e-9)


def _how_many(rivals: Sequence[_House], but: _House) -> list[float]:
    """The probability of each number, from 0, of houses among the rivals but one."""
    found = [1.0]
    for rival in rivals:
        if rival is not but:
            p = rival.probability
            found = [
                (found[k] if k < len(found) else 0.0) * (1.0 - p) + (found[k - 1] * p if k else 0.0)
                for k in range(len(found) + 1)
            ]
    return found


def _with_pages_first(houses: Sequence[_House], possible: Sequence[list[ClaimId]]) -> list[list[ClaimId]]:
    """The possible claims of each house; one that only one written page may mean is not left for houses without a page."""
    written = Counter(c for house, own in zip(houses, possible, strict=True) if any(house.texts) for c in own)
    return [
        own if any(house.texts) else [c for c in own if written[c] != 1]
        for house, own in zip(houses, possible, strict=True)
    ]


def claims_without_sheet(
    day: Iterable[TimedUnit],
    read: Collection[ClaimId],
    claims: Mapping[ClaimId, Claim],
    lists: Mapping[ClaimId, str],
) -> list[ClaimId]:
    """The claims that no sheet shows (`read` are the others), from the lists whose sheets were read that day."""
    own = {c for timed in day for f in timed.unit.files for c in f.dividers}
    sizes = Counter(lists[c] for c in claims if c in lists)
    used = {lists[c] for c in own if c in lists and sizes[lists[c]] > 1}
    return [c for c in claims if c not in read and (not used or lists.get(c) in used)]


def sheets_of_others(group: Sequence[TimedUnit], groups: Iterable[Sequence[TimedUnit]]) -> list[ClaimId]:
    """The claims whose sheets only the day's other chains show, if the clock of this one was lost: it was there too.

    Without a clock its photos cannot be compared with the others' times, so that a house may hide in it.
    """
    if not any(timed.clock_lost for timed in group):
        return []
    own = {c for timed in group for f in timed.unit.files for c in f.dividers}
    found = (c for other in groups for timed in other for f in timed.unit.files for c in f.dividers)
    return [c for c in dict.fromkeys(found) if c not in own]


def _claims_left(
    chains: Sequence[Sequence[PlacedUnit]], claims: Mapping[ClaimId, Claim], lists: Mapping[ClaimId, str]
) -> list[ClaimId]:
    """The claims without photos and without a sheet, from the lists whose claims were photographed.

    A list of one claim tells nothing: a claim that its sheet alone made known comes so.
    """
    read = {c for chain in chains for placed in chain for f in placed.timed.unit.files for c in f.dividers}
    taken = read | {placed.claim for chain in chains for placed in chain if placed.claim is not None}
    sizes = Counter(lists[c] for c in claims if c in lists)
    used = {lists[c] for c in taken if c in lists and sizes[lists[c]] > 1}
    left = [claim for claim in claims if claim not in taken]
    return [c for c in left if not used or lists.get(c) in used]


def _unnamed(chains: Sequence[Sequence[PlacedUnit]]) -> list[_House]:
    """The unnamed houses; segments whose positions are at one place are one house."""
    houses: list[_House] = []
    for c, chain in enumerate(chains):
        for a, b in _segments(chain):
            opened = chain[a].opened_by
            if not chain[a].unknown or b - a <= FEW or opened is None:
                continue
            part = chain[a:b]
            confidence = median(p.confidence for p in part)
            house = _House(
                parts=((c, a, b),),
                place=_middle(part),
                page=any(map(_shows_page, (*part[:EDGE], *part[-EDGE:]))),
                texts=tuple(text for placed in (*part[:EDGE], *part[-EDGE:]) for text in _texts(placed)),
                sure=max(opened.probability, confidence) >= SURE_BOUNDARY,
                probability=confidence,
            )
            same = next((k for k, other in enumerate(houses) if _near(house.place, other.place)), None)
            if same is None:
                houses.append(house)
            else:
                other = houses[same]
                houses[same] = replace(
                    other,
                    parts=other.parts + house.parts,
                    page=other.page or house.page,
                    texts=other.texts + house.texts,
                    sure=other.sure or house.sure,
                    probability=max(other.probability, house.probability),
                )
    return houses


def _segments(chain: Sequence[PlacedUnit]) -> list[tuple[int, int]]:
    """(first, end) of each segment of a chain."""
    starts = [i for i, placed in enumerate(chain) if placed.opened_by is not None]
    return list(zip(starts, [*starts[1:], len(chain)], strict=True))


def _shows_page(placed: PlacedUnit) -> bool:
    return any(f.sheet is not None and f.sheet.confidence >= 0.5 for f in placed.timed.unit.files)


def _texts(placed: PlacedUnit) -> list[tuple[str, ...]]:
    pages = [f.sheet for f in placed.timed.unit.files if f.sheet is not None]
    return [tuple(line.text for line in page.lines) for page in pages]


def _may_be(house: _House, claim: Claim) -> bool:
    """Whether neither the positions nor the pages of a house rule out a claim."""
    another = any(names_another(lines, claim) for lines in house.texts)
    return not another and not _far(house.place, claim.place)


def _middle(house: Sequence[PlacedUnit]) -> GeoPoint | None:
    """The median of the photos' positions; None without any."""
    fixes = [fix for placed in house if (fix := placed.timed.unit.lead.gps) is not None]
    if not fixes:
        return None
    return GeoPoint(lat=median(f.lat for f in fixes), lon=median(f.lon for f in fixes))


def _near(a: GeoPoint | None, b: GeoPoint | None) -> bool:
    return a is not None and b is not None and distance(a, b) <= NEIGHBOUR / 2


def _far(house: GeoPoint | None, site: GeoPoint | None) -> bool:
    """Whether the photos were taken too far from the claim's address to belong to it."""
    return house is not None and site is not None and distance(house, site) > CANDIDATE_RANGE


def _named(placed: PlacedUnit, claim: ClaimId, *, page: bool) -> PlacedUnit:
    opened = placed.opened_by
    if opened is not None:
        unread = "this house's sheet was not read" if page else "this house shows no sheet"
        opened = replace(
            opened,
            reasons=(*opened.reasons, f"claim {claim} is the only one left for this house, and {unread}"),
        )
    return replace(
        placed,
        claim=claim,
        unknown=False,
        confidence=min(placed.confidence, UNSUPPORTED_CONFIDENCE if page else BARE_CONFIDENCE),
        to_confirm=True,
        opened_by=opened,
    )
