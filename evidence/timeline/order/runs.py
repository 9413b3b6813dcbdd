"""Runs: photos of one card in shooting order, taken under one setting of the clock."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from evidence.model import DeviceId, IntakeId
from evidence.plain_words import natural_key
from evidence.timeline.order.numbers import BACKWARD, number_order, numbers_are_reliable, outlier_stamps
from evidence.timeline.order.units import Unit


@dataclass(frozen=True, slots=True)
class Run:
    """Units of one card in shooting order, taken under one setting of the clock.

    `stamps` has a time for each unit, in the device's own seconds, or None where it cannot be
    trusted. A lost run has no time of day at all, only an order.
    """

    device: DeviceId
    card: IntakeId
    units: tuple[Unit, ...]
    stamps: tuple[float | None, ...]
    lost: bool
    after_change: bool
    """The clock was set between the previous run on the same card and this one."""
    numbered: bool

    @property
    def known(self) -> tuple[float, ...]:
        """The trusted stamps, in order."""
        return tuple(t for t in self.stamps if t is not None)

    def cut(self, places: Sequence[int]) -> list[Run]:
        """The run in parts: a new one at each of these places, before which the clock was set."""
        edges = [0, *places, len(self.units)]
        return [
            replace(
                self, units=self.units[a:b], stamps=self.stamps[a:b], after_change=self.after_change or a > 0
            )
            for a, b in pairwise(edges)
        ]


def runs_of(device: DeviceId, card: IntakeId, units: Sequence[Unit], *, night: float) -> list[Run]:
    """The runs of one device on one card, in shooting order where numbers show it.

    Units without a number form a run of their own, ordered by time. Units with neither are left
    out (see `undated`). Every run ends at a gap of `night` seconds.
    """
    numbered = [u for u in units if u.lead.dcf is not None]
    timed = [u for u in units if u.lead.dcf is None and u.stamp is not None]
    runs: list[Run] = []
    if numbered:
        by_number = number_order(numbered)
        if numbers_are_reliable(by_number):
            runs += _clock_runs(device, card, by_number)
        else:
            runs += _runs_by_time(device, card, by_number)
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
    return [part for run in runs for part in _cut_at_nights(run, night)]


def time_key(unit: Unit) -> tuple[float, tuple[tuple[int, int, str], ...], str]:
    """Sort key: by stamp, then by name."""
    return (unit.stamp if unit.stamp is not None else 0.0, natural_key(unit.lead.name), unit.lead.sha256)


def _clock_runs(device: DeviceId, card: IntakeId, ordered: Sequence[Unit]) -> list[Run]:
    """Cut units in trusted number order into runs of one clock setting; outlier stamps are ignored."""
    timed = [i for i, u in enumerate(ordered) if u.stamp is not None]
    values = [ordered[i].stamp or 0.0 for i in timed]
    outliers = {timed[k] for k in outlier_stamps(values)}
    stamps = [None if i in outliers else u.stamp for i, u in enumerate(ordered)]
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


def _runs_by_time(device: DeviceId, card: IntakeId, by_number: Sequence[Unit]) -> list[Run]:
    """One run ordered by time, for untrusted numbers; a unit without a time stays behind the number before it."""
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


def _cut_at_nights(run: Run, night: float) -> list[Run]:
    """Cut a run wherever its clock shows a gap of `night` seconds."""
    cuts, latest = [0], None
    for i, t in enumerate(run.stamps):
        if t is not None:
            if latest is not None and t - latest >= night:
                cuts.append(i)
            latest = t
    cuts.append(len(run.units))
    return [
        replace(run, units=run.units[a:b], stamps=run.stamps[a:b], after_change=run.after_change and a == 0)
        for a, b in pairwise(cuts)
    ]


def undated(units: Sequence[Unit]) -> tuple[list[Unit], list[Unit]]:
    """Units of one card with neither number nor time: (photos in order of name, strays).

    Photos are kept, in the order of their names, if at least one of them has a position or a sheet.
    Everything else is a stray.
    """
    bare = [u for u in units if u.lead.dcf is None and u.stamp is None]
    photos = [u for u in bare if any(s.is_photo for s in u.files)]
    informative = any(s.gps is not None or s.dividers or s.sheet is not None for u in photos for s in u.files)
    if not informative:
        return [], bare
    photos.sort(key=lambda u: (natural_key(u.lead.card_path), u.lead.sha256))
    known = {id(u) for u in photos}
    return photos, [u for u in bare if id(u) not in known]
