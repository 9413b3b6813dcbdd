"""Merge all cards into one timeline: every unit gets its time on the common clock."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from evidence.model import DeviceId, IntakeId
from evidence.timeline.clocks.changes import split_at_hidden_changes
from evidence.timeline.clocks.estimate import (
    ClockEstimate,
    anchors_of,
    datetime_at,
    estimate_clocks,
    is_weak,
    split_at_gps_changes,
)
from evidence.timeline.clocks.zones import common_time, zones_of
from evidence.timeline.order.runs import Run, runs_of, undated
from evidence.timeline.order.units import Unit, units_of
from evidence.timeline.values import ClockFinding, ClockHint, DayPhoto, SplitOptions

NEXT_CARD = 60
"""Most file numbers that may be missing between the end of one card and the start of the next."""


@dataclass(frozen=True, slots=True)
class TimedUnit:
    """A unit with its time on the common clock."""

    unit: Unit
    key: float | None
    """Seconds on the common clock, for sorting; None for a unit that can only be sorted by its name."""
    time: float | None
    """The same where the unit has a trusted time of its own, else None."""
    run_number: int
    """Number of its run; undated times compare only within one run."""
    undated_time: float | None
    """Seconds of a clock that lost its date; None where `time` is known."""
    corrected: datetime | None
    correction: str
    utc: datetime | None
    clock_lost: bool = False
    """Its clock lost the date and no constraint restores it: only its order on its own card is known."""
    place_unknown: bool = False
    """Neither its time nor its number shows its place."""

    @classmethod
    def without_time(cls, unit: Unit) -> TimedUnit:
        """A unit with neither time nor number."""
        return cls(
            unit,
            key=None,
            time=None,
            run_number=-1,
            undated_time=None,
            corrected=None,
            correction="",
            utc=None,
        )

    @property
    def device(self) -> DeviceId:
        """The device that took it."""
        return self.unit.lead.device


@dataclass(frozen=True, slots=True)
class Timeline:
    """All units in order: those with a time, sets that are sorted by name alone, and strays."""

    dated: tuple[TimedUnit, ...]
    undated: tuple[tuple[TimedUnit, ...], ...]
    strays: tuple[Unit, ...]
    clocks: tuple[ClockFinding, ...]


def timeline_of(photos: Iterable[DayPhoto], hints: Sequence[ClockHint], options: SplitOptions) -> Timeline:
    """Order each device's photos, align the clocks and merge the cards."""
    cards: dict[tuple[DeviceId, IntakeId], list[Unit]] = defaultdict(list)
    for unit in units_of(photos):
        cards[unit.lead.device, unit.lead.card].append(unit)
    runs: list[Run] = []
    loose: list[tuple[TimedUnit, ...]] = []
    strays: list[Unit] = []
    for (device, card), units in sorted(
        cards.items(), key=lambda item: (item[0][0], _first(item[1]), item[0][1])
    ):
        runs += runs_of(device, card, units, night=options.night)
        named, rest = undated(units)
        strays += rest
        if named:
            loose.append(tuple(TimedUnit.without_time(u) for u in named))
    runs = split_at_gps_changes(runs)
    zones = zones_of(runs)
    anchors = anchors_of(runs, zones, hints)
    parts, changes = split_at_hidden_changes(runs, zones, [is_weak(anchor) for anchor in anchors])
    if len(parts) > len(runs):
        runs, zones = parts, zones_of(parts)
        anchors = anchors_of(runs, zones, hints)
    clocks = estimate_clocks(runs, zones, anchors, changes)
    dated, orphans = _keyed(runs, zones, clocks)
    loose += orphans
    return Timeline(
        dated=tuple(dated),
        undated=tuple(loose),
        strays=tuple(sorted(strays, key=lambda u: (u.lead.card, u.lead.card_path, u.lead.sha256))),
        clocks=tuple(_clock_finding(run, clock) for run, clock in zip(runs, clocks, strict=True)),
    )


def _first(units: Sequence[Unit]) -> float:
    return min((u.stamp for u in units if u.stamp is not None), default=float("inf"))


def _keyed(
    runs: Sequence[Run], zones: Mapping[int, int], clocks: Sequence[ClockEstimate]
) -> tuple[list[TimedUnit], list[tuple[TimedUnit, ...]]]:
    """The units sorted by corrected time, or by a neighbour's on the card; and cards without any time."""
    tracks: dict[tuple[DeviceId, IntakeId, bool], list[TimedUnit]] = defaultdict(list)
    for place, (run, clock) in enumerate(zip(runs, clocks, strict=True)):
        zone = zones.get(place)
        tracks[run.device, run.card, run.numbered] += [
            _timed(unit, stamp, run, place, clock, zone)
            for unit, stamp in zip(run.units, run.stamps, strict=True)
        ]
    done: list[tuple[float, int, int, TimedUnit]] = []
    orphans: list[tuple[TimedUnit, ...]] = []
    ends: dict[DeviceId, list[tuple[int, float]]] = defaultdict(list)
    waiting: list[tuple[int, list[TimedUnit]]] = []
    for number, ((device, _, numbered), track) in enumerate(tracks.items()):
        keys = _filled([t.time for t in track], rising=numbered)
        if keys is None:
            waiting.append((number, track))
            continue
        done += [(k, number, i, replace(t, key=k)) for i, (k, t) in enumerate(zip(keys, track, strict=True))]
        last = track[-1].unit.lead.dcf
        if last is not None:
            ends[device].append((last.file_number, keys[-1]))
    for number, track in waiting:
        key = _continues(track, ends)
        if key is None:
            orphans.append(tuple(track))
        else:
            done += [(key, number, i, replace(t, key=key)) for i, t in enumerate(track)]
    done.sort(key=lambda d: d[:3])
    return [d[3] for d in done], orphans


def _continues(track: Sequence[TimedUnit], ends: Mapping[DeviceId, list[tuple[int, float]]]) -> float | None:
    """The time at which a card without times continues another card of the same camera, by file number; or None."""
    first = track[0].unit.lead.dcf
    if first is None:
        return None
    near = [
        (ahead, key)
        for number, key in ends.get(track[0].device, ())
        if 0 < (ahead := (first.file_number - number) % 9999) <= NEXT_CARD
    ]
    return min(near)[1] if near else None


def _filled(times: Sequence[float | None], *, rising: bool) -> list[float] | None:
    """The times with holes filled from the one before; with `rising`, none is earlier than the one before it."""
    known = next((t for t in times if t is not None), None)
    if known is None:
        return None
    keys, last = [], known
    for t in times:
        if t is not None:
            last = max(last, t) if rising else t
        keys.append(last)
    return keys


def _timed(
    unit: Unit, stamp: float | None, run: Run, place: int, clock: ClockEstimate, zone: int | None
) -> TimedUnit:
    """One unit's corrected time, and why it differs from the camera's own."""
    own = unit.raw if run.lost else stamp
    if own is None or clock.fast is None:
        why = ""
        if unit.epoch:
            why = "the camera's clock had lost its date; only the order of the files is known"
        elif unit.raw is not None:
            why = "the camera's time does not fit the files around it and is not used"
        return TimedUnit(
            unit,
            key=None,
            time=None,
            run_number=place,
            undated_time=unit.raw if unit.epoch else None,
            corrected=None,
            correction=why,
            utc=None,
            place_unknown=not run.numbered,
            clock_lost=run.lost,
        )
    at = common_time(unit, own, zone)
    shifted = at != own
    time = at - clock.fast
    reasons = []
    if shifted:
        reasons.append(f"taken in {_zone_name(unit.lead.offset_minutes)}, shown in {_zone_name(zone)}")
    if clock.fast:
        reasons.append(clock.reason)
    taken = unit.lead.taken_local
    same = not reasons and taken is not None
    corrected = taken if same else datetime_at(time)
    if taken is None and not reasons:
        reasons.append("the file has no capture time; its name or time stamp is used")
    assert corrected is not None
    utc = (corrected - timedelta(minutes=zone)).replace(tzinfo=UTC) if zone is not None else None
    return TimedUnit(
        unit,
        key=None,
        time=time,
        run_number=place,
        undated_time=None,
        corrected=corrected,
        correction="; ".join(reasons),
        utc=utc,
    )


def _zone_name(minutes: int | None) -> str:
    size = abs(minutes or 0)
    return f"UTC{'-' if (minutes or 0) < 0 else '+'}{size // 60:02d}:{size % 60:02d}"


def _clock_finding(run: Run, clock: ClockEstimate) -> ClockFinding:
    return ClockFinding(
        device=run.device,
        first=run.units[0].lead.sha256,
        last=run.units[-1].lead.sha256,
        seconds_fast=clock.fast,
        spread=clock.spread,
        source=clock.source,
        reason=clock.reason,
    )
