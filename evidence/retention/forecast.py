"""How many claims, photos and bytes become due for purging in each year: counting only."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from evidence.model import ClaimId
from evidence.retention.disposition import Disposition, Due, Held, dispositions
from evidence.retention.facts import ClaimFacts
from evidence.retention.schedule import RetentionSchedule

YEARS = 10
"""How many calendar years a forecast shows, this one included."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimLoad:
    """A claim and what it takes up."""

    facts: ClaimFacts
    photos: int
    size: int
    """Bytes of its originals, one copy."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """A number of claims and what they take up."""

    claims: int = 0
    photos: int = 0
    size: int = 0
    """Bytes, one copy."""

    def plus(self, claim: ClaimLoad) -> Load:
        """With one claim more."""
        return Load(claims=self.claims + 1, photos=self.photos + claim.photos, size=self.size + claim.size)


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """Every claim in exactly one place."""

    years: tuple[tuple[int, Load], ...]
    """By the calendar year of the first day on which a purge would be lawful, without gaps; what is due already
    counts for the first year."""
    later: Load
    """After the last year shown."""
    held: Load
    without_end: Load
    """Open claims, and those whose rule waits for an event that is not recorded."""


def forecast(
    claims: Sequence[ClaimLoad], schedule: RetentionSchedule, *, today: date, years: int = YEARS
) -> Forecast:
    """The forecast as the facts are today: nothing is closed, reopened or held in it that is not yet."""
    found = dispositions((one.facts for one in claims), schedule, today=today)
    return forecast_by(found, claims, today=today, years=years)


def forecast_by(
    found: Iterable[tuple[ClaimId, Disposition]],
    claims: Iterable[ClaimLoad],
    *,
    today: date,
    years: int = YEARS,
) -> Forecast:
    """The forecast by what `dispositions` found today for the same claims in the same order."""
    by_year = {today.year + n: Load() for n in range(years)}
    later = held = without_end = Load()
    for (_, verdict), one in zip(found, claims, strict=True):
        first = verdict.basis.first_day if verdict.basis else None
        if isinstance(verdict, Held):
            held = held.plus(one)
        elif isinstance(verdict, Due):
            by_year[today.year] = by_year[today.year].plus(one)
        elif first is None:
            without_end = without_end.plus(one)
        elif first.year in by_year:
            by_year[first.year] = by_year[first.year].plus(one)
        else:
            later = later.plus(one)
    return Forecast(years=tuple(by_year.items()), later=later, held=held, without_end=without_end)
