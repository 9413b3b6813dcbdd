"""View models of claims and photos: plain data, the same for the command line and the board."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING

from evidence.analysis.tallies import store_tally, tally_basis
from evidence.catalog.summaries import ClaimSummary
from evidence.lookup import UNASSIGNED
from evidence.model import CONCLUDED, ClaimId, ClaimState, Facet, Finding, PhotoRecord, Sha256, tag_value
from evidence.paper.dates import iso_offset
from evidence.progress import Progress, quiet
from evidence.tags.standing import standing
from evidence.workspace import Workspace

if TYPE_CHECKING:
    from evidence.coverage.report import CoverageReport

COUNTING = "Counting required shots"
FEW = 20
"""Claims that are counted without showing the progress: that takes a second or two."""
ENDED = frozenset({ClaimState.CLOSED, ClaimState.QUARANTINED, ClaimState.PURGED})
"""A claim in such a state keeps the count that it had by the lists of its time: an office has thousands of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CoverageCount:
    """How many required shots of a claim are shown, only guessed and missing."""

    met: int
    guessed: int
    missing: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimView:
    """One line of the claims list. Times are corrected local times, ISO 8601."""

    claim: str
    insured: str
    state: str
    photos: int
    first_photo: str | None
    last_photo: str | None
    to_confirm: int
    coverage: CoverageCount | None
    """None for the tray and for claims without photos."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoView:
    """One photo. `taken_at` is the camera's own time, with its offset if the camera records one."""

    sha256: Sha256
    name: str
    card_path: str
    taken_at: str | None
    corrected_at: str | None
    """Corrected local time; None when the camera's time was not corrected."""
    correction: str
    claim: str | None
    claim_confidence: float
    to_confirm: bool
    role: str | None
    face: str | None
    component: str | None
    condition: str | None
    count: str | None
    standing: str
    """'stated', 'not yet reviewed', 'further photo' or 'without tags': whether its place is stated or only guessed."""
    stated: list[str]
    """Facets that a person or a label card states; the others are guesses."""
    confidence: dict[str, float]
    """Facet to probability; 1 for what is stated."""
    reasons: list[str]
    flags: list[Finding]


def claim_views(
    workspace: Workspace, *, coverage: bool = True, progress: Progress = quiet
) -> list[ClaimView]:
    """Every claim by number, then the unassigned tray if it holds photos.

    Claims whose count is out of date are counted and stored first; `progress` is called when they are many.
    """
    summaries = workspace.catalog.summaries.all()
    counts = _counts(workspace, summaries, progress) if coverage else {}
    views = [
        ClaimView(
            claim=one.claim,
            insured=one.insured,
            state=one.state,
            photos=one.photos or 0,
            first_photo=one.first,
            last_photo=one.last,
            to_confirm=one.to_confirm or 0,
            coverage=counts.get(one.claim),
        )
        for one in summaries
    ]
    photos, first, last = workspace.catalog.photos.counts(None).get(None, (0, None, None))
    if photos:
        views.append(
            ClaimView(
                claim=UNASSIGNED,
                insured="",
                state="",
                photos=photos,
                first_photo=first,
                last_photo=last,
                to_confirm=workspace.catalog.photos.to_confirm(None).get(None, 0),
                coverage=None,
            )
        )
    return views


def _counts(
    workspace: Workspace, summaries: Sequence[ClaimSummary], progress: Progress
) -> dict[str, CoverageCount]:
    """The count of each claim with photos, by its number."""
    basis = tally_basis(workspace)
    found, stale = {}, []
    for one in (each for each in summaries if each.photos):
        if one.is_counted(basis) or (one.state in ENDED and one.counted_version == one.version):
            found[one.claim] = CoverageCount(
                met=one.met or 0, guessed=one.guessed or 0, missing=one.missing or 0
            )
        else:
            stale.append(ClaimId(one.claim))
    if not stale:
        return found
    from evidence.analysis.coverage import CoverageChecker  # noqa: PLC0415 - only an outdated tally needs it

    checker, rows = CoverageChecker(workspace), workspace.catalog.claims.of(stale)
    for done, claim in enumerate(stale):
        if len(stale) > FEW:
            progress(COUNTING, done, len(stale))
        report = checker.report(claim)
        store_tally(workspace, rows[claim], report, basis)
        found[claim] = counted(report)
    if len(stale) > FEW:
        progress(COUNTING, len(stale), len(stale))
    return found


def counted(report: CoverageReport) -> CoverageCount:
    """The report in three numbers; waived shots are in none of them."""
    return CoverageCount(met=len(report.met), guessed=len(report.guessed), missing=len(report.missing))


def photo_view(record: PhotoRecord, *, shows: float, signed: bool = False) -> PhotoView:
    """The view of one photo; a guess less probable than `shows` does not make it 'not yet reviewed'."""
    corrected = record.corrected if record.correction else None
    return PhotoView(
        sha256=record.sha256,
        name=record.name,
        card_path=record.card_path,
        taken_at=_taken_at(record),
        corrected_at=corrected.isoformat() if corrected else None,
        correction=record.correction,
        claim=record.claim,
        claim_confidence=round(record.claim_confidence, 4),
        to_confirm=record.to_confirm,
        role=tag_value(record.tags, Facet.ROLE),
        face=tag_value(record.tags, Facet.FACE),
        component=tag_value(record.tags, Facet.COMPONENT),
        condition=tag_value(record.tags, Facet.CONDITION),
        count=tag_value(record.tags, Facet.COUNT),
        standing=standing(record.tags, shows=shows, signed=signed).value,
        stated=[facet.value for facet, value in record.tags.items() if value.stated],
        confidence={facet.value: round(value.confidence, 4) for facet, value in record.tags.items()},
        reasons=[f"{facet.value}: {value.reason}" for facet, value in record.tags.items() if value.reason],
        flags=list(record.flags),
    )


def photo_views(workspace: Workspace, records: Sequence[PhotoRecord]) -> list[PhotoView]:
    """The views of these photos, in their order; those of signed and closed claims as their claim says."""
    rows = workspace.catalog.claims.of({record.claim for record in records if record.claim})
    signed = {claim for claim, row in rows.items() if row.state in CONCLUDED}
    shows = workspace.vocabulary.guess.shows
    used = _flags_of_other_claims(workspace, records)
    found = [photo_view(record, shows=shows, signed=record.claim in signed) for record in records]
    return [replace(view, flags=[*view.flags, *used.get(view.sha256, ())]) for view in found]


def _flags_of_other_claims(
    workspace: Workspace, records: Sequence[PhotoRecord]
) -> dict[Sha256, list[Finding]]:
    """For each photo the flags that say that it may have served another claim."""
    by_claim: dict[ClaimId, list[PhotoRecord]] = defaultdict(list)
    for record in records:
        if record.claim:
            by_claim[record.claim].append(record)
    if not by_claim:
        return {}
    # These load numpy, which lists of claims and of the tray do not need.
    from evidence.analysis.coverage import other_claims  # noqa: PLC0415
    from evidence.analysis.used_before import used_before  # noqa: PLC0415
    from evidence.coverage.flags import flags_elsewhere  # noqa: PLC0415

    found: dict[Sha256, list[Finding]] = defaultdict(list)
    for claim, photos in by_claim.items():
        others = other_claims(used_before(workspace, claim, photos))
        for flag in flags_elsewhere({photo.sha256 for photo in photos}, others):
            found[Sha256(flag.subject)].append(flag)
    return found


def _taken_at(record: PhotoRecord) -> str | None:
    taken, offset = record.facts.taken_local, record.facts.offset_minutes
    if taken is None:
        return None
    text = taken.isoformat()
    return text if offset is None else f"{text}{iso_offset(offset)}"


def moment(text: str | None) -> str:
    """An ISO 8601 time for a table, to the minute; empty for None."""
    return datetime.fromisoformat(text).strftime("%Y-%m-%d %H:%M") if text else ""
