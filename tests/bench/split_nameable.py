"""Which houses of a simulated day anything in the input names: from the truth, without the splitter.

A house can be named if a photo of it shows its code or a page on which something is written about its claim; if it
has positions and its claim an address near by; if it was photographed at another time of the day where one of
these holds, with positions both times; or if it is the only one to which the only claim left can belong. Nobody
can assign the photos of the other houses rightly without asking the adjuster.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from statistics import median

from day_simulator import SimDay

from evidence.model import ClaimId, GeoPoint
from evidence.timeline import DayPhoto
from evidence.timeline.fixes import distance

NEAR = 400.0
"""Metres from a house within which an address names it."""
FORMS = {"SCOPE OF WORK", "PERMIT"}
"""First lines of pages that say nothing about a claim."""


def nameable_visits(day: SimDay) -> set[int]:
    """The numbers of the visits to listed claims that something in the photos and assignments names."""
    visits: dict[int, list[DayPhoto]] = defaultdict(list)
    for photo in day.photos:
        if day.visit[photo.sha256] >= 0:
            visits[day.visit[photo.sha256]].append(photo)
    truth = {v: day.truth[photos[0].sha256] for v, photos in visits.items()}
    sites = {site.claim: site for site in day.claims}
    spots = {v: _spot(photos) for v, photos in visits.items()}
    written = {v for v, photos in visits.items() if any(map(_shows_claim, photos))}
    named = {v for v, claim in truth.items() if claim is not None and v in written}
    named |= {v for v, claim in truth.items() if claim in sites and _near(spots[v], sites[claim].place)}
    named |= {
        v
        for v, claim in truth.items()
        if any(truth[w] == claim and _near(spots[v], spots[w]) for w in named if w != v)
    }
    return named | _by_elimination(day, truth, spots, named)


def _by_elimination(
    day: SimDay,
    truth: dict[int, ClaimId | None],
    spots: dict[int, GeoPoint | None],
    named: set[int],
) -> set[int]:
    """The houses that one claim of the day's list is left for, and that claim for no other house."""
    done = {truth[v] for v in named}
    lists = {day.lists[site.claim] for site in day.claims if site.claim in done}
    left = [s for s in day.claims if s.claim not in done and (not lists or day.lists[s.claim] in lists)]
    unnamed = [v for v in truth if v not in named]
    possible = {
        v: [s.claim for s in left if spots[v] is None or s.place is None or _near(spots[v], s.place)]
        for v in unnamed
    }
    return {
        v
        for v, claims in possible.items()
        if len(claims) == 1 and claims[0] == truth[v] and sum(claims[0] in p for p in possible.values()) == 1
    }


def _shows_claim(photo: DayPhoto) -> bool:
    lines = [line.text for line in photo.sheet.lines] if photo.sheet else []
    return bool(photo.dividers) or bool(lines and lines[0] not in FORMS)


def _spot(photos: Sequence[DayPhoto]) -> GeoPoint | None:
    fixes = [photo.gps for photo in photos if photo.gps is not None]
    if not fixes:
        return None
    return GeoPoint(lat=median(f.lat for f in fixes), lon=median(f.lon for f in fixes))


def _near(a: GeoPoint | None, b: GeoPoint | None) -> bool:
    return a is not None and b is not None and distance(a, b) <= NEAR
