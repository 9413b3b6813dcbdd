"""Joins the deciding rooms to the catalog: read, decide, write down. Split, tags, coverage, corrections."""

from __future__ import annotations

import difflib
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from evidence.analysis.models import models_of, reseen
from evidence.catalog.claims import ClaimRow
from evidence.catalog.photos import Placing, SegmentRow, Sighting, Tagged
from evidence.errors import BadInputError
from evidence.model import (
    CONCLUDED,
    PICTURE_KINDS,
    Claim,
    ClaimId,
    ClaimState,
    DeviceId,
    Facet,
    FacetValue,
    Finding,
    PhotoRecord,
    Sha256,
)
from evidence.tags.suggest import TagOptions, tag_claim
from evidence.tags.vocabulary import MAX_COUNT
from evidence.timeline.plan import plan_day
from evidence.timeline.values import (
    ClaimSite,
    ClockHint,
    DayPhoto,
    DayPlan,
    ManualAssignments,
    Segment,
    SheetAt,
    SheetEvidence,
    SplitOptions,
)
from evidence.workspace import Workspace

OPEN_CANDIDATES = 200
"""Claims without photos yet that a day is compared with; more would slow the split for nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Refreshed:
    """What a new split and new tags changed."""

    touched: frozenset[ClaimId | None]
    """Claims whose photos came, went or are tagged otherwise; None is the tray."""
    findings: tuple[Finding, ...]


def refresh_days(workspace: Workspace, digests: Sequence[Sha256]) -> Refreshed:
    """Split the days that these photos fall on, tag the claims that changed, mark their bags.

    One commit: either all of it stands or none.
    """
    with workspace.catalog.transaction():
        touched, findings = _split(workspace, digests)
        touched |= _tag(workspace, touched)
        workspace.catalog.keeping.mark_dirty(touched)
        for claim in touched - {None}:
            workspace.catalog.claims.touch(ClaimId(str(claim)))
    return Refreshed(touched=frozenset(touched), findings=findings)


# --- split -------------------------------------------------------------------------------


def _split(
    workspace: Workspace, digests: Sequence[Sha256]
) -> tuple[set[ClaimId | None], tuple[Finding, ...]]:
    photos = workspace.catalog.photos
    records = {record.sha256: record for record in photos.records(_whole_days(workspace, digests))}
    rows = {row.claim.claim: row for row in workspace.catalog.claims.all()}
    findings = _meet_new_claims(workspace, records.values(), rows)
    seen = photos.sightings(list(records))
    devices = _devices(records.values(), seen)
    shots = [
        replace(_shot(record, seen[sha]), device=devices.get(sha, record.device))
        for sha, record in records.items()
    ]
    plan = plan_day(
        shots,
        _candidates(workspace, records.values()),
        options=_split_options(workspace),
        manual=_pins(workspace, records.values()),
        clock_hints=_clock_hints(workspace, records.values()),
    )
    purged = {claim for claim, row in rows.items() if row.state is ClaimState.PURGED}
    placings, segments = _written_down(plan, purged)
    findings += _late_photos(records, placings, rows)
    return photos.place(placings, segments), (*findings, *plan.findings)


def _whole_days(workspace: Workspace, digests: Sequence[Sha256]) -> list[Sha256]:
    """These photos and all of the days, stretches and undated cards that they are part of."""
    photos = workspace.catalog.photos
    found = dict.fromkeys(digests)
    days: set[str] = set()
    fresh = list(found)
    while fresh:
        new_days = {day for record in photos.records(fresh) if (day := _day(record))} - days
        days |= new_days
        beside = [*photos.of_days(new_days), *sorted(photos.together_with(fresh))]
        fresh = [sha for sha in dict.fromkeys(beside) if sha not in found]
        found |= dict.fromkeys(fresh)
    return list(found)


def _meet_new_claims(
    workspace: Workspace, records: Iterable[PhotoRecord], rows: Mapping[ClaimId, ClaimRow]
) -> list[Finding]:
    """A sheet may name a claim that the office has not loaded yet: its number is enough to file by."""
    named = {mark.claim for record in records for mark in record.look.dividers}
    new = sorted(named - set(rows))
    workspace.catalog.claims.put([Claim(claim=one) for one in new], at=workspace.now())
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
        if one in rows and rows[one].state is ClaimState.PURGED
    ]
    return findings


def _late_photos(
    records: Mapping[Sha256, PhotoRecord],
    placings: Iterable[Placing],
    rows: Mapping[ClaimId, ClaimRow],
) -> list[Finding]:
    """Photos that their sheet files under a claim which is signed off or closed: kept there, and told."""
    late = Counter(one.claim for one in placings if one.claim and records[one.sha256].claim != one.claim)
    return [
        Finding(
            code="claim_is_settled",
            message=f"{many} photos came to claim {claim}, which is {rows[claim].state.value} already; look at it again.",
            subject=claim,
        )
        for claim, many in sorted(late.items())
        if claim in rows and rows[claim].state in CONCLUDED
    ]


def _devices(
    records: Iterable[PhotoRecord], seen: Mapping[Sha256, Sequence[Sighting]]
) -> dict[Sha256, DeviceId]:
    """The camera of files that name none: that of their companion, else of most photos in their folder."""
    named: dict[tuple[str, str], Counter[DeviceId]] = defaultdict(Counter)
    nameless = []
    for record in records:
        first = seen[record.sha256][0]
        keys = [(first.intake, first.object_key), (first.intake, first.card_path.rpartition("/")[0])]
        if record.facts.make or record.facts.model:
            for key in keys:
                named[key][record.device] += 1
        else:
            nameless.append((record.sha256, keys))
    found = ((sha, [key for key in keys if key in named]) for sha, keys in nameless)
    return {sha: named[keys[0]].most_common(1)[0][0] for sha, keys in found if keys}


def _day(record: PhotoRecord) -> str:
    moment = record.corrected or record.facts.taken_local
    return moment.date().isoformat() if moment else ""


def _shot(record: PhotoRecord, seen: Sequence[Sighting]) -> DayPhoto:
    first = seen[0]
    facts = record.facts
    sheet = record.look.sheet
    return DayPhoto(
        sha256=record.sha256,
        device=record.device,
        card=first.intake,
        card_path=first.card_path,
        name=record.name,
        dcf=first.dcf,
        taken_local=facts.taken_local,
        offset_minutes=facts.offset_minutes,
        gps=facts.gps,
        gps_time=facts.gps_time,
        direction=facts.direction,
        file_modified=first.modified,
        dividers=tuple(mark.claim for mark in record.look.dividers),
        sheet=SheetEvidence(confidence=sheet.confidence, lines=tuple(line.text for line in sheet.lines))
        if sheet
        else None,
        is_photo=record.kind in PICTURE_KINDS,
        object_key=first.object_key,
        scenes=record.look.scenes,
    )


def _candidates(workspace: Workspace, records: Iterable[PhotoRecord]) -> list[ClaimSite]:
    """Claims that the photos may belong to: named by a sheet, filed there before, or still without photos.

    A purged claim whose sheet is there is one of them: without it its photos would go to a neighbour.
    """
    records = list(records)
    named = {mark.claim for record in records for mark in record.look.dividers}
    named |= {record.claim for record in records if record.claim}
    counts = workspace.catalog.photos.counts()
    rows = workspace.catalog.claims.all()
    waiting = [r for r in rows if r.state is ClaimState.OPEN and r.claim.claim not in counts][
        -OPEN_CANDIDATES:
    ]
    chosen = {row.claim.claim: row for row in waiting}
    chosen |= {row.claim.claim: row for row in rows if row.claim.claim in named}
    return [
        ClaimSite(
            claim=row.claim.claim,
            insured=row.claim.insured,
            address=row.claim.address,
            place=row.claim.place,
            loss_date=row.claim.loss_date,
        )
        for row in chosen.values()
    ]


def _split_options(workspace: Workspace) -> SplitOptions:
    split = workspace.settings.split
    return SplitOptions(sheet_at=SheetAt(split.sheet_at), confirm_below=split.confirm_below)


def _pins(workspace: Workspace, records: Iterable[PhotoRecord]) -> ManualAssignments:
    """What people decided, the latest word of each; and the photos of settled claims where they are."""
    claim_of: dict[Sha256, ClaimId | None] = {}
    rows = workspace.catalog.claims.all()
    concluded = {row.claim.claim for row in rows if row.state in CONCLUDED}
    purged = {row.claim.claim for row in rows if row.state is ClaimState.PURGED}
    for record in records:
        if record.claim in concluded:
            claim_of[record.sha256] = record.claim
    cuts: set[Sha256] = set()
    joins: set[Sha256] = set()
    for decision in workspace.catalog.claims.decisions(kinds=("move", "name", "shift", "cut", "join")):
        after: Mapping[str, Any] = decision.after
        if decision.kind == "shift":
            claim_of |= {
                Sha256(sha): ClaimId(claim) if claim else None for sha, claim in after["claims"].items()
            }
            continue
        if decision.kind in ("move", "name"):
            target = ClaimId(after["claim"]) if after["claim"] else None
            claim_of |= dict.fromkeys((Sha256(sha) for sha in after["photos"]), target)
        elif decision.kind == "cut":
            cuts.add(Sha256(after["before"]))
            joins.discard(Sha256(after["before"]))
        else:
            joins.add(Sha256(after["before"]))
            cuts.discard(Sha256(after["before"]))
    claim_of = {sha: None if claim in purged else claim for sha, claim in claim_of.items()}
    return ManualAssignments(claim_of=claim_of, cuts=frozenset(cuts), joins=frozenset(joins))


def _clock_hints(workspace: Workspace, records: Iterable[PhotoRecord]) -> list[ClockHint]:
    """The settings' words on cameras, for the devices they mean: named whole, or by model or serial alone."""
    devices = {record.device for record in records}
    return [
        ClockHint(device=DeviceId(device), minutes_fast=clock.minutes_fast, reason=clock.reason)
        for clock in workspace.settings.clock
        for device in sorted(devices)
        if clock.device.casefold() in device.casefold()
    ]


def _written_down(plan: DayPlan, purged: Collection[ClaimId]) -> tuple[list[Placing], list[SegmentRow]]:
    """The plan as the catalog keeps it; what belongs to a purged claim waits unassigned, as an unknown house."""
    by_number = {segment.number: segment for segment in plan.segments}
    placed = {one.sha256: one for one in plan.placed}
    segments: list[SegmentRow] = []
    ids: dict[int, str] = {}
    per_day: dict[str, int] = {}
    for position, segment in enumerate(plan.segments):
        first = placed[segment.shots[0]]
        day = first.corrected.date().isoformat() if first.corrected else ""
        per_day[day] = per_day.get(day, 0) + 1
        # An undated stretch has no day to be numbered in; its first photo names it instead.
        ids[segment.number] = f"{day}/{per_day[day]}" if day else f"undated-{first.sha256[:8]}"
        segments.append(
            SegmentRow(
                segment=ids[segment.number],
                claim=None if segment.claim in purged else segment.claim,
                unknown=segment.unknown or segment.claim in purged,
                first=segment.shots[0],
                photos=len(segment.shots),
                day=day,
                position=position,
                probability=segment.opened_by.probability,
                to_confirm=segment.opened_by.to_confirm,
                reasons=_reasons(segment, purged),
            )
        )
    placings = [
        Placing(
            sha256=one.sha256,
            claim=None if one.claim in purged else one.claim,
            position=position,
            segment=ids[one.segment],
            confidence=one.confidence,
            to_confirm=one.to_confirm,
            reasons=_reasons(by_number[one.segment], purged),
            corrected=one.corrected,
            correction=one.correction,
            utc=one.utc,
        )
        for position, one in enumerate(plan.placed)
    ]
    return placings, segments


def _reasons(segment: Segment, purged: Collection[ClaimId]) -> tuple[str, ...]:
    reasons = segment.opened_by.reasons
    return (f"claim {segment.claim} was purged", *reasons) if segment.claim in purged else reasons


# --- tags --------------------------------------------------------------------------------


def retag(
    workspace: Workspace, claims: Iterable[ClaimId | None], *, stated: Collection[ClaimId | None] = ()
) -> Refreshed:
    """Tag these claims anew, in one commit; in those of `stated` a person's word changed already."""
    with workspace.catalog.transaction():
        touched = _tag(workspace, claims) | set(stated)
        workspace.catalog.keeping.mark_dirty(touched)
        for claim in touched - {None}:
            workspace.catalog.claims.touch(ClaimId(str(claim)))
    return Refreshed(touched=frozenset(touched), findings=())


def _tag(workspace: Workspace, claims: Iterable[ClaimId | None]) -> set[ClaimId | None]:
    touched: set[ClaimId | None] = set()
    photos = workspace.catalog.photos
    models = models_of(workspace)
    adjusters = {row.intake: row.actor for row in photos.intakes()}
    for claim in claims:
        records = [one for one in photos.of_claim(claim, embeddings=True) if one.kind in PICTURE_KINDS]
        person = photos.by_person([record.sha256 for record in records])
        adjuster = adjusters.get(records[0].intake, "") if records else ""
        results = tag_claim(
            list(reseen(records, models.head)),
            person=person,
            vocabulary=workspace.vocabulary,
            models=models.tags,
            options=TagOptions(adjuster=adjuster),
        )
        tagged = [
            Tagged(sha256=sha, said=one.said, strongest=one.tags, flags=one.flags)
            for sha, one in results.items()
        ]
        if photos.put_tags(tagged):
            touched.add(claim)
    return touched


def confirm_guesses(workspace: Workspace, claim: ClaimId, *, above: float) -> tuple[int, int]:
    """A person takes every guess of the claim at least `above` probable as their own word, as one decision.

    Returns the decision's number (0 when there was nothing to confirm) and how many facets it states.
    """
    wanted: dict[Sha256, dict[Facet, str | None]] = {}
    for record in workspace.catalog.photos.of_claim(claim):
        sure = {f: v.value for f, v in record.tags.items() if not v.stated and v.confidence >= above}
        if sure:
            wanted[record.sha256] = dict(sure)
    if not wanted:
        return 0, 0
    number, _ = state_each(workspace, wanted)
    return number, sum(len(facets) for facets in wanted.values())


def state_facets(
    workspace: Workspace, digests: Sequence[Sha256], facets: Mapping[Facet, str | None]
) -> Refreshed:
    """A person states facets of photos; None takes their earlier word back. Writes the decision down."""
    return state_each(workspace, dict.fromkeys(digests, facets))[1]


def state_each(
    workspace: Workspace, stated: Mapping[Sha256, Mapping[Facet, str | None]]
) -> tuple[int, Refreshed]:
    """The same with other facets for each photo, as one decision; returns its number too."""
    photos = workspace.catalog.photos
    digests = list(stated)
    records = photos.records(digests)
    claims = {record.claim for record in records}
    before = photos.by_person(digests)
    alike: dict[tuple[tuple[Facet, str | None], ...], list[Sha256]] = defaultdict(list)
    for sha, facets in stated.items():
        alike[tuple(facets.items())].append(sha)
    with workspace.catalog.transaction():
        number = workspace.catalog.claims.record(
            at=workspace.now(),
            actor=workspace.actor,
            kind="tag",
            claim=records[0].claim if records else None,
            before={
                sha: {facet.value: _word(before.get(sha, {}), facet) for facet in facets}
                for sha, facets in stated.items()
            },
            after={
                sha: {facet.value: value for facet, value in facets.items()} for sha, facets in stated.items()
            },
        )
        for said, group in alike.items():
            photos.state(group, dict(said), reason=f"stated by {workspace.actor}")
        refreshed = retag(workspace, claims, stated=claims)
        names = {record.sha256: record.name for record in records}
        for said, group in alike.items():
            workspace.record(
                "tagged",
                ", ".join(sorted(names[sha] for sha in group)[:5]),
                decision=number,
                photos=group,
                facets={facet.value: value for facet, value in said},
            )
    return number, refreshed


def _word(values: Mapping[Facet, FacetValue], facet: Facet) -> str | None:
    return values[facet].value if facet in values else None


def known_word(workspace: Workspace, facet: Facet, word: str) -> str:
    """The vocabulary's own spelling of a word that a person typed; raises BadInputError, naming the nearest."""
    if facet is Facet.COUNT:
        if word.isascii() and word.isdigit() and int(word) <= MAX_COUNT:
            return str(int(word))
        raise BadInputError(f"'{word}' is no count.", f"Give a whole number up to {MAX_COUNT}.")
    wanted = word.strip().casefold().replace(" ", "_").replace("-", "_")
    known = [one.id for one in workspace.vocabulary.words if one.facet is facet]
    if wanted in known:
        return wanted
    near = difflib.get_close_matches(wanted, known, n=1)
    hint = f"Did you mean '{near[0]}'?" if near else f"The words are {', '.join(known)}."
    raise BadInputError(f"'{word}' is no {facet.value}.", hint)
