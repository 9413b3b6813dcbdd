"""The true shooting order of each device: by number and by time, and which of the two to believe.

A camera numbers its files upward (JEITA CP-3461, DCF: folders 100 to 999, files 0001 to 9999,
then 0001 again) and stamps them with a clock that people set wrong, that falls back to an
epoch when the battery comes out, and that jumps with daylight saving. Numbers therefore order
a card unless they have plainly been made up by a renaming; times then say how long the pauses
were, run by run, a run being photos taken under one setting of the clock.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise
from math import lgamma, log
from statistics import median

from evidence.model import DeviceId, IntakeId
from evidence.timeline.values import DayPhoto

ZERO = datetime(2000, 1, 1)
LAST_EPOCH_YEAR = 2000
"""Years up to this one are a clock that lost its date: cameras wake up in 1970, 1980, 2000 (common practice)."""

FIRST_FUTURE_YEAR = 2100
"""Years from this one on are no times either."""

BACKWARD = 2.0
"""Seconds by which a later file may be stamped earlier: stamps without sub-seconds, bursts written late."""

CLOCK_CHANGE_COST = 9.0
"""Nats for one setting of a clock between two photos: about one in ten thousand."""
ODD_STAMP_COST = 5.0
"""Nats for one photo whose stamp fits neither neighbour, an edited copy for instance."""
SCRAMBLE_COST = 7.0
"""Nats for a card whose numbers say nothing, because its files were renamed: about one in a thousand."""

_TIME_IN_NAME = re.compile(
    r"(?<!\d)((?:19|20)\d\d)[-_.]?([01]\d)[-_.]?([0-3]\d)[-_. T]{0,2}([0-2]\d)[-_.]?([0-5]\d)[-_.]?([0-5]\d)"
)
_DIGITS = re.compile(r"(\d+)")


@dataclass(frozen=True, slots=True)
class Unit:
    """One press of the shutter: a photo with its companions, the leading shot first."""

    shots: tuple[DayPhoto, ...]
    stamp: float | None
    """Seconds of the device's own clock since 2000-01-01 00:00; None where absent or an epoch's."""
    epoch: bool
    """The stamp was there but is a clock that lost its date."""
    raw: float | None
    """The stamp as it stands, also an epoch's."""

    @property
    def lead(self) -> DayPhoto:
        """The shot that speaks for the unit."""
        return self.shots[0]


@dataclass(frozen=True, slots=True)
class Run:
    """Units of one card in shooting order, taken under one setting of the clock.

    `stamps` has a time for each unit, in the device's own seconds, or None where the unit's
    own is not to be believed. A lost run has no time of day at all, only an order.
    """

    device: DeviceId
    card: IntakeId
    units: tuple[Unit, ...]
    stamps: tuple[float | None, ...]
    lost: bool
    after_change: bool
    """The clock was set between the run before, on the same card, and this one."""
    numbered: bool

    @property
    def known(self) -> tuple[float, ...]:
        """The stamps that are believed, in order."""
        return tuple(t for t in self.stamps if t is not None)

    def cut(self, places: Sequence[int]) -> list[Run]:
        """The run in parts, a new one at each of these places: the clock was set before it."""
        edges = [0, *places, len(self.units)]
        return [
            replace(
                self, units=self.units[a:b], stamps=self.stamps[a:b], after_change=self.after_change or a > 0
            )
            for a, b in pairwise(edges)
        ]


def natural(text: str) -> tuple[tuple[int, str], ...]:
    """A key that sorts `lund_2` before `lund_10`."""
    return tuple((int(p), "") if p.isdigit() else (-1, p.lower()) for p in _DIGITS.split(text) if p)


def time_in_name(name: str) -> datetime | None:
    """The time a phone wrote into a file's name (`20240503_141210.jpg`), naive; None where there is none."""
    match = _TIME_IN_NAME.search(name)
    if match is None:
        return None
    try:
        return datetime(*(int(part) for part in match.groups()))  # type: ignore[arg-type]
    except ValueError:
        return None


def units_of(shots: Iterable[DayPhoto]) -> list[Unit]:
    """Join the files of one object (photo, raw, sound) and give each unit its stamp."""
    groups: dict[tuple[str, str, str], list[DayPhoto]] = defaultdict(list)
    for shot in shots:
        own = shot.object_key or f"\0{shot.card_path}\0{shot.sha256}"
        groups[shot.device, shot.card, own].append(shot)
    joined = [tuple(sorted(g, key=_leads)) for g in groups.values()]
    written = _written_offsets(joined)
    years = _usual_years(joined)
    return [_unit(g, written, years.get((g[0].device, g[0].card))) for g in joined]


def _leads(shot: DayPhoto) -> tuple[bool, bool, bool, str, str]:
    """Photos first, those with a time before those without, then by name."""
    return (
        not shot.is_photo,
        shot.taken_local is None,
        not shot.dividers and shot.sheet is None,
        shot.name,
        shot.sha256,
    )


def _written_offsets(groups: Sequence[tuple[DayPhoto, ...]]) -> dict[tuple[str, str], float]:
    """Seconds from a file's time stamp to the camera's own time, for cards on which the two agree.

    A card that was copied by hand carries the time of the copying: its stamps scatter and are not used.
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
    """Whether a stamp is a clock that lost its date rather than a time.

    True up to the year 2000, from 2100 on, and for a first of January in a year before the card's usual one.
    """
    if taken.year <= LAST_EPOCH_YEAR or taken.year >= FIRST_FUTURE_YEAR:
        return True
    return usual_year is not None and taken.year < usual_year and (taken.month, taken.day) == (1, 1)


def _seconds(moment: datetime) -> float:
    return (moment - ZERO).total_seconds()


# --- numbers -------------------------------------------------------------------------------


def number_order(units: Sequence[Unit]) -> list[Unit]:
    """Units that carry DCF numbers, in the order of those numbers, unrolled where they roll over.

    Folders wrap from 999 to 100, files from 9999 to 0001. A folder that holds both ends of
    the range and a hole of more than half of it has wrapped, unless its times say otherwise.
    """
    folders: dict[int, list[Unit]] = defaultdict(list)
    for unit in units:
        assert unit.lead.dcf is not None
        folders[unit.lead.dcf.folder_number].append(unit)
    start = _wrap_start(sorted(folders), span=900)
    ordered: list[Unit] = []
    for folder in sorted(folders, key=lambda number: (number < start, number)):
        ordered.extend(_file_order(folders[folder]))
    return ordered


def _file_order(units: list[Unit]) -> list[Unit]:
    def number(unit: Unit) -> int:
        assert unit.lead.dcf is not None
        return unit.lead.dcf.file_number

    plain = sorted(units, key=lambda u: (number(u), u.stamp or 0.0, u.lead.name, u.lead.sha256))
    start = _wrap_start([number(u) for u in plain], span=9999)
    wrapped = [u for u in plain if number(u) >= start] + [u for u in plain if number(u) < start]
    if wrapped[0] is plain[0]:
        return plain
    return wrapped if _descents(_stamps(wrapped)) <= _descents(_stamps(plain)) else plain


def _wrap_start(numbers: Sequence[int], *, span: int) -> int:
    """The number that comes first: the one after a hole of over half the range, else the lowest."""
    holes = [(b - a, b) for a, b in pairwise(numbers)]
    widest = max(holes, default=(0, 0))
    return widest[1] if widest[0] > span // 2 else numbers[0]


# --- numbers against times -----------------------------------------------------------------


def runs_of(device: DeviceId, card: IntakeId, units: Sequence[Unit], *, night: float) -> list[Run]:
    """The runs of one device on one card, in shooting order where numbers give one.

    Units without a number form runs of their own, ordered by time; units with neither are
    left out (see `undated`). Every run ends at a gap of `night` seconds.
    """
    numbered = [u for u in units if u.lead.dcf is not None]
    timed = [u for u in units if u.lead.dcf is None and u.stamp is not None]
    runs: list[Run] = []
    if numbered:
        by_number = number_order(numbered)
        if numbers_hold(by_number):
            runs += _clock_runs(device, card, by_number)
        else:
            runs += _scrambled(device, card, by_number)
    if timed:
        timed.sort(key=time_key)
        runs.append(
            Run(
                device,
                card,
                tuple(timed),
                tuple(u.stamp for u in timed),
                lost=False,
                after_change=False,
                numbered=False,
            )
        )
    return [part for run in runs for part in _by_night(run, night)]


def time_key(unit: Unit) -> tuple[float, tuple[tuple[int, str], ...], str]:
    """Order by stamp, and within one by name."""
    return (unit.stamp if unit.stamp is not None else 0.0, natural(unit.lead.name), unit.lead.sha256)


def numbers_hold(by_number: Sequence[Unit]) -> bool:
    """Whether numbers are to be believed against times that run backward in their order.

    Compares two stories in nats: the clock was set a few times, or the numbers were made up.
    Of n! orders only about (k + 1)^n have k descents (Eulerian numbers, leading term), so a
    long card with one step back is a clock that was set, a shuffled one is a renaming.
    """
    stamps = [t for t in _stamps(by_number) if t is not None]
    descents = _descents(stamps)
    if descents == 0:
        return True
    odd = odd_stamps(stamps)
    settings = _descents([t for i, t in enumerate(stamps) if i not in odd])
    clock_story = CLOCK_CHANGE_COST * settings + ODD_STAMP_COST * len(odd)
    n = len(stamps)
    chance = min(0.0, n * log(descents + 1) - lgamma(n + 1))
    return clock_story <= SCRAMBLE_COST - chance


def odd_stamps(stamps: Sequence[float]) -> set[int]:
    """Places of one or two stamps that step out of an otherwise rising sequence and back.

    They are what a longest rising subsequence leaves out in groups of at most two.
    """
    kept = _longest_rising(stamps)
    odd: set[int] = set()
    group: list[int] = []
    for i in range(len(stamps) + 1):
        if i < len(stamps) and i not in kept:
            group.append(i)
        elif group:
            if len(group) <= 2 < len(stamps):
                odd.update(group)
            group = []
    # A stamp that is only a little early is a burst written late, not an odd one.
    return {
        i
        for i in odd
        if (i > 0 and stamps[i] < stamps[i - 1] - BACKWARD)
        or (i + 1 < len(stamps) and stamps[i + 1] < stamps[i] - BACKWARD)
    }


def _longest_rising(stamps: Sequence[float]) -> set[int]:
    """Indices of a longest non-decreasing subsequence (patience sorting)."""
    tails: list[float] = []
    where: list[int] = []
    before: list[int] = []
    for i, t in enumerate(stamps):
        place = bisect_right(tails, t)
        before.append(where[place - 1] if place else -1)
        if place == len(tails):
            tails.append(t)
            where.append(i)
        else:
            tails[place] = t
            where[place] = i
    kept: set[int] = set()
    i = where[-1] if where else -1
    while i >= 0:
        kept.add(i)
        i = before[i]
    return kept


def _clock_runs(device: DeviceId, card: IntakeId, ordered: Sequence[Unit]) -> list[Run]:
    """Cut a believed numbering into runs of one clock setting; odd stamps are set aside."""
    timed = [i for i, u in enumerate(ordered) if u.stamp is not None]
    values = [ordered[i].stamp or 0.0 for i in timed]
    odd = {timed[k] for k in odd_stamps(values)}
    stamps = [None if i in odd else u.stamp for i, u in enumerate(ordered)]
    runs: list[Run] = []
    start, changed = 0, False
    latest: float | None = None
    lost: bool | None = None  # of the run so far; a file without any stamp (a video) leaves it open
    for i, unit in enumerate(ordered):
        t = stamps[i]
        back = t is not None and latest is not None and t < latest - BACKWARD
        turned = unit.raw is not None and lost is not None and unit.epoch != lost
        if back or turned:
            runs.append(_run(device, card, ordered, stamps, start, i, changed))
            start, latest, lost, changed = i, None, None, True
        if unit.raw is not None and lost is None:
            lost = unit.epoch
        if t is not None:
            latest = t if latest is None else max(latest, t)
    runs.append(_run(device, card, ordered, stamps, start, len(ordered), changed))
    return runs


def _run(
    device: DeviceId,
    card: IntakeId,
    ordered: Sequence[Unit],
    stamps: Sequence[float | None],
    start: int,
    stop: int,
    changed: bool,
) -> Run:
    part = tuple(ordered[start:stop])
    times = tuple(stamps[start:stop])
    return Run(
        device, card, part, times, lost=all(t is None for t in times), after_change=changed, numbered=True
    )


def _scrambled(device: DeviceId, card: IntakeId, by_number: Sequence[Unit]) -> list[Run]:
    """Numbers that say nothing: order by time; what has no time stays behind its number's neighbour."""
    keyed: list[tuple[float, int, Unit]] = []
    last = min((u.stamp for u in by_number if u.stamp is not None), default=0.0)
    for i, unit in enumerate(by_number):
        last = unit.stamp if unit.stamp is not None else last
        keyed.append((last, i, unit))
    keyed.sort(key=lambda k: (k[0], k[1]))
    units = tuple(u for _, _, u in keyed)
    stamps = tuple(u.stamp for u in units)
    return [
        Run(
            device,
            card,
            units,
            stamps,
            lost=all(t is None for t in stamps),
            after_change=False,
            numbered=False,
        )
    ]


def _by_night(run: Run, night: float) -> list[Run]:
    """Cut a run wherever its clock shows a gap of a night."""
    cuts, latest = [0], None
    for i, t in enumerate(run.stamps):
        if t is not None:
            if latest is not None and t - latest >= night:
                cuts.append(i)
            latest = t
    cuts.append(len(run.units))
    return [
        Run(
            run.device,
            run.card,
            run.units[a:b],
            run.stamps[a:b],
            lost=run.lost,
            after_change=run.after_change and a == 0,
            numbered=run.numbered,
        )
        for a, b in pairwise(cuts)
    ]


def undated(units: Sequence[Unit]) -> tuple[list[Unit], list[Unit]]:
    """Units of one card with neither number nor time: (those that can be ordered by name, strays).

    Photos are kept in the order of their names when at least one of them shows where it was
    taken or whose sheet it is; everything else is a stray.
    """
    bare = [u for u in units if u.lead.dcf is None and u.stamp is None]
    photos = [u for u in bare if any(s.is_photo for s in u.shots)]
    telling = any(s.gps is not None or s.dividers or s.sheet is not None for u in photos for s in u.shots)
    if not telling:
        return [], bare
    photos.sort(key=lambda u: (natural(u.lead.card_path), u.lead.sha256))
    known = {id(u) for u in photos}
    return photos, [u for u in bare if id(u) not in known]


def _stamps(units: Sequence[Unit]) -> list[float | None]:
    return [u.stamp for u in units]


def _descents(stamps: Sequence[float | None]) -> int:
    known = [t for t in stamps if t is not None]
    return sum(b < a - BACKWARD for a, b in pairwise(known))


def usual(values: Iterable[int]) -> int | None:
    """The most frequent value, the smallest among equals; None of nothing."""
    counted = Counter(values)
    return min(counted, key=lambda v: (-counted[v], v)) if counted else None
