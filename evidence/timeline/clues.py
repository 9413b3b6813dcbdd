"""What each piece of evidence says, in nats: gaps, sheets, places. All of it one day's, as arrays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, log, pi, radians

import numpy as np
from numpy.typing import NDArray

from evidence.model import ClaimId, GeoPoint
from evidence.timeline.values import SheetAt, SplitOptions

Floats = NDArray[np.float64]

EARTH = 6_371_008.8
"""Mean radius, metres (IUGG)."""

# --- gaps ----------------------------------------------------------------------------------

SHORTEST_GAP = 0.5
"""Seconds; stamps without sub-seconds cannot tell less."""
LOG_RANGE = log(40_000.0)
"""Log gaps lie between half a second and most of a day."""
ODD_SHARE = 0.03
"""Share of gaps of either kind that follow no rule and are spread evenly over the log range."""
PRIOR_GAPS = 8.0
"""Weight of the prior, in gaps, against the day's own."""
WITHIN_WIDTH, PAUSE_WIDTH, BETWEEN_WIDTH, ERRAND_WIDTH = 1.0, 1.0, 0.9, 1.3
"""Standard deviations of the log gap: most gaps lie within a factor of e**width of their median."""
ERRAND_MEDIAN = 300.0
"""Seconds from a house to a photo taken on the way, or from one to the next house."""
CLIMB_MEDIAN, CLIMB_SHARE = 150.0, 0.6
"""Seconds from the last photo on the ground to the first on the roof, where the ladder must first be set up,
and the share of such moves that take longer than any other step."""
MOST_BOUNDARIES = 0.1
"""Highest chance of a boundary after any photo, whatever the day seems to show."""
LOST_CLOCK_CAP = 2.0
"""Nats that gaps of a clock without a date may add to other evidence; too few to split by themselves."""


@dataclass(frozen=True, slots=True)
class GapModel:
    """Log-normal gaps in seconds within a house and between houses, fitted to one day."""

    within: tuple[float, float]
    """Mean and standard deviation of the log gap."""
    between: tuple[float, float]
    hazard: float
    """Chance of a boundary after a photo."""

    def turning(self, gaps: Floats, options: SplitOptions) -> Floats:
        """Log density of gaps at which one goes from one part of the house to the next, over that of any gap."""
        x = np.log(np.maximum(gaps, SHORTEST_GAP))
        climb = _normal(x, log(CLIMB_MEDIAN), PAUSE_WIDTH)
        turned = (1 - CLIMB_SHARE) * _normal(x, *self.within) + CLIMB_SHARE * climb
        floor = 0.1 * ODD_SHARE / LOG_RANGE
        return np.nan_to_num(np.log(turned + floor) - self.scores(gaps, options)[0])

    def scores(self, gaps: Floats, options: SplitOptions) -> tuple[Floats, Floats, Floats]:
        """Log densities of the gaps (within, between, around an errand); an unknown gap (NaN) says nothing."""
        x = np.log(np.maximum(gaps, SHORTEST_GAP))
        even = ODD_SHARE / LOG_RANGE
        pause = _normal(x, log(options.pause_median), PAUSE_WIDTH)
        inside = (1 - options.pause_share) * _normal(x, *self.within) + options.pause_share * pause
        within = np.log(inside + 0.1 * even)
        between = np.log((1 - ODD_SHARE) * _normal(x, *self.between) + even)
        errand = np.log((1 - ODD_SHARE) * _normal(x, log(ERRAND_MEDIAN), ERRAND_WIDTH) + even)
        unknown = np.isnan(gaps)
        return np.where(unknown, 0.0, within), np.where(unknown, 0.0, between), np.where(unknown, 0.0, errand)


def _normal(x: Floats, mean: float, width: float) -> Floats:
    return np.asarray(np.exp(-0.5 * ((x - mean) / width) ** 2) / (width * (2 * pi) ** 0.5))


def fit_gaps(gaps: Floats, crossing: Floats, options: SplitOptions) -> GapModel:
    """Fit both kinds of gap to the day: medians for the many within, weighted moments for the few between.

    `crossing` is the probability that each gap is a boundary (one step of EM). Priors count as
    `PRIOR_GAPS` gaps, so a day of ten photos keeps to them and a day of a thousand to itself.
    """
    known = ~np.isnan(gaps)
    x, p = np.log(np.maximum(gaps[known], SHORTEST_GAP)), crossing[known]
    inside = x[p < 0.5]
    mean, width = log(options.within_median), WITHIN_WIDTH
    if inside.size:
        share = inside.size / (inside.size + PRIOR_GAPS)
        centre = float(np.median(inside))
        spread = max(0.6, 1.4826 * float(np.median(np.abs(inside - centre))))
        mean, width = share * centre + (1 - share) * mean, share * spread + (1 - share) * width
    weight = float(p.sum())
    prior = log(options.between_median)
    across = (float((p * x).sum()) + PRIOR_GAPS * prior) / (weight + PRIOR_GAPS)
    spread2 = (float((p * (x - across) ** 2).sum()) + PRIOR_GAPS * BETWEEN_WIDTH**2) / (weight + PRIOR_GAPS)
    hazard = (1.0 + float(crossing.sum())) / (options.photos_a_house + crossing.size)
    return GapModel((mean, width), (across, spread2**0.5), min(MOST_BOUNDARIES, hazard))


# --- sheets --------------------------------------------------------------------------------

MID_READ = 0.001
"""Chance that a photo inside a house shows that claim's own sheet again: once in some ten houses."""
MID_PAPER = 0.001
"""Chance that a photo inside a house shows some other paper that passes for a sheet."""
RETAKE = 0.15
"""The same, right after or before another sheet: people photograph a sheet twice."""
RETAKE_WITHIN = 120.0
"""Seconds."""
WRONG_SHEET = 1e-7
"""Chance of another claim's code in a photo of this house. A divider is nearly certain."""
ERRAND_PAPER = 0.01
"""Chance that a photo between houses shows a paper."""
FALSE_PAPER = 0.01
"""How much of a doubtful sighting of paper counts when it is none."""
SEEN_UNREAD = 0.75
"""Share of sheets without a readable code that are still seen to be a sheet."""
FEW_SHEETS = 0.7
"""Share of houses with a sheet on a careless day."""
TEXT_FOR, TEXT_AGAINST = 3.0, -1.0
"""Nats for the claim that a sheet's text names, and for the others; too few to file by OCR alone."""

_MODES: tuple[tuple[SheetAt | None, str, float], ...] = (
    (SheetAt.START, "kept", 0.62),
    (SheetAt.START, "few", 0.15),
    (SheetAt.START, "unread", 0.03),
    (SheetAt.END, "kept", 0.08),
    (SheetAt.END, "few", 0.03),
    (SheetAt.END, "unread", 0.01),
    (None, "none", 0.08),
)


@dataclass(frozen=True, slots=True)
class SheetRow:
    """What one unit shows of sheets."""

    claims: tuple[ClaimId, ...] = ()
    confidence: float = 0.0
    """That there is a sheet without a readable code."""
    named: ClaimId | None = None
    """The claim its text names."""

    @property
    def any(self) -> bool:
        """A code or a likely sheet."""
        return bool(self.claims) or self.confidence >= 0.5


Mode = tuple[SheetAt | None, str]
"""Where the sheet stands, and how thoroughly sheets are photographed and read that day."""


def modes_of(options: SplitOptions) -> tuple[tuple[Mode, ...], Floats]:
    """The ways in which sheets may be used on a day (place, thoroughness), and their log priors."""
    allowed = [m for m in _MODES if m[0] is None or options.sheet_at in (SheetAt.DETECT, m[0])]
    prior = np.array([m[2] for m in allowed])
    return tuple((m[0], m[1]) for m in allowed), np.log(prior / prior.sum())


def _rates(thorough: str, options: SplitOptions) -> tuple[float, float, float]:
    """Chances that the opening (or closing) shot of a house is a read sheet, an unread one, no sheet."""
    kept = {"kept": options.sheet_kept, "few": FEW_SHEETS, "unread": options.sheet_kept, "none": 0.02}[
        thorough
    ]
    read = 0.1 if thorough == "unread" else options.sheet_read
    unread = (1 - read) * SEEN_UNREAD
    return kept * read, kept * unread, 1 - kept * (read + unread)


def sheet_scores(
    rows: Sequence[SheetRow],
    near: Sequence[bool],
    states: Sequence[ClaimId],
    modes: Sequence[Mode],
    options: SplitOptions,
) -> tuple[Floats, Floats, Floats]:
    """(keep (N, S), first (N, M, S), last (N, M, S)) for the claims, then an unknown house, then an errand.

    `near` tells which shots stand right beside another sheet.
    """
    shots, count = len(rows), len(states) + 2
    keep = np.zeros((shots, count))
    first = np.zeros((shots, len(modes), count))
    last = np.zeros_like(first)
    rates = np.array([_rates(thorough, options) for _, thorough in modes])
    edge = [first if place is SheetAt.START or place is None else last for place, _ in modes]
    column = {claim: k for k, claim in enumerate(states)}
    plain_first = np.log(rates[:, 2] / (1 - MID_READ - MID_PAPER))
    for m in range(len(modes)):
        edge[m][:, m, :-1] = plain_first[m]
    for i, row in enumerate(rows):
        if not row.claims and row.confidence <= 0.0:
            continue
        base = RETAKE if near[i] else None
        for m in range(len(modes)):
            edge[m][i, m, :-1] = 0.0
        if row.claims:
            mid = base or MID_READ
            keep[i, :] = log(WRONG_SHEET)
            for claim in row.claims:
                k = column[claim]
                keep[i, k] = log(mid / len(row.claims))
                for m in range(len(modes)):
                    edge[m][i, m, k] = log(rates[m, 0] / mid)
            continue
        q = row.confidence
        mid = base or MID_PAPER
        inside = mid * q + FALSE_PAPER * (1 - q)
        keep[i, :-1] = log(inside)
        keep[i, -1] = log(ERRAND_PAPER * q + FALSE_PAPER * (1 - q))
        for m in range(len(modes)):
            edge[m][i, m, :-1] = log(rates[m, 1] * q + rates[m, 2] * FALSE_PAPER * (1 - q)) - log(inside)
        if row.named is not None:
            keep[i, :-2] += TEXT_AGAINST
            keep[i, column[row.named]] += TEXT_FOR - TEXT_AGAINST
    return keep, first, last


# --- places --------------------------------------------------------------------------------

AREA = 700.0
"""Metres: radius of the disc over which a house that we know nothing of may lie; storms hit neighbourhoods."""
GEOCODE_OFF, GEOCODE_WRONG = 0.07, 0.03
"""Share of addresses geocoded to the street or the block, and of those geocoded to somewhere else."""
BLOCK = 400.0
"""Metres, for an address geocoded to its block."""
SEEN_ELSEWHERE = 0.01
"""Share of photos of a house that are taken far from where its other photos were."""
NEXT_DOOR = 0.1
"""Share of houses that stand next to another house of the day."""
NEIGHBOUR = 80.0
"""Metres between the sites of two houses next to each other, geocoding included."""
HOUSE = 25.0
"""Metres one walks between two photos of one house."""
NEAREST, FARTHEST = 20.0, 20_000.0
"""Metres between two houses of a day, spread evenly over the log."""
WILD = 0.001
"""Share of fixes that are far off although nothing shows it."""


def metres(points: Sequence[GeoPoint | None], origin: GeoPoint) -> Floats:
    """(N, 2) metres east and north of `origin`, NaN where there is no fix. Good to 0.1 % within 50 km."""
    out = np.full((len(points), 2), np.nan)
    wide = EARTH * cos(radians(origin.lat))
    for i, p in enumerate(points):
        if p is not None:
            east = (p.lon - origin.lon + 180.0) % 360.0 - 180.0
            out[i] = radians(east) * wide, radians(p.lat - origin.lat) * EARTH
    return out


def site_density(distance: Floats, seen: NDArray[np.bool_], options: SplitOptions) -> Floats:
    """Log density, per square metre, of a position this far from a claim's site.

    Bivariate Student: narrow (nu = 6) about a site learnt from photos; wider (nu = 4) about a
    geocoded address, with shares for addresses that were geocoded badly or wrongly.
    """
    sure = _student(distance, options.seen_spread, 6.0)
    coded = (1 - GEOCODE_OFF - GEOCODE_WRONG) * _student(distance, options.site_spread, 4.0)
    coded = coded + GEOCODE_OFF * _student(distance, BLOCK, 4.0)
    anywhere = 1 / (pi * AREA**2)
    return np.asarray(
        np.log(
            np.where(
                seen,
                (1 - SEEN_ELSEWHERE) * sure + SEEN_ELSEWHERE * anywhere,
                coded + GEOCODE_WRONG * anywhere,
            )
        )
    )


def neighbour_density(distance: Floats) -> Floats:
    """Log density, per square metre, of a house next to any one of the day's, from (N, C) distances."""
    near = np.nan_to_num(_student(distance, NEIGHBOUR / 2, 4.0))
    return np.asarray(np.log(NEXT_DOOR * near.mean(axis=1) + 1e-300))


def _student(distance: Floats, spread: float, nu: float) -> Floats:
    """Density per square metre of a bivariate Student distribution at a distance from its centre."""
    return np.asarray((1 + distance**2 / (nu * spread**2)) ** (-(nu + 2) / 2) / (2 * pi * spread**2))


def move_density(step: Floats) -> Floats:
    """Log density, per square metre, of another house this far away; of anywhere near for an unknown step."""
    known = -np.log(2 * pi * np.maximum(step, NEAREST) ** 2 * log(FARTHEST / NEAREST))
    return np.asarray(np.where(np.isnan(step), -log(pi * AREA**2), known))


def move_score(step: Floats, walk: Floats) -> Floats:
    """Nats for a step between two fixes as a move to another house against a walk round this one."""
    variance = walk**2
    move = np.exp(move_density(step))
    stay = (1 + step**2 / (4 * variance)) ** -3 / (2 * pi * variance)
    return np.asarray(np.log(move) - np.log((1 - WILD) * stay + WILD * move))
