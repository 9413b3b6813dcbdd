"""The room's front door: all shots of some days in, every one of them placed, and the reasons."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise

from evidence.model import ClaimId, GeoPoint
from evidence.timeline.assemble import Placed, assemble, walk
from evidence.timeline.device_groups import parties_of
from evidence.timeline.fixes import useful_fixes
from evidence.timeline.merge import Timed, timeline_of
from evidence.timeline.order.units import Unit
from evidence.timeline.split.observations import Item, Sites, day_of
from evidence.timeline.split.sheet_text import match_sheet
from evidence.timeline.split.sheets import SheetRow
from evidence.timeline.split.site_estimates import learn_by_sheets
from evidence.timeline.split.split_day import Verdict, split_day
from evidence.timeline.values import ClaimSite, ClockHint, DayPhoto, DayPlan, ManualAssignments, SplitOptions

LONE_PINS = 2
"""Up to so many moved photos in a row are exceptions and teach nothing about their neighbours."""

Pin = tuple[ClaimId | None]
"""A person's claim for a unit, boxed, because None is a decision too."""


def plan_day(
    shots: Sequence[DayPhoto],
    claims: Sequence[ClaimSite],
    *,
    options: SplitOptions | None = None,
    manual: ManualAssignments | None = None,
    clock_hints: Sequence[ClockHint] = (),
) -> DayPlan:
    """Put every shot in its place in time and under its house.

    Takes all shots of the days touched, in any order and from any number of devices and cards;
    each comes back exactly once, in timeline order. Nothing in `manual` is ever overridden. Photos
    whose house is not among `claims` and has no sheet come back in an unknown segment, photos
    between houses and stray files with no claim. Same input, same plan; pure.
    """
    options = options or SplitOptions()
    manual = manual or ManualAssignments()
    unique = {s.sha256: s for s in shots}.values()
    timeline = timeline_of(_parted(unique, manual), clock_hints, options)
    known = {site.claim: site for site in claims}
    sites = Sites()
    chains: list[list[Placed]] = []
    for day in working_days(timeline.dated, options.night):
        parties = parties_of(day)
        if len(parties) > 1:
            for party in parties:
                _note_sheets(party, known, options, sites)
        for party in parties:
            chains.append(_place(party, known, options, manual, sites))  # noqa: PERF401 - days teach the next
    chains += [_place(named, known, options, manual, sites) for named in timeline.undated]
    if timeline.strays:
        chains.append(_strays(timeline.strays, manual, options))
    return assemble(chains, timeline.clocks, options)


def _parted(shots: Iterable[DayPhoto], manual: ManualAssignments) -> list[DayPhoto]:
    """Files of one object that a person put under different claims no longer are one object."""
    decided: dict[tuple[str, str, str], set[ClaimId | None]] = defaultdict(set)
    for shot in shots:
        if shot.object_key and shot.sha256 in manual.claim_of:
            decided[shot.device, shot.card, shot.object_key].add(manual.claim_of[shot.sha256])
    return [
        replace(shot, object_key=f"{shot.object_key}\0{manual.claim_of[shot.sha256]}")
        if shot.sha256 in manual.claim_of and len(decided[shot.device, shot.card, shot.object_key]) > 1
        else shot
        for shot in shots
    ]


def working_days(party: Sequence[Timed], night: float) -> list[list[Timed]]:
    """Cut a timeline wherever nothing was photographed for a night."""
    days: list[list[Timed]] = [[party[0]]] if party else []
    for a, b in pairwise(party):
        if (b.key or 0.0) - (a.key or 0.0) >= night:
            days.append([])
        days[-1].append(b)
    return days


def _note_sheets(
    chain: Sequence[Timed], claims: Mapping[ClaimId, ClaimSite], options: SplitOptions, sites: Sites
) -> None:
    """Where the sheets of one party were photographed, before another is split: both were in the same streets."""
    fixes = useful_fixes(chain, options)
    items = [
        Item(time=t.time, sheet=_sheet(t.unit, claims), place=fix)
        for t, fix in zip(chain, fixes, strict=True)
    ]
    learn_by_sheets(day_of(items, claims, sites), sites)


def _place(
    chain: Sequence[Timed],
    claims: Mapping[ClaimId, ClaimSite],
    options: SplitOptions,
    manual: ManualAssignments,
    sites: Sites,
) -> list[Placed]:
    """Split one working day, and carry along what takes no part in the splitting."""
    pinned = [_pin(t.unit, manual) for t in chain]
    speaks, items = _speakers(chain, pinned, claims, options, manual)
    verdicts = split_day(items, claims, options, sites) if items else []
    return walk(chain, dict(zip(speaks, verdicts, strict=True)), pinned, manual, options)


def _speakers(
    chain: Sequence[Timed],
    pinned: Sequence[Pin | None],
    claims: Mapping[ClaimId, ClaimSite],
    options: SplitOptions,
    manual: ManualAssignments,
) -> tuple[list[int], list[Item]]:
    """The units that the model sees: all but lone exceptions and files that only follow."""
    lone, fixes = _lone(pinned), useful_fixes(chain, options)
    speaks: list[int] = []
    items: list[Item] = []
    owed = False  # a cut before a unit that is set aside is made before the next one
    follows = [_follows(t, fixes[i], pinned[i], manual) for i, t in enumerate(chain)]
    if all(follows[i] or i in lone for i in range(len(chain))):
        follows = [False] * len(chain)
    for i, timed in enumerate(chain):
        cut, join = marks(timed.unit, manual)
        if i in lone:
            owed |= cut
        elif not follows[i]:
            speaks.append(i)
            items.append(_item(timed, fixes[i], pinned[i], claims, cut=cut or owed, join=join))
            owed = False
    return speaks, items


def _item(
    timed: Timed,
    fix: GeoPoint | None,
    pin: Pin | None,
    claims: Mapping[ClaimId, ClaimSite],
    *,
    cut: bool,
    join: bool,
) -> Item:
    sheet = _sheet(timed.unit, claims)
    return Item(
        time=timed.time,
        tick=timed.tick,
        spool=timed.spool,
        sheet=sheet,
        scenes={} if sheet.any else next((s.scenes for s in timed.unit.shots if s.scenes), {}),
        place=fix,
        pin=pin[0] if pin is not None else None,
        pinned=pin is not None,
        cut=cut,
        join=join,
    )


def _sheet(unit: Unit, claims: Mapping[ClaimId, ClaimSite]) -> SheetRow:
    codes = tuple(dict.fromkeys(c for s in unit.shots for c in s.dividers))
    if codes:
        return SheetRow(claims=codes)
    sheet = next((s.sheet for s in unit.shots if s.sheet is not None), None)
    if sheet is None:
        return SheetRow()
    named = match_sheet(sheet.lines, tuple(claims.values())).claim
    return SheetRow(confidence=min(1.0, max(0.0, sheet.confidence)), named=named)


def _pin(unit: Unit, manual: ManualAssignments) -> Pin | None:
    for shot in unit.shots:
        if shot.sha256 in manual.claim_of:
            return (manual.claim_of[shot.sha256],)
    return None


def marks(unit: Unit, manual: ManualAssignments) -> tuple[bool, bool]:
    """Whether a person put a boundary before the unit, and whether a person forbade one."""
    cut = any(s.sha256 in manual.cuts for s in unit.shots)
    return cut, not cut and any(s.sha256 in manual.joins for s in unit.shots)


def _lone(pinned: Sequence[Pin | None]) -> set[int]:
    """Places of moved photos that stand alone or in twos among others."""
    lone: set[int] = set()
    start = 0
    for i in range(1, len(pinned) + 1):
        if i == len(pinned) or pinned[i] != pinned[start]:
            if pinned[start] is not None and i - start <= LONE_PINS:
                lone.update(range(start, i))
            start = i
    return lone


def _follows(timed: Timed, fix: GeoPoint | None, pin: Pin | None, manual: ManualAssignments) -> bool:
    """A film or a sound without a time of its own goes where the file before it goes."""
    if any(s.is_photo for s in timed.unit.shots):
        return False
    silent = timed.time is None and timed.tick is None and timed.key is not None
    speaks = any(s.dividers or s.sheet is not None for s in timed.unit.shots) or fix is not None
    return silent and not speaks and pin is None and not any(marks(timed.unit, manual))


def _strays(units: Sequence[Unit], manual: ManualAssignments, options: SplitOptions) -> list[Placed]:
    """Files that neither a time, a number nor a picture places wait among the unassigned."""
    chain = [Timed(u, None, None, -1, None, None, "", None) for u in units]
    nowhere = Verdict(None, False, 1.0, False, 1.0, ("the file has neither a time nor a number",))
    return walk(
        chain, dict.fromkeys(range(len(chain)), nowhere), [_pin(u, manual) for u in units], manual, options
    )
