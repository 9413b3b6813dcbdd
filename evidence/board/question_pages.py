"""Review by question: one question on a page, its answer, and the way on to the decision and the next claim."""

from __future__ import annotations

from typing import Annotated, Any, Literal
from urllib.parse import quote

from fastapi import APIRouter, Depends, Form
from fastapi.responses import HTMLResponse, Response

from evidence.board.claim_pages import obstacle_line, queue_of
from evidence.board.context import CurrentUser, redirect_local, require, require_post
from evidence.board.likeness_pages import side_of
from evidence.board.permissions import Permission
from evidence.board.question_words import facet_forms, question_title, shots_words
from evidence.board.visits import AnswerStep, Visit
from evidence.catalog.decisions import Decision, LikenessAnswer, SendBack, Sign
from evidence.coverage.to_shoot import SAFETY, still_to_shoot
from evidence.errors import BadInputError, EvidenceError
from evidence.lookup import UNASSIGNED, known_claim
from evidence.model import CHANGEABLE, ClaimId, ClaimState, Facet, Sha256
from evidence.questions.kinds import (
    USUAL_REASONS,
    Conclusion,
    HouseQuestion,
    LikenessQuestion,
    NeedQuestion,
    PhotoQuestion,
    StayQuestion,
)
from evidence.questions.order import open_questions
from evidence.review import questioning
from evidence.review import undo as undoing
from evidence.review.questioning import Asked
from evidence.review.signing import obstacles

router = APIRouter()

_SAID = {answer.value: answer for answer in LikenessAnswer}
STRIP = 24
"""Most small photos shown of a run whose house is asked."""

Reviewer = Annotated[CurrentUser, Depends(require(Permission.SIGN))]
Answering = Annotated[CurrentUser, Depends(require_post(Permission.SIGN))]
Short = Annotated[str, Form(max_length=300)]
Word = Annotated[str, Form(max_length=60)]


@router.get("/review")
def review_page(user: Reviewer, number: str, again: bool = False) -> HTMLResponse:
    """The next question about this claim; when none is left, the decision; after it, the way to the next claim.

    `again` asks about a claim that this person sent back.
    """
    claim = known_claim(user.workspace, number)
    row = user.workspace.catalog.claims.get(claim)
    assert row is not None
    visit = user.board.visits.of(user.session.id, claim)
    shared: dict[str, Any] = {
        "row": row,
        "number": claim,
        "steps": len(visit.steps),
        "next_claim": next_claim(user, claim),
    }
    if row.state not in CHANGEABLE or (not again and _sent_back_last(user, claim)):
        decisions = user.workspace.catalog.claims.decisions(Decision, claim=claim)
        last = next((one for one in reversed(decisions) if isinstance(one.decision, Sign | SendBack)), None)
        return user.render("review.html", kind="done", last=last, mine=_is_mine(user, last), **shared)
    asked = questioning.ask(user.workspace, claim, visit.passed)
    left = len(open_questions(asked.case))
    return user.render("review.html", asked=asked, left=left, **shared, **_details(user, asked))


def _sent_back_last(user: CurrentUser, claim: ClaimId) -> bool:
    """Whether this person sent the claim back as the last thing that anybody decided about it."""
    decisions = user.workspace.catalog.claims.decisions(Decision, claim=claim)
    last = decisions[-1] if decisions else None
    return last is not None and isinstance(last.decision, SendBack) and last.actor == user.name


def _is_mine(user: CurrentUser, last: Any) -> bool:
    return last is not None and last.actor == user.name


def next_claim(user: CurrentUser, claim: ClaimId) -> str:
    """The next claim to review in the list as this person last saw it, after the last the first; empty for none."""
    if after := queue_of(user, claim).next:
        return after
    rows = user.workspace.catalog.claims.of(user.session.queue)
    waiting = (one for one in user.session.queue if one in rows and rows[one].state is ClaimState.OPEN)
    return next((one for one in waiting if one != claim), "")


def _details(user: CurrentUser, asked: Asked) -> dict[str, Any]:
    """What the page of this step shows besides the question itself."""
    step, records = asked.step, asked.case.records
    vocabulary = user.workspace.vocabulary
    common = {
        "question": step,
        "records": records,
        "reasons": USUAL_REASONS,
        "shots_words": shots_words,
    }
    match step:
        case PhotoQuestion():
            record = records[step.photo]
            return common | {
                "kind": "photo",
                "record": record,
                "title": question_title(step, record, vocabulary),
                "forms": facet_forms(step, vocabulary, asked.case.supposition.shots),
            }
        case HouseQuestion():
            asked_about = (step.claim, *step.others)
            rows = user.workspace.catalog.claims.of(asked_about)
            return common | {
                "kind": "house",
                "record": records[step.photos[0]],
                "strip": [records[sha] for sha in step.photos[:STRIP]],
                "claims": [rows[one].claim for one in asked_about if one in rows],
            }
        case NeedQuestion():
            return common | {"kind": "need", "safety": asked.case.report.safety or SAFETY}
        case LikenessQuestion(photo=photo, other=other):
            left = side_of(user, photo, records.values())
            sides = (left,) if other == photo else (left, side_of(user, other))
            return common | {"kind": "likeness", "sides": sides}
        case StayQuestion():
            return common | {"kind": "stay"}
        case Conclusion():
            report = asked.case.report
            claim = asked.case.supposition.claim.claim
            return common | {
                "kind": "decide",
                "obstacles": [obstacle_line(claim, one) for one in obstacles(user.workspace, claim, report)],
                "to_shoot": still_to_shoot(report),
                "flags": report.flags,
            }


@router.post("/do/answer")
def answer(
    user: Answering,
    number: Short,
    do: Annotated[Literal["yes", "skip", "not-needed", "fine", "look_into", "undo"], Form()],
    seen: Short = "",
    face: Word = "",
    role: Word = "",
    component: Word = "",
    component_other: Word = "",
    condition: Word = "",
    count: Word = "",
    house: Short = "",
    stay: Annotated[list[str] | None, Form()] = None,
    shot: Annotated[list[str] | None, Form()] = None,
    why: Annotated[str, Form(max_length=500)] = "",
    own_why: Annotated[str, Form(max_length=500)] = "",
) -> Response:
    """Answer the question, by yes or by what is said of a likeness, put it off, set its shot aside, or undo the latest answer; then the next page."""
    claim = known_claim(user.workspace, number)
    visit = user.board.visits.of(user.session.id, claim)
    chosen = {
        Facet.FACE: face,
        Facet.ROLE: role,
        Facet.COMPONENT: component_other or component,
        Facet.CONDITION: condition,
        Facet.COUNT: count,
    }
    try:
        if do == "undo":
            _take_back(user, visit)
        elif do == "skip":
            asked = questioning.require_same(user.workspace, claim, visit.passed, seen)
            _pass(visit, asked)
        elif do == "not-needed":
            shots = [_shot(one) for one in shot or ()]
            reason = own_why.strip() or why
            numbers = questioning.answer_not_needed(user.workspace, claim, visit.passed, seen, shots, reason)
            visit.steps.append(AnswerStep(decisions=tuple(numbers)))
        elif do in _SAID:
            numbers = questioning.answer_likeness(user.workspace, claim, visit.passed, seen, _SAID[do])
            visit.steps.append(AnswerStep(decisions=tuple(numbers)))
        else:
            _yes(user, claim, visit, seen, chosen, house, [Sha256(sha) for sha in stay or ()])
    except EvidenceError as error:
        user.flash(str(error), "bad")
    user.board.worker.wake()
    return redirect_local(f"/review?number={quote(claim)}")


def _yes(
    user: CurrentUser,
    claim: ClaimId,
    visit: Visit,
    seen: str,
    chosen: dict[Facet, str],
    house: str,
    stay: list[Sha256],
) -> None:
    asked = questioning.require_same(user.workspace, claim, visit.passed, seen)
    here = (user.workspace, claim, visit.passed, seen)
    match asked.step:
        case PhotoQuestion():
            numbers = questioning.answer_photo(*here, chosen)
        case HouseQuestion(claim=guess):
            to = house or guess
            numbers = questioning.answer_house(
                *here, None if to == UNASSIGNED else known_claim(user.workspace, to)
            )
        case StayQuestion(proposed=proposed):
            numbers = questioning.answer_stay(*here, stay or [proposed])
        case NeedQuestion():
            _pass(visit, asked)
            return
        case LikenessQuestion():
            raise BadInputError("A likeness is fine, or somebody looks into it.", "Choose one of the two.")
        case Conclusion():
            raise BadInputError("No question is left.", "Decide.")
    visit.steps.append(AnswerStep(decisions=tuple(numbers)))


def _pass(visit: Visit, asked: Asked) -> None:
    """Ask this question no more during this visit."""
    step = asked.step
    if not isinstance(step, Conclusion):
        keys = step.key.split() if isinstance(step, NeedQuestion) else [step.key]
        visit.steps.append(AnswerStep(passed=frozenset(keys)))


def _take_back(user: CurrentUser, visit: Visit) -> None:
    """Undo the latest answer of this visit: its decisions, the last first, or that its question was put off."""
    if not visit.steps:
        raise BadInputError("You have no answer to undo here.", "Earlier changes are under History.")
    step = visit.steps[-1]
    for number in reversed(step.decisions):
        undoing.undo(user.workspace, number, others_too=False)
    visit.steps.pop()
    user.flash("Your last answer is undone.")


def _shot(text: str) -> tuple[str, str]:
    requirement, _, place = text.partition(":")
    return requirement, place
