"""The page that shows a photo beside the photo of another claim that is the same file or alike, and takes the answer."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Depends, Form
from fastapi.responses import HTMLResponse, Response

from evidence.analysis.used_before import AlikeInClaim, Likeness, UsedBefore
from evidence.board.actions import Short, act, known_photo
from evidence.board.claim_pages import AnyUser, OpenedClaim, open_claim, queue_of
from evidence.board.context import CurrentUser, require_post
from evidence.board.permissions import Permission
from evidence.board.photo_pages import camera_rows, in_both
from evidence.board.view_models import day_words
from evidence.catalog.claims import ClaimRow
from evidence.catalog.decisions import AnswerLikeness, LikenessAnswer
from evidence.errors import BadInputError, counted
from evidence.lookup import known_claim
from evidence.model import PhotoRecord
from evidence.review import undo as undoing
from evidence.review.likeness import ANSWER_WORDS, answer_likeness, sentence_of

router = APIRouter()


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One of the two photos."""

    photo: PhotoRecord
    claim: ClaimRow | None
    """None for a photo of the tray."""
    cards: tuple[str, ...]
    """When, and at which path, its file was seen on cards."""


@router.get("/used-before")
def used_before_page(user: AnyUser, number: str, photo: str = "", other: str = "") -> HTMLResponse:
    """A photo of the claim beside the most alike photo of another claim: the first without an answer, or the given one."""
    view = open_claim(user, number)
    if view.row is None:
        raise BadInputError("Unassigned photos serve no claim yet.", "Open a claim instead.")
    one = _chosen(view.used, photo)
    if one is None:
        return user.render(
            "used_before.html", view=view, queue=queue_of(user, view.number), tab="used-before", one=None
        )
    shown = next((each for each in one.others if each.photo == other), one.nearest)
    left, right = side_of(user, one.photo, view.records), side_of(user, shown.photo)
    rows = [
        (name, first, second, first != second)
        for name, first, second in in_both(
            dict(camera_rows(user, left.photo)), dict(camera_rows(user, right.photo))
        )
    ]
    last = _my_last(user, view)
    return user.render(
        "used_before.html",
        view=view,
        queue=queue_of(user, view.number),
        tab="used-before",
        one=one,
        shown=shown,
        sides=(left,) if one.likeness is not Likeness.ALIKE else (left, right),
        other_claim=user.workspace.catalog.claims.get(shown.claim),
        words=_sentence(one, shown),
        rows=rows if one.likeness is Likeness.ALIKE else [],
        place=view.used.index(one) + 1,
        waiting=sum(each.answer is None for each in view.used),
        answer_words=ANSWER_WORDS,
        last=last,
    )


def _chosen(used: Sequence[UsedBefore], photo: str) -> UsedBefore | None:
    """The finding about that photo; else the first without an answer; else the first."""
    named = [one for one in used if one.photo == photo]
    waiting = [one for one in used if one.answer is None]
    return next(iter([*named, *waiting, *used]), None)


def side_of(user: CurrentUser, sha: str, known: Iterable[PhotoRecord] = ()) -> Side:
    """One of the two photos; its record is read unless it is among those that are `known`."""
    catalog = user.workspace.catalog
    digest = known_photo(user, sha)
    mine = [record for record in known if record.sha256 == digest]
    record = mine[0] if mine else catalog.photos.records([digest])[0]
    seen = catalog.photos.sightings([digest]).get(digest, [])
    runs = {one.intake: catalog.photos.intake(one.intake) for one in seen}
    cards = []
    for one in seen:
        run = runs[one.intake]
        at = run.started_at.astimezone() if run else None
        when = f"{day_words(at.date().isoformat())}, {at:%H:%M}" if at else one.intake
        cards.append(f"card of {when}: {one.card_path}")
    return Side(
        photo=record,
        claim=catalog.claims.get(record.claim) if record.claim else None,
        cards=tuple(cards),
    )


def _sentence(one: UsedBefore, shown: AlikeInClaim) -> str:
    """How alike and how common, for the photo that is shown beside it."""
    if one.likeness is not Likeness.ALIKE or shown == one.nearest:
        return sentence_of(one)
    far = f"differs from this photo of claim {shown.claim} in {shown.bits} of 64 bits"
    return f"{one.name} {far}; the nearest is of claim {one.nearest.claim}."


def _my_last(user: CurrentUser, view: OpenedClaim) -> int | None:
    """The number of this person's latest answer in the claim, for the undo key."""
    rows = user.workspace.catalog.claims.decisions(AnswerLikeness, claim=view.claim)
    mine = [row.number for row in rows if row.actor == user.name]
    return mine[-1] if mine else None


@router.post("/do/likeness")
def answer(
    user: Annotated[CurrentUser, Depends(require_post(Permission.TAG))],
    claim: Short,
    photo: Short,
    seen: Short,
    said: Annotated[LikenessAnswer, Form()],
) -> Response:
    """Store what the person says of a photo that may have served another claim; the next one is shown."""
    back = f"/used-before?number={quote(claim, safe='')}"

    def work() -> str:
        number = known_claim(user.workspace, claim)
        done = answer_likeness(
            user.workspace, number, known_photo(user, photo), said, seen=known_photo(user, seen)
        )
        left = f"{counted(done.left, 'photo is', 'photos are')} left." if done.left else "None is left."
        return f"Stored: {ANSWER_WORDS[said]}. {left}"

    return act(user, back, work)


@router.post("/do/undo-likeness")
def undo_answer(
    user: Annotated[CurrentUser, Depends(require_post(Permission.TAG))],
    claim: Short,
    number: Annotated[int, Form()],
) -> Response:
    """Undo an answer, and show its photo again."""
    row = user.workspace.catalog.claims.in_force(AnswerLikeness, number)
    shown = f"&photo={row.decision.photo}" if row else ""

    def work() -> str:
        undoing.undo(user.workspace, number, others_too=user.can("UNDO_OTHERS"))
        return "The answer is undone."

    return act(user, f"/used-before?number={quote(claim, safe='')}{shown}", work)
