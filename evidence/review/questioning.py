"""Review by question on the catalog: the claim's case is read, and each answer becomes a person's decision."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from evidence.analysis.coverage import CoverageChecker
from evidence.analysis.left_out import compared
from evidence.analysis.used_before import UsedBefore, used_before
from evidence.catalog.decisions import Decision, LeaveOut, LikenessAnswer
from evidence.catalog.segments import SegmentRow
from evidence.coverage.report import Item
from evidence.errors import BadInputError
from evidence.lookup import require_claim
from evidence.model import CHANGEABLE, ClaimId, Facet, PhotoRecord, Sha256
from evidence.questions.kinds import (
    Conclusion,
    HouseQuestion,
    LikenessQuestion,
    NeedQuestion,
    PhotoQuestion,
    Question,
    StayQuestion,
    answered,
)
from evidence.questions.order import ReviewCase, next_step
from evidence.review import placing
from evidence.review.likeness import answer_found, sentence_of
from evidence.review.recording import decide, require_open
from evidence.review.staleness import Change, ChangedError, mark_of
from evidence.review.tagging import known_word, state_facets
from evidence.review.waivers import set_aside
from evidence.workspace import Workspace

MOST_HOUSES = 8
"""Other claims offered for a run of photos: each has a digit, and 9 is no claim."""


@dataclass(frozen=True)
class Asked:
    """Where a claim's review stands: the case, and the question or the conclusion, with its mark."""

    case: ReviewCase
    step: Question | Conclusion
    used: tuple[UsedBefore, ...]
    """The photos that may have served another claim."""
    mark: str
    """A digest of the question and of all that is stated about its photos, in 12 hexadecimal digits."""


def ask(workspace: Workspace, claim: ClaimId, passed: frozenset[str]) -> Asked:
    """The next step of this claim's review; `passed` are the keys of questions that were put off or closed."""
    row = require_claim(workspace, claim)
    records = workspace.catalog.photos.of_claim(claim)
    checker, used = CoverageChecker(workspace), tuple(used_before(workspace, claim, records))
    case = ReviewCase(
        report=checker.report(claim, records, used),
        supposition=checker.supposition(row.claim, records),
        houses=tuple(_houses(workspace, claim, records)) if row.state in CHANGEABLE else (),
        likenesses=tuple(_likenesses(used)) if row.state in CHANGEABLE else (),
        passed=passed,
        compared=compared(workspace, claim),
    )
    step = next_step(case)
    return Asked(case=case, step=step, used=used, mark=_mark(case, step))


def _likenesses(used: Sequence[UsedBefore]) -> Iterator[LikenessQuestion]:
    """A question for each photo without an answer; a photo that is found in two ways is asked about once."""
    asked: set[Sha256] = set()
    for one in used:
        if one.answer is None and one.photo not in asked:
            asked.add(one.photo)
            yield LikenessQuestion(photo=one.photo, other=one.nearest.photo, sentence=sentence_of(one))


def _mark(case: ReviewCase, step: Question | Conclusion) -> str:
    lines = [type(step).__name__]
    if not isinstance(step, Conclusion):
        lines.append(step.key)
    if isinstance(step, LikenessQuestion):
        lines.append(step.sentence)
    if isinstance(step, PhotoQuestion):
        lines += [f"{one.facet}={one.proposed}" for one in step.facets]
    lines += [mark_of(case.records[sha]) for sha in _photos_of(step)]
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()[:12]


def _photos_of(step: Question | Conclusion) -> tuple[Sha256, ...]:
    match step:
        case PhotoQuestion():
            return (step.photo,)
        case HouseQuestion() | StayQuestion():
            return step.photos
        case _:
            return ()


def _houses(workspace: Workspace, claim: ClaimId, records: Sequence[PhotoRecord]) -> list[HouseQuestion]:
    """A question for each run of neighbouring photos whose house is to confirm."""
    if not any(record.to_confirm for record in records):
        return []
    rows = workspace.catalog.photos.segments_of(claim)
    outline = workspace.catalog.photos.outline([row.segment for row in rows])
    segment_of = {one.sha256: row for row in rows for one in outline.get(row.segment, ())}
    found = []
    runs = groupby(
        records, key=lambda one: (one.to_confirm, getattr(segment_of.get(one.sha256), "segment", ""))
    )
    for (to_confirm, segment), members in runs:
        if not to_confirm:
            continue
        run = list(members)
        row = segment_of.get(run[0].sha256)
        whole = row is not None and len(outline[segment]) == len(run)
        found.append(
            HouseQuestion(
                photos=tuple(one.sha256 for one in run),
                segment=segment if whole else "",
                claim=claim,
                probability=min(one.claim_confidence for one in run),
                reasons=row.reasons if row and whole else run[0].claim_reasons,
                others=_nearest(rows, row, claim),
            )
        )
    return found


def _nearest(rows: Sequence[SegmentRow], here: SegmentRow | None, claim: ClaimId) -> tuple[ClaimId, ...]:
    """The other claims of these days, those beside the run first."""
    at = rows.index(here) if here in rows else 0
    ordered = sorted(enumerate(rows), key=lambda one: (abs(one[0] - at), one[0]))
    others = dict.fromkeys(row.claim for _, row in ordered if row.claim and row.claim != claim)
    return tuple(others)[:MOST_HOUSES]


# --- answers -----------------------------------------------------------------------------


def require_same(workspace: Workspace, claim: ClaimId, passed: frozenset[str], seen: str) -> Asked:
    """The step as it stands; raises ChangedError unless it is still the one that was `seen`."""
    asked = ask(workspace, claim, passed)
    if asked.mark != seen:
        latest = workspace.catalog.claims.decisions(Decision, claim=claim, in_force_only=False)
        who = f"{latest[-1].actor} changed claim {claim}" if latest else f"Claim {claim} changed"
        raise ChangedError([Change(subject=claim, message=f"{who} since this question was shown.")])
    return asked


def answer_house(
    workspace: Workspace, claim: ClaimId, passed: frozenset[str], seen: str, to: ClaimId | None
) -> list[int]:
    """State the house of the run of photos that was asked about; None is no claim. Returns the decision's number.

    Raises ChangedError for a question that is no longer the next one, BadInputError for a claim that cannot change.
    """
    with workspace.locked():
        step = require_same(workspace, claim, passed, seen).step
        if not isinstance(step, HouseQuestion):
            raise _no_such_answer()
        if step.segment and to is not None:
            return [placing.name(workspace, step.segment, to).decision]
        return [placing.move(workspace, step.photos, to).decision]


def answer_photo(
    workspace: Workspace, claim: ClaimId, passed: frozenset[str], seen: str, chosen: Mapping[Facet, str]
) -> list[int]:
    """State what the photo shows: as proposed, but for what was `chosen`. Returns the decision's number.

    The bag is only marked as outdated. Raises ChangedError as `answer_house` does, BadInputError for an unknown word
    or when an asked facet has no value.
    """
    with workspace.locked():
        step = require_same(workspace, claim, passed, seen).step
        if not isinstance(step, PhotoQuestion):
            raise _no_such_answer()
        require_open(workspace, {claim}, what="tags")
        words = {facet: known_word(workspace, facet, value) for facet, value in chosen.items() if value}
        stated: dict[Facet, str | None] = dict(answered(step, words))
        if missing := [one.facet.value for one in step.facets if one.facet not in stated]:
            raise BadInputError(
                f"Nothing is chosen for {' and '.join(missing)}.", "Choose it, or put the question off."
            )
        number, _ = state_facets(workspace, {step.photo: stated})
        return [number]


def answer_not_needed(
    workspace: Workspace,
    claim: ClaimId,
    passed: frozenset[str],
    seen: str,
    shots: Sequence[tuple[str, str]],
    why: str,
) -> list[int]:
    """Set these shots of the question aside for one reason; returns the decisions' numbers.

    The bag is only marked as outdated. Raises ChangedError as `answer_house` does, BadInputError for shots that the
    question is not about, or without a reason.
    """
    with workspace.locked():
        step = require_same(workspace, claim, passed, seen).step
        asked = {item.key for item in shots_of(step)}
        if not shots or not set(shots) <= asked:
            raise BadInputError("The question is not about that shot.", "Load the page again.")
        return set_aside(workspace, claim, shots, why=why)


def answer_stay(
    workspace: Workspace, claim: ClaimId, passed: frozenset[str], seen: str, stay: Sequence[Sha256]
) -> list[int]:
    """State which of the nearly equal photos stay in the report; at least one does. Returns the decision's number.

    Raises ChangedError as `answer_house` does.
    """
    with workspace.locked():
        step = require_same(workspace, claim, passed, seen).step
        if not isinstance(step, StayQuestion) or not set(stay) <= set(step.photos):
            raise _no_such_answer()
        if not stay:
            raise BadInputError("At least one of the photos has to stay.", "Choose one.")
        require_open(workspace, {claim})
        decision = LeaveOut(
            stay=tuple(sha for sha in step.photos if sha in stay),
            left_out=tuple(sha for sha in step.photos if sha not in stay),
        )
        with workspace.catalog.transaction():
            number = decide(workspace, decision, claim)
            workspace.catalog.mark_changed([claim])
            workspace.record(
                "compared", claim, decision=number, stay=list(decision.stay), left_out=list(decision.left_out)
            )
        return [number]


def answer_likeness(
    workspace: Workspace, claim: ClaimId, passed: frozenset[str], seen: str, answer: LikenessAnswer
) -> list[int]:
    """Store what the person says of the photo that may have served another claim. Returns the decision's number.

    Raises ChangedError as `answer_house` does, BadInputError for a claim that is signed or closed.
    """
    with workspace.locked():
        asked = require_same(workspace, claim, passed, seen)
        step = asked.step
        if not isinstance(step, LikenessQuestion):
            raise _no_such_answer()
        return [answer_found(workspace, claim, asked.used, step.photo, answer, seen=step.other).decision]


def shots_of(step: Question | Conclusion) -> tuple[Item, ...]:
    """The shots that may be set aside in answer to the question."""
    match step:
        case PhotoQuestion():
            return step.meets
        case NeedQuestion():
            return tuple(item for line in step.lines for item in line.items)
        case _:
            return ()


def _no_such_answer() -> BadInputError:
    return BadInputError("That is no answer to the question that stands now.", "Load the page again.")
