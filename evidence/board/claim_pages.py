"""The list of claims, and the pages of a claim: proof, day, duplicates, still to shoot, history."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Depends
from fastapi.responses import HTMLResponse, JSONResponse, Response

from evidence.analysis import coverage as covering
from evidence.analysis import tallies
from evidence.analysis.used_before import UsedBefore, used_before
from evidence.board import view_models
from evidence.board.claim_list import (
    NEED_WORDS,
    ORDER_WORDS,
    ListView,
    Need,
    Order,
    Queue,
    list_claims,
    queue_at,
)
from evidence.board.context import CurrentUser, require
from evidence.board.day_view import day_views
from evidence.board.decision_words import decision_words
from evidence.catalog.claims import ClaimRow
from evidence.catalog.decision_json import kinds_of
from evidence.catalog.decisions import (
    Correction,
    Decision,
    DecisionRow,
    SendBack,
    Sign,
    SplitCorrection,
    Waive,
)
from evidence.coverage.doubles import distance, pairs
from evidence.coverage.explain import explain
from evidence.coverage.flags import USED_BEFORE
from evidence.coverage.report import CoverageReport
from evidence.coverage.shots import FACES
from evidence.coverage.to_shoot import SAFETY, still_to_shoot
from evidence.errors import BadInputError
from evidence.lookup import UNASSIGNED, known_claim, photos_of
from evidence.model import ClaimId, ClaimState, PhotoRecord, Sha256
from evidence.review.likeness import ANSWER_WORDS, words_of
from evidence.review.signing import Obstacle, obstacles
from evidence.review.staleness import day_mark

router = APIRouter()

AnyUser = Annotated[CurrentUser, Depends(require())]

MAX_DUPLICATES = 200
"""Most pairs on one page; it says how many more there are."""
MAX_CORRECTIONS = 20
"""Most corrections of the split below a day, the newest first."""
MAX_OFFERED = 80
"""Most open claims that a segment may be given to, the last by number."""
MAX_HISTORY = 300
"""Most entries of the custody log on one page, the newest first."""


@router.get("/")
def claims(user: AnyUser, q: str = "", need: str = "", sort: str = "", page: int = 1) -> HTMLResponse:
    """The list of claims, the most urgent first unless another order is chosen."""
    shown = ListView(
        search=q[:200],
        need=Need(need) if need in {one.value for one in Need} else None,
        order=Order(sort) if sort in {one.value for one in Order} else Order.NEED,
    )
    user.session.list_view = shown
    found = list_claims(user.workspace, duty=user.session.duty, shown=shown, page=page)
    user.session.queue = found.numbers
    if found.uncounted:
        user.board.worker.wake()
    return user.render(
        "claims.html",
        list=found,
        needs=NEED_WORDS,
        q=shown.search,
        need=shown.need,
        sort=shown.order,
        sorts=ORDER_WORDS,
    )


def queue_of(user: CurrentUser, number: str) -> Queue:
    """The claim's place in the list as this person last saw it."""
    session = user.session
    if not session.queue:
        session.queue = list_claims(
            user.workspace, duty=session.duty, shown=session.list_view, page=1
        ).numbers
    return queue_at(user.workspace, number, session.queue)


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenedClaim:
    """A claim, or the photos without a claim, as its pages show it."""

    row: ClaimRow | None
    """None for photos without a claim."""
    number: str
    records: list[PhotoRecord]
    report: CoverageReport | None
    used: tuple[UsedBefore, ...] = ()
    """Photos that may have served another claim before, answered or not."""

    @property
    def claim(self) -> ClaimId | None:
        """The claim's number; None for photos without a claim."""
        return self.row.claim.claim if self.row else None

    @property
    def title(self) -> str:
        """The heading of its pages."""
        if self.row is None:
            return "Unassigned photos"
        return self.row.claim.insured or f"Claim {self.row.claim.claim}"

    @property
    def signed(self) -> bool:
        """Whether its photos and tags can no longer be changed."""
        return self.row is not None and self.row.state not in (ClaimState.OPEN, ClaimState.RETURNED)

    @property
    def verdict(self) -> str:
        """The coverage, in one sentence."""
        if self.report is None:
            return ""
        met, guessed, missing = len(self.report.met), len(self.report.guessed), len(self.report.missing)
        waived = len(self.report.waived)
        parts = [f"{met} of {met + guessed + missing} required shots are shown"]
        if guessed:
            parts.append(f"{guessed} only by a guess")
        if missing:
            parts.append(f"{missing} not at all")
        if waived:
            parts.append(f"{waived} more set aside")
        return ", ".join(parts) + "."


def open_claim(user: CurrentUser, number: str) -> OpenedClaim:
    """The claim of that number, or the unassigned photos. Raises BadInputError for an unknown number."""
    if number.casefold() == UNASSIGNED:
        return OpenedClaim(
            row=None, number=UNASSIGNED, records=photos_of(user.workspace, number), report=None
        )
    claim = known_claim(user.workspace, number)
    row = user.workspace.catalog.claims.get(claim)
    assert row is not None
    records = user.workspace.catalog.photos.of_claim(claim)
    used = tuple(used_before(user.workspace, claim, records))
    report = covering.CoverageChecker(user.workspace).report(claim, records, used)
    tallies.store_tally(user.workspace, row, report, tallies.tally_basis(user.workspace))
    return OpenedClaim(row=row, number=claim, records=records, report=report, used=used)


@router.get("/claim")
def claim_page(user: AnyUser, number: str) -> Response:
    """The proof table, the findings, and the forms to sign off or send back."""
    view = open_claim(user, number)
    if view.row is None or view.report is None:
        return HTMLResponse(status_code=303, headers={"location": f"/photos?number={UNASSIGNED}"})
    claim = view.row.claim
    shots = covering.shot_list(user.workspace, covering.list_for(user.workspace, claim))
    decisions = user.workspace.catalog.claims.decisions(Decision, claim=claim.claim)
    by_photo = view_models.flags_by_photo(view.report)
    known = {record.sha256: record for record in view.records}
    return user.render(
        "claim.html",
        view=view,
        queue=queue_of(user, view.number),
        safety=view.report.safety or SAFETY,
        tab="proof",
        sections=view_models.proof_table(view.report, shots, view.number),
        faces=[face.value for face in FACES],
        flags=[
            (
                known.get(Sha256(sha)),
                flags,
                _duplicate_of(user, view, sha, flags),
                sha if any(flag.code in USED_BEFORE for flag in flags) else "",
            )
            for sha, flags in by_photo.items()
        ],
        obstacles=[
            obstacle_line(claim.claim, one) for one in obstacles(user.workspace, claim.claim, view.report)
        ],
        to_shoot=still_to_shoot(view.report),
        waivers={
            (one.decision.requirement, one.decision.place): one
            for one in decisions
            if isinstance(one.decision, Waive)
        },
        last=_last_verdict(decisions),
        window=_window(view.records),
        explained=explain(shots),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ObstacleLine:
    """One thing that stands before a sign-off, with the page where a person resolves it."""

    words: str
    link: str


def obstacle_line(number: ClaimId, one: Obstacle) -> ObstacleLine:
    """What stands before the sign-off of this claim, with the page where it is settled."""
    if one.item is not None:
        query = {"number": str(number), "need": one.item.requirement, "at": one.item.key[1]}
    elif one.unsure:
        query = {"number": str(number), "show": "to_confirm"}
    else:
        query = {"number": str(number)}
    return ObstacleLine(words=one.words, link=f"/photos?{urlencode(query)}")


def _window(records: Sequence[PhotoRecord]) -> str:
    times = [record.corrected for record in records if record.corrected]
    if not times:
        return "no photo with a time"
    first, last = min(times), max(times)
    if first.date() == last.date():
        return f"{view_models.day_words(first.isoformat())}, {first:%H:%M} to {last:%H:%M}"
    return f"{view_models.day_words(first.isoformat())} {first:%H:%M} to {view_models.day_words(last.isoformat())} {last:%H:%M}"


def _last_verdict(decisions: Sequence[DecisionRow[Decision]]) -> DecisionRow[Decision] | None:
    """The newest sign-off or return."""
    return next((one for one in reversed(decisions) if isinstance(one.decision, Sign | SendBack)), None)


def _duplicate_of(user: CurrentUser, view: OpenedClaim, sha: str, flags: Sequence[Any]) -> Sha256 | None:
    """The photo of this claim that a flagged duplicate resembles, to compare with."""
    mine = next((record for record in view.records if record.sha256 == sha), None)
    if mine is None or "near_duplicate" not in {flag.code for flag in flags}:
        return None
    bits = user.workspace.settings.coverage.double_bits
    for other in view.records:
        if other.sha256 != sha and distance(other.look.phash, mine.look.phash) <= bits:
            return other.sha256
    return None


@router.get("/counts")
def counts(user: AnyUser, number: str) -> JSONResponse:
    """The claim's coverage in one sentence, and its version, for a page that stays open."""
    view = open_claim(user, number)
    if view.report is None or view.row is None:
        return JSONResponse({})
    return JSONResponse({"verdict": view.verdict, "version": view.row.version})


@router.get("/missing")
def missing_page(user: AnyUser, number: str) -> HTMLResponse:
    """What the adjuster still has to shoot, to read on a phone or print."""
    view = open_claim(user, number)
    if view.report is None:
        raise BadInputError("Unassigned photos have no list of required shots.", "Open a claim instead.")
    decisions = user.workspace.catalog.claims.decisions(SendBack, claim=view.claim)
    note = decisions[-1] if decisions and view.row and view.row.state is ClaimState.RETURNED else None
    return user.render(
        "missing.html",
        view=view,
        queue=queue_of(user, view.number),
        tab="missing",
        to_shoot=still_to_shoot(view.report),
        returned=note,
    )


@router.get("/day")
def day_page(user: AnyUser, number: str) -> HTMLResponse:
    """How the days of this claim were split into houses, why, and how probable that is."""
    view = open_claim(user, number)
    claims = user.workspace.catalog.claims
    segments = user.workspace.catalog.photos.segments_of(view.claim)
    outline = user.workspace.catalog.photos.outline([row.segment for row in segments])
    nearby = {row.claim for row in segments if row.claim}
    insured = {number: row.claim.insured for number, row in claims.of(nearby).items()}
    corrections = [
        (one, decision_words(user.workspace.vocabulary, one.decision))
        for one in claims.newest_of(
            SplitCorrection,
            nearby | ({view.claim} if view.claim else set()),
            tray=view.claim is None,
            most=MAX_CORRECTIONS,
        )
    ]
    return user.render(
        "day.html",
        view=view,
        queue=queue_of(user, view.number),
        tab="day",
        days=day_views(segments, outline, insured, view.claim),
        seen=day_mark(user.workspace, view.claim),
        names=sorted({*nearby, *claims.last_open(MAX_OFFERED)}),
        corrections=corrections,
    )


@router.get("/duplicates")
def duplicates_page(user: AnyUser, number: str) -> HTMLResponse:
    """Photos of this claim that are nearly the same as each other, or as another claim's."""
    view = open_claim(user, number)
    pictured = [r for r in view.records if r.look.phash and not r.look.dividers and not r.look.labels]
    bits = user.workspace.settings.coverage.double_bits
    first_of: dict[int, tuple[int, int]] = {}
    for first, second, apart in pairs([record.look.phash for record in pictured], bits):
        first_of.setdefault(second, (first, apart))
    inside = [
        (pictured[first], pictured[second], apart) for second, (first, apart) in sorted(first_of.items())
    ]
    return user.render(
        "duplicates.html",
        view=view,
        queue=queue_of(user, view.number),
        tab="duplicates",
        inside=inside[:MAX_DUPLICATES],
        left_out=max(0, len(inside) - MAX_DUPLICATES),
        used=[(one, words_of(one)) for one in view.used],
        answer_words=ANSWER_WORDS,
    )


@router.get("/history")
def history_page(user: AnyUser, number: str) -> HTMLResponse:
    """The decisions about this claim, and its entries in the custody log."""
    view = open_claim(user, number)
    claims = user.workspace.catalog.claims
    decisions = claims.decisions(Decision, claim=view.claim, in_force_only=False) if view.claim else []
    entries = list(islice(user.workspace.custody.newest(view.number), MAX_HISTORY))
    return user.render(
        "history.html",
        view=view,
        queue=queue_of(user, view.number),
        tab="history",
        decisions=[(one, decision_words(user.workspace.vocabulary, one.decision)) for one in decisions[::-1]],
        entries=entries,
        undoable=set(kinds_of(Correction)),
    )
