"""Which houses of a simulated day anything in the input names: from the truth, without the splitter.

A house can be named if a photo of it shows its code or a page on which something is written about its claim; if it
has positions and its claim an address near by; if it was photographed at another time of the day where one of
these holds, with positions both times; or if it is the only one to which the only claim left can belong. Nobody
can assign the photos of the other houses rightly without asking the adjuster.

A house cannot even be told from the one before or after it if it shows no sheet, no positions part the two, the pictures
are plain, and the time between them is no longer than a usual drive or than a pause inside one of them. And of two houses without a sheet next
door to each other nobody can say which is which, because addresses are known to some 40 metres only.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from itertools import pairwise
from statistics import median

from day_simulator import SimDay

from evidence.model import ClaimId, GeoPoint
from evidence.timeline import DayPhoto
from evidence.timeline.fixes import distance

NEAR = 400.0
"""Metres from a house within which an address names it."""
APART = 60.0
"""Metres between the middles of two houses' positions from which they are told apart."""
USUAL_DRIVE = 600.0
"""Seconds; a pause inside a house can be as long."""
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


def visits_alike(day: SimDay) -> set[int]:
    """The numbers of the visits that nothing in the input tells from the one before or after, or from the one next door."""
    visits: dict[int, list[DayPhoto]] = defaultdict(list)
    for photo in sorted(day.photos, key=lambda p: day.true_time[p.sha256]):
        if day.visit[photo.sha256] >= 0:
            visits[day.visit[photo.sha256]].append(photo)
    times = {v: [day.true_time[p.sha256] for p in photos] for v, photos in visits.items()}
    spots = {v: _spot(photos) for v, photos in visits.items()}
    bare = {v for v, photos in visits.items() if not any(map(_shows_claim, photos))}
    found = set()
    plain = "plain_days" in day.troubles or not any(photo.scenes for photo in day.photos)
    for a, b in pairwise(visits) if plain else ():
        pauses = [y - x for v in (a, b) for x, y in pairwise(times[v])]
        short = times[b][0] - times[a][-1] <= max([USUAL_DRIVE, *pauses])
        if short and not _apart(spots[a], spots[b]):
            found |= {a, b} & bare
    truth = {v: day.truth[photos[0].sha256] for v, photos in visits.items()}
    twins = {
        v
        for v in bare
        for w in bare
        if truth[v] != truth[w]
        and spots[v] is not None
        and spots[w] is not None
        and not _apart(spots[v], spots[w])
    }
    return found | twins


def _apart(a: GeoPoint | None, b: GeoPoint | None) -> bool:
    return a is not None and b is not None and distance(a, b) > APART


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
