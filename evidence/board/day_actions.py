"""Requests that change the split of a day: boundaries between houses, and the claim of a house."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from fastapi import APIRouter, Depends
from fastapi.responses import Response

from evidence.board.actions import Short, act, known_photo
from evidence.board.context import CurrentUser, require_post
from evidence.board.permissions import Permission
from evidence.errors import counted
from evidence.lookup import UNASSIGNED, known_claim
from evidence.review import placing
from evidence.review.staleness import require_day

router = APIRouter()


def _act_on_day(user: CurrentUser, number: str, seen: str, back: str, work: Callable[[], str]) -> Response:
    """The same for a boundary; refused when somebody changed the day since the page was loaded (`seen`)."""

    def guarded() -> str:
        with user.workspace.locked():
            claim = None if number.casefold() == UNASSIGNED else known_claim(user.workspace, number)
            if seen:
                require_day(user.workspace, claim, seen)
            return work()

    return act(user, back, guarded)


Placer = Annotated[CurrentUser, Depends(require_post(Permission.PLACE))]


@router.post("/do/cut")
def cut(user: Placer, number: Short, photo: Short, seen: Short = "", back: Short = "/") -> Response:
    """Add a boundary before a photo."""

    def work() -> str:
        placing.cut(user.workspace, known_photo(user, photo))
        return "A new segment begins with that photo."

    return _act_on_day(user, number, seen, back, work)


@router.post("/do/join")
def join(user: Placer, number: Short, photo: Short, seen: Short = "", back: Short = "/") -> Response:
    """Remove the boundary before a photo."""

    def work() -> str:
        placing.join(user.workspace, known_photo(user, photo))
        return "The boundary is removed."

    return _act_on_day(user, number, seen, back, work)


@router.post("/do/shift")
def shift(
    user: Placer, number: Short, photo: Short, to: Short, seen: Short = "", back: Short = "/"
) -> Response:
    """Move the boundary before one photo to before another."""

    def work() -> str:
        done = placing.shift(user.workspace, known_photo(user, photo), known_photo(user, to))
        many = counted(done.photos, "photo goes", "photos go")
        return f"The boundary is moved: {many} to the other house."

    return _act_on_day(user, number, seen, back, work)


@router.post("/do/name")
def name(
    user: Placer, number: Short, segment: Short, claim: Short, seen: Short = "", back: Short = "/"
) -> Response:
    """State the claim of a segment; for one to confirm, that its claim is right."""

    def work() -> str:
        done = placing.name(user.workspace, segment, known_claim(user.workspace, claim))
        many = counted(done.photos, "photo is", "photos are")
        return f"Stated: {many} of claim {claim}."

    return _act_on_day(user, number, seen, back, work)
