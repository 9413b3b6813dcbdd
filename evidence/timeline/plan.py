"""Joins the steps of the room: all photos of some days in, a plan with a place for each of them out."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise

from evidence.model import Claim, ClaimId, GeoPoint
from evidence.timeline.assemble import ManualClaim, PlacedUnit, assemble, place_units
from evidence.timeline.claims_left import claims_without_sheet, name_houses_left, sheets_of_others
from evidence.timeline.clock_doubts import with_clock_doubts, with_visit_doubts
from evidence.timeline.device_groups import device_groups_of
from evidence.timeline.fixes import useful_fixes
from evidence.timeline.merge import TimedUnit, timeline_of
from evidence.timeline.order.units import Unit
from evidence.timeline.sheet_order import with_sheets_at_edges
from evidence.timeline.split.observations import Observation, SiteEstimates, day_of
from evidence.timeline.split.sheet_text import is_sheet_of_another, match_sheet, similarity_to
from evidence.timeline.split.sheets import SheetReading
from evidence.timeline.split.site_estimates import learn_sites_from_sheets
from evidence.timeline.split.split_day import Verdict, split_day
from evidence.timeline.untimed_order import with_untimed_at_houses
from evidence.timeline.values import ClockHint, DayPhoto, DayPlan, ManualAssignments, SplitOptions

LONE_MOVES = 2
"""Up to this many moved photos in a row count as exceptions: they are no evidence for the photos around them."""


def plan_day(
    photos: Sequence[DayPhoto],
    claims: Sequence[Claim],
    *,
    options: SplitOptions | None = None,
    manual: ManualAssignments | None = None,
    clock_hints: Sequence[ClockHint] = (),
    lists: Mapping[ClaimId, str] | None = None,
) -> DayPlan:
    """Give every photo its place in time and its claim.

    Takes all photos of the days concerned, in any order and from any number of devices and cards.
    Each comes back exactly once, in timeline order. Nothing in `manual` is ever overridden. Photos
    of a house that is not among `claims` and has no sheet come back in an unknown segment. Photos
    between houses and stray files come back without a claim. `lists` is the same for claims that were
    loaded together, as one list of assignments. The same input gives the same plan.
    """
    options = options or SplitOptions()
    manual = manual or ManualAssignments()
    unique = {s.sha256: s for s in photos}.values()
    timeline = timeline_of(_parted(unique, manual), clock_hints, options)
    known = {site.claim: site for site in claims}
    sites = SiteEstimates()
    read = {c for photo in unique for c in photo.dividers}
    chains: list[list[PlacedUnit]] = []
    for day in working_days(timeline.dated, options.night):
        groups = device_groups_of(day)
        if len(groups) > 1:
            for group in groups:
                _learn_from_sheets(group, known, options, sites)
        for group in groups:
            left = claims_without_sheet(group, read, known, lists or {}) + sheets_of_others(group, groups)
            placed = _split_group(group, known, options, manual, sites, left)
            chains.append(
                with_clock_doubts(placed, timeline.clocks, manual)
            )  # each day uses the sites learnt before
    chains += [_split_group(named, known, options, manual, sites, ()) for named in timeline.undated]
    chains = with_visit_doubts(chains, manual)
    chains = name_houses_left(chains, known, lists or {})
    if timeline.strays:
        chains.append(_strays(timeline.strays, manual, options))
    return assemble(chains, timeline.clocks, options)


def _parted(photos: Iterable[DayPhoto], manual: ManualAssignments) -> list[DayPhoto]:
    """The photos, with files of one object made separate where a person put them under different claims."""
    decided: dict[tuple[str, str, str], set[ClaimId | None]] = defaultdict(set)
    for photo in photos:
        if photo.object_key and photo.sha256 in manual.claim_of:
            decided[photo.device, photo.card, photo.object_key].add(manual.claim_of[photo.sha256])
    return [
        replace(photo, object_key=f"{photo.object_key}\0{manual.claim_of[photo.sha256]}")
        if photo.sha256 in manual.claim_of and len(decided[photo.device, photo.card, photo.object_key]) > 1
        else photo
        for photo in photos
    ]


def working_days(group: Sequence[TimedUnit], night: float) -> list[list[TimedUnit]]:
    """The units of each working day: a gap of `night` seconds or more ends a day."""
    days: list[list[TimedUnit]] = [[group[0]]] if group else []
    for a, b in pairwise(group):
        if (b.key or 0.0) - (a.key or 0.0) >= night:
            days.append([])
        days[-1].append(b)
    return days


def _learn_from_sheets(
    chain: Sequence[TimedUnit],
    claims: Mapping[ClaimId, Claim],
    options: SplitOptions,
    sites: SiteEstimates,
) -> None:
    """Learn from one group's sheets where houses are, before the other groups are split: they share the streets."""
    fixes = useful_fixes(chain, options)
    observations = [
        Observation(time=t.time, sheet=_sheet(t.unit, claims), place=fix)
        for t, fix in zip(chain, fixes, strict=True)
    ]
    learn_sites_from_sheets(day_of(observations, claims, sites), sites)


def _split_group(
    chain: Sequence[TimedUnit],
    claims: Mapping[ClaimId, Claim],
    options: SplitOptions,
    manual: ManualAssignments,
    sites: SiteEstimates,
    left: Collection[ClaimId],
) -> list[PlacedUnit]:
    """Split one working day of one device group; units that the model does not see follow the others."""
    chain = with_sheets_at_edges(chain, lambda timed: _names_claim(_sheet(timed.unit, claims)))
    chain = with_untimed_at_houses(chain)
    decisions = [_decision_of(t.unit, manual) for t in chain]
    modelled, observations = _modelled(chain, decisions, claims, options, manual)
    verdicts = split_day(observations, claims, options, sites, left) if observations else []
    return place_units(chain, dict(zip(modelled, verdicts, strict=True)), decisions, manual, options)


def _modelled(
    chain: Sequence[TimedUnit],
    decisions: Sequence[ManualClaim | None],
    claims: Mapping[ClaimId, Claim],
    options: SplitOptions,
    manual: ManualAssignments,
) -> tuple[list[int], list[Observation]]:
    """The places and observations of the units that the model sees: not lone exceptions, not followers."""
    lone, fixes = _lone(decisions), useful_fixes(chain, options)
    modelled: list[int] = []
    observations: list[Observation] = []
    pending_cut = False  # a cut before a unit that is left out is applied to the next one
    follows = [_follows(t, fixes[i], decisions[i], manual) for i, t in enumerate(chain)]
    if all(follows[i] or i in lone for i in range(len(chain))):
        follows = [False] * len(chain)
    for i, timed in enumerate(chain):
        cut, join = cut_and_join(timed.unit, manual)
        if i in lone:
            pending_cut |= cut
        elif not follows[i]:
            modelled.append(i)
            observations.append(
                _observation(timed, fixes[i], decisions[i], claims, cut=cut or pending_cut, join=join)
            )
            pending_cut = False
    return modelled, observations


def _observation(
    timed: TimedUnit,
    fix: GeoPoint | None,
    decision: ManualClaim | None,
    claims: Mapping[ClaimId, Claim],
    *,
    cut: bool,
    join: bool,
) -> Observation:
    sheet = _sheet(timed.unit, claims)
    return Observation(
        time=timed.time,
        undated_time=timed.undated_time,
        run_number=timed.run_number,
        sheet=sheet,
        scenes={} if sheet.is_sheet else next((s.scenes for s in timed.unit.files if s.scenes), {}),
        place=fix,
        manual_claim=decision[0] if decision is not None else None,
        is_manual=decision is not None,
        cut=cut,
        join=join,
    )


def _sheet(unit: Unit, claims: Mapping[ClaimId, Claim]) -> SheetReading:
    codes = tuple(dict.fromkeys(c for s in unit.files for c in s.dividers))
    if codes:
        return SheetReading(claims=codes)
    sheet = next((s.sheet for s in unit.files if s.sheet is not None), None)
    if sheet is None:
        return SheetReading()
    lines, known = [line.text for line in sheet.lines], tuple(claims.values())
    named = match_sheet(lines, known)
    return SheetReading(
        confidence=min(1.0, max(0.0, sheet.confidence)),
        named=named,
        has_text=bool(lines),
        similarity=similarity_to(lines, claims[named]) if named is not None else 0.0,
        of_another=named is None and is_sheet_of_another(lines, known),
    )


def _names_claim(sheet: SheetReading) -> bool:
    return bool(sheet.claims) or (sheet.is_sheet and sheet.named is not None)


def _decision_of(unit: Unit, manual: ManualAssignments) -> ManualClaim | None:
    for photo in unit.files:
        if photo.sha256 in manual.claim_of:
            return (manual.claim_of[photo.sha256],)
    return None


def cut_and_join(unit: Unit, manual: ManualAssignments) -> tuple[bool, bool]:
    """Whether a person put a boundary before the unit, and whether a person ruled one out."""
    cut = any(s.sha256 in manual.cuts for s in unit.files)
    return cut, not cut and any(s.sha256 in manual.joins for s in unit.files)


def _lone(decisions: Sequence[ManualClaim | None]) -> set[int]:
    """Places of moved photos that stand alone, or in pairs, among photos that were not moved there."""
    lone: set[int] = set()
    start = 0
    for i in range(1, len(decisions) + 1):
        if i == len(decisions) or decisions[i] != decisions[start]:
            if decisions[start] is not None and i - start <= LONE_MOVES:
                lone.update(range(start, i))
            start = i
    return lone


def _follows(
    timed: TimedUnit, fix: GeoPoint | None, decision: ManualClaim | None, manual: ManualAssignments
) -> bool:
    """Whether the unit is a video or sound without a time of its own, which goes where the file before it goes."""
    if any(s.is_photo for s in timed.unit.files):
        return False
    untimed = timed.time is None and timed.undated_time is None and timed.key is not None
    informative = any(s.dividers or s.sheet is not None for s in timed.unit.files) or fix is not None
    return untimed and not informative and decision is None and not any(cut_and_join(timed.unit, manual))


def _strays(units: Sequence[Unit], manual: ManualAssignments, options: SplitOptions) -> list[PlacedUnit]:
    """Files without a time, a number or a telling picture, left unassigned."""
    chain = [TimedUnit.without_time(u) for u in units]
    nowhere = Verdict(
        claim=None,
        unknown=False,
        confidence=1.0,
        opens=False,
        probability=0.0,
        reasons=("the file has neither a time nor a number",),
    )
    return place_units(
        chain,
        dict.fromkeys(range(len(chain)), nowhere),
        [_decision_of(u, manual) for u in units],
        manual,
        options,
    )
