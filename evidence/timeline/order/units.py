"""One unit for each press of the shutter: a photo with its companion files and its time stamp.

Cameras number their files upward (JEITA CP-3461, DCF: folders 100 to 999, files 0001 to 9999, then
0001 again). Their clocks are set wrong, fall back to an epoch when the battery is taken out, and jump with
daylight saving. Numbers therefore order a card unless a renaming has plainly replaced them; times
then give the length of the pauses, run by run.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from statistics import median

from evidence.timeline.values import DayPhoto

ORIGIN = datetime(2000, 1, 1)
"""Times in this room are seconds since this moment."""
LAST_EPOCH_YEAR = 2000
"""A year up to this one means that the clock lost its date: cameras then start at 1970, 1980 or 2000 (common practice)."""

FIRST_FUTURE_YEAR = 2100
"""A year from this one on is not a real time either."""

_TIME_IN_NAME = re.compile(
    r"(?<!\d)((?:19|20)\d\d)[-_.]?([01]\d)[-_.]?([0-3]\d)[-_. T]{0,2}([0-2]\d)[-_.]?([0-5]\d)[-_.]?([0-5]\d)"
)


@dataclass(frozen=True, slots=True)
class Unit:
    """One press of the shutter: a photo with its companion files, the leading file first."""

    files: tuple[DayPhoto, ...]
    stamp: float | None
    """Seconds of the device's own clock since 2000-01-01 00:00; None where absent or after a lost date."""
    epoch: bool
    """There is a stamp, but from a clock that lost its date."""
    raw: float | None
    """The stamp as written, also after a lost date."""

    @property
    def lead(self) -> DayPhoto:
        """The file whose facts stand for the unit."""
        return self.files[0]


def time_in_name(name: str) -> datetime | None:
    """The time a phone wrote into a file's name (`20240503_141210.jpg`), naive; None where there is none."""
    match = _TIME_IN_NAME.search(name)
    if match is None:
        return None
    try:
        return datetime(*(int(part) for part in match.groups()))  # type: ignore[arg-type]
    except ValueError:
        return None


def units_of(photos: Iterable[DayPhoto]) -> list[Unit]:
    """Join the files of one object (photo, raw, sound) and give each unit its stamp."""
    groups: dict[tuple[str, str, str], list[DayPhoto]] = defaultdict(list)
    for photo in photos:
        own = photo.object_key or f"\0{photo.card_path}\0{photo.sha256}"
        groups[photo.device, photo.card, own].append(photo)
    joined = [tuple(sorted(g, key=_lead_key)) for g in groups.values()]
    written = _file_time_offsets(joined)
    years = _usual_years(joined)
    return [_unit(g, written, years.get((g[0].device, g[0].card))) for g in joined]


def _lead_key(photo: DayPhoto) -> tuple[bool, bool, bool, str, str]:
    """Sort key for the leading file: photos first, then files with a time, then files with a sheet, then by name."""
    return (
        not photo.is_photo,
        photo.taken_local is None,
        not photo.dividers and photo.sheet is None,
        photo.name,
        photo.sha256,
    )


def _file_time_offsets(groups: Sequence[tuple[DayPhoto, ...]]) -> dict[tuple[str, str], float]:
    """For each card, seconds from a file's time stamp to the camera's own time, where the two agree.

    A card that was copied by hand has the times of the copying: they scatter and are not used.
    """
    pairs: dict[tuple[str, str], list[float]] = defaultdict(list)
    for group in groups:
        lead = group[0]
        if lead.taken_local is not None and lead.file_modified is not None:
            pairs[lead.device, lead.card].append(
                _seconds(lead.taken_local) - _seconds(lead.file_modified.replace(tzinfo=None))
            )
    good = {}
    for key, values in pairs.items():
        middle = median(values)
        if len(values) >= 3 and median(abs(v - middle) for v in values) <= 3.0:
            good[key] = middle
    return good


def _usual_years(groups: Sequence[tuple[DayPhoto, ...]]) -> dict[tuple[str, str], int]:
    """The middle year of each card's stamps that do not fall on a first of January."""
    years: dict[tuple[str, str], list[int]] = defaultdict(list)
    for group in groups:
        t = group[0].taken_local
        if t is not None and (t.month, t.day) != (1, 1) and t.year > LAST_EPOCH_YEAR:
            years[group[0].device, group[0].card].append(t.year)
    return {key: sorted(values)[len(values) // 2] for key, values in years.items()}


def _unit(group: tuple[DayPhoto, ...], written: dict[tuple[str, str], float], usual: int | None) -> Unit:
    lead = group[0]
    taken = next((s.taken_local for s in group if s.taken_local is not None), None)
    if taken is None and lead.dcf is None:
        taken = time_in_name(lead.name)
    stamp = _seconds(taken) if taken is not None else None
    if stamp is None and lead.file_modified is not None and (lead.dcf is not None or lead.is_photo):
        offset = written.get((lead.device, lead.card))
        if offset is not None:
            stamp = _seconds(lead.file_modified.replace(tzinfo=None)) + offset
            taken = lead.file_modified
    lost = taken is not None and is_epoch(taken, usual)
    return Unit(group, None if lost else stamp, lost, stamp)


def is_epoch(taken: datetime, usual_year: int | None = None) -> bool:
    """Whether a stamp comes from a clock that lost its date.

    True up to the year 2000, from 2100 on, and for a first of January in a year before the card's usual one.
    """
    if taken.year <= LAST_EPOCH_YEAR or taken.year >= FIRST_FUTURE_YEAR:
        return True
    return usual_year is not None and taken.year < usual_year and (taken.month, taken.day) == (1, 1)


def _seconds(moment: datetime) -> float:
    return (moment - ORIGIN).total_seconds()
