"""The split of days into claims: the plan made of what `split_input` reads, and how it is stored."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from evidence.analysis.split_input import (
    MOST_WAITING_CLAIMS,
    SplitInput,
    clock_time,
    read_split,
    square_of,
    squares_around,
)
from evidence.catalog.claims import ClaimRow
from evidence.catalog.decisions import Cut, DecisionRow, Join, SplitCorrection
from evidence.catalog.intakes import Sighting
from evidence.catalog.segments import Placing, SegmentRow
from evidence.model import (
    CONCLUDED,
    PICTURE_KINDS,
    Claim,
    ClaimId,
    ClaimState,
    DeviceId,
    Finding,
    PhotoRecord,
    PlacedPhoto,
    Sha256,
)
from evidence.timeline.plan import plan_day
from evidence.timeline.values import (
    ClockHint,
    DayPhoto,
    DayPlan,
    ManualAssignments,
    Segment,
    SheetAt,
    SplitOptions,
)
from evidence.workspace import Workspace


@dataclass(frozen=True, slots=True, kw_only=True)
class SplitPlan:
    """Where a split puts the photos of some days, before it is stored."""

    new_claims: tuple[Claim, ...]
    """Claims that only a sheet names."""
    placings: tuple[Placing, ...]
    segments: tuple[SegmentRow, ...]
    findings: tuple[Finding, ...]


def plan_split(workspace: Workspace, read: SplitInput) -> SplitPlan:
    """Split the days by claim; nothing is stored, and of the workspace only the settings are used."""
    records = read.records
    new, findings = _claims_of_sheets(records.values(), read.claims)
    added = {
        one.claim: ClaimRow(claim=one, state=ClaimState.OPEN, closed_on=None, folder=None, version=0)
        for one in new
    }
    rows = dict(sorted({**read.claims, **added}.items()))
    first = _first_seen(read.seen)
    devices = _devices(records.values(), first)
    day_photos = [
        replace(_day_photo(record, first[sha]), device=devices.get(sha, record.device))
        for sha, record in records.items()
    ]
    plan = plan_day(
        day_photos,
        _candidates(records.values(), rows.values(), read.with_photos),
        options=_split_options(workspace),
        manual=_manual_assignments(records.values(), rows.values(), read.decisions),
        clock_hints=_clock_hints(workspace, records.values()),
        lists={claim: row.added_at for claim, row in rows.items() if row.added_at},
    )
    purged = {claim for claim, row in rows.items() if row.state.is_gone}
    placings, segments = _catalog_rows(plan, purged)
    findings += _late_photos(records, placings, read.claims)
    return SplitPlan(
        new_claims=tuple(new),
        placings=tuple(placings),
        segments=tuple(segments),
        findings=(*findings, *plan.findings),
    )


def store_split(workspace: Workspace, plan: SplitPlan) -> set[ClaimId | None]:
    """Store a plan; returns the claims whose photos came, went or moved (None is the unassigned tray)."""
    workspace.catalog.claims.put(plan.new_claims, at=workspace.now())
    return workspace.catalog.photos.place(plan.placings, plan.segments)


def split_days(
    workspace: Workspace, digests: Sequence[Sha256]
) -> tuple[set[ClaimId | None], tuple[Finding, ...]]:
    """Split the days that these photos fall on and store the result; returns it as `store_split`, and the findings."""
    plan = plan_split(workspace, read_split(workspace, digests))
    return store_split(workspace, plan), plan.findings


def _claims_of_sheets(
    records: Iterable[PhotoRecord], rows: Mapping[ClaimId, ClaimRow]
) -> tuple[list[Claim], list[Finding]]:
    """The claims that sheets name and the office has not loaded yet: the number is enough to file by."""
    named = {mark.claim for record in records for mark in record.look.dividers}
    new = sorted(named - set(rows))
    findings = [
        Finding(
            code="claim_not_assigned",
            message=f"Claim {one} is known from its sheet alone; load it with `evidence assignments`.",
            subject=one,
        )
        for one in new
    ]
    findings += [
        Finding(
            code="sheet_of_a_purged_claim",
            message=f"The sheet of claim {one} was photographed, but that claim was purged; its photos wait unassigned.",
            subject=one,
        )
        for one in sorted(named)
        if one in rows and rows[one].state.is_gone
    ]
    return [Claim(claim=one) for one in new], findings


def _late_photos(
    records: Mapping[Sha256, PhotoRecord],
    placings: Iterable[Placing],
    rows: Mapping[ClaimId, ClaimRow],
) -> list[Finding]:
    """Photos that were filed under a claim after it was signed or closed: they stay there and are reported."""
    late = Counter(
        photo.claim
        for photo in (one.photo for one in placings)
        if photo.claim and records[photo.sha256].claim != photo.claim
    )
    return [
        Finding(
            code="claim_is_settled",
            message=f"{many} photos came to claim {claim}, which is {rows[claim].state.value} already; check it again.",
            subject=claim,
        )
        for claim, many in sorted(late.items())
        if claim in rows and rows[claim].state in CONCLUDED
    ]


def _first_seen(seen: Mapping[Sha256, Sequence[Sighting]]) -> dict[Sha256, Sighting]:
    """Where each file was first seen.

    A file that an earlier run of the same card could not read is put beside its companions of that run, so that it
    stays one object with them.
    """
    earlier: dict[tuple[str, str], Sighting] = {}
    for sightings in seen.values():
        for again in sightings[1:]:
            if again.card_path == sightings[0].card_path:
                earlier.setdefault((again.intake, again.object_key), sightings[0])
    found = {}
    for sha, sightings in seen.items():
        first = sightings[0]
        companion = earlier.get((first.intake, first.object_key))
        if companion is not None:
            first = replace(first, intake=companion.intake, object_key=companion.object_key)
        found[sha] = first
    return found


def _devices(records: Iterable[PhotoRecord], first_seen: Mapping[Sha256, Sighting]) -> dict[Sha256, DeviceId]:
    """The camera of files that name none: that of their companion file, else of most photos in their folder."""
    named: dict[tuple[str, str], Counter[DeviceId]] = defaultdict(Counter)
    nameless = []
    for record in records:
        first = first_seen[record.sha256]
        keys = [(first.intake, first.object_key), (first.intake, first.card_path.rpartition("/")[0])]
        if record.facts.make or record.facts.model:
            for key in keys:
                named[key][record.device] += 1
        else:
            nameless.append((record.sha256, keys))
    found = ((sha, [key for key in keys if key in named]) for sha, keys in nameless)
    return {sha: named[keys[0]].most_common(1)[0][0] for sha, keys in found if keys}


def _day_photo(record: PhotoRecord, first: Sighting) -> DayPhoto:
    facts = record.facts
    return DayPhoto(
        sha256=record.sha256,
        device=record.device,
        card=first.intake,
        card_path=first.card_path,
        name=record.name,
        dcf=first.dcf,
        taken_local=clock_time(facts),
        offset_minutes=facts.offset_minutes,
        gps=facts.gps,
        gps_time=facts.gps_time,
        file_modified=first.modified,
        dividers=tuple(mark.claim for mark in record.look.dividers),
        sheet=record.look.sheet,
        is_photo=record.kind in PICTURE_KINDS,
        object_key=first.object_key,
        scenes=record.look.scenes,
    )


def _candidates(
    records: Iterable[PhotoRecord], rows: Collection[ClaimRow], with_photos: Collection[ClaimId | None]
) -> list[Claim]:
    """Claims that the photos may belong to: named by a sheet, filed there before, near by, or still without photos.

    A claim near by may have its photos already, from another camera or another day.
    A purged claim whose sheet was photographed is one of them: without it, its photos would go to a neighbour.
    """
    records = list(records)
    named = {mark.claim for record in records for mark in record.look.dividers}
    named |= {record.claim for record in records if record.claim}
    squares = {
        square for record in records if record.facts.gps for square in squares_around(record.facts.gps)
    }
    named |= {
        row.claim.claim
        for row in rows
        if row.state is ClaimState.OPEN and row.claim.place and square_of(row.claim.place) in squares
    }
    waiting = [r for r in rows if r.state is ClaimState.OPEN and r.claim.claim not in with_photos][
        -MOST_WAITING_CLAIMS:
    ]
    chosen = {row.claim.claim: row for row in waiting}
    chosen |= {row.claim.claim: row for row in rows if row.claim.claim in named}
    return [row.claim for row in chosen.values()]


def _split_options(workspace: Workspace) -> SplitOptions:
    split = workspace.settings.split
    return SplitOptions(sheet_at=SheetAt(split.sheet_at), confirm_below=split.confirm_below)


def _manual_assignments(
    records: Iterable[PhotoRecord],
    rows: Collection[ClaimRow],
    decisions: Iterable[DecisionRow[SplitCorrection]],
) -> ManualAssignments:
    """People's decisions, the latest of each kind for each photo; photos of signed and closed claims stay put."""
    claim_of: dict[Sha256, ClaimId | None] = {}
    concluded = {row.claim.claim for row in rows if row.state in CONCLUDED}
    purged = {row.claim.claim for row in rows if row.state.is_gone}
    for record in records:
        if record.claim in concluded:
            claim_of[record.sha256] = record.claim
    cuts: set[Sha256] = set()
    joins: set[Sha256] = set()
    for row in decisions:
        claim_of |= row.decision.assigns()
        match row.decision:
            case Cut(before=photo):
                cuts.add(photo)
                joins.discard(photo)
            case Join(before=photo):
                joins.add(photo)
                cuts.discard(photo)
    claim_of = {sha: None if claim in purged else claim for sha, claim in claim_of.items()}
    return ManualAssignments(claim_of=claim_of, cuts=frozenset(cuts), joins=frozenset(joins))


def _clock_hints(workspace: Workspace, records: Iterable[PhotoRecord]) -> list[ClockHint]:
    """Clock corrections from the settings, for each device whose name contains the text given there."""
    devices = {record.device for record in records}
    return [
        ClockHint(device=DeviceId(device), minutes_fast=clock.minutes_fast, reason=clock.reason)
        for clock in workspace.settings.clock
        for device in sorted(devices)
        if clock.device.casefold() in device.casefold()
    ]


def _catalog_rows(plan: DayPlan, purged: Collection[ClaimId]) -> tuple[list[Placing], list[SegmentRow]]:
    """The plan as rows of the catalog. Photos of a purged claim wait unassigned, as an unknown house."""
    by_number = {segment.number: segment for segment in plan.segments}
    placed = {one.sha256: one for one in plan.placed}
    segments: list[SegmentRow] = []
    ids: dict[int, str] = {}
    at: dict[Sha256, tuple[int, int]] = {}
    for position, segment in enumerate(plan.segments):
        first = placed[segment.photos[0]]
        day = first.corrected.date().isoformat() if first.corrected else ""
        ids[segment.number] = _segment_name(first, set(ids.values()))
        at |= {sha: (position, place) for place, sha in enumerate(segment.photos)}
        segments.append(
            SegmentRow(
                segment=ids[segment.number],
                claim=None if segment.claim in purged else segment.claim,
                unknown=segment.unknown or segment.claim in purged,
                first=segment.photos[0],
                photos=len(segment.photos),
                day=day,
                position=position,
                probability=segment.opened_by.probability,
                to_confirm=segment.opened_by.to_confirm,
                reasons=_reasons(segment, purged),
            )
        )
    placings = [
        Placing(
            photo=replace(one, claim=None) if one.claim in purged else one,
            position=at[one.sha256][1],
            segment=ids[one.segment],
            segment_position=at[one.sha256][0],
            reasons=_reasons(by_number[one.segment], purged),
        )
        for one in plan.placed
    ]
    return placings, segments


def _segment_name(first: PlacedPhoto, taken: Collection[str]) -> str:
    """The day and the local time of the segment's first photo: another house of the day does not change it.

    A segment without a time is named by its first photo.
    """
    if first.corrected is None:
        return f"undated-{first.sha256[:8]}"
    name = f"{first.corrected:%Y-%m-%d/%H%M%S}"
    return name if name not in taken else f"{name}-{first.sha256[:4]}"


def _reasons(segment: Segment, purged: Collection[ClaimId]) -> tuple[str, ...]:
    reasons = segment.opened_by.reasons
    return (f"claim {segment.claim} was purged", *reasons) if segment.claim in purged else reasons
