"""The desk's pages on how long claims are kept: retention with its forecast, and holds, which are placed and lifted here."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Form
from fastapi.responses import HTMLResponse, Response

from evidence.board.actions import act
from evidence.board.context import CurrentUser, require, require_post
from evidence.board.desk.actions import require_password
from evidence.board.desk.retention_view import SHOW_WORDS, ShownVerdicts, due_words, retention_page
from evidence.board.permissions import Permission
from evidence.errors import counted
from evidence.lookup import known_claim
from evidence.model import HoldKind, HoldScope
from evidence.office.holds import ask_to_lift, holds_listed, lift_hold, place_hold
from evidence.office.rules import floor_requests
from evidence.plain_words import typed_date_or_none
from evidence.retention.holds import kind_words, scope_words

router = APIRouter()

Reader = Annotated[CurrentUser, Depends(require(Permission.DESK))]
Office = Annotated[CurrentUser, Depends(require_post(Permission.DESK))]
Short = Annotated[str, Form(max_length=300)]
Text = Annotated[str, Form(max_length=2000)]
LONGEST = 200
"""Most characters of a word to search for."""


@router.get("/desk/retention")
def retention(user: Reader, q: str = "", show: str = "all", page: int = 1) -> HTMLResponse:
    """Which claims are due, held or kept, and why; and how many become due in each year."""
    q = q[:LONGEST]
    chosen = ShownVerdicts(show) if show in {one.value for one in ShownVerdicts} else ShownVerdicts.ALL
    found = retention_page(user.workspace, search=q, show=chosen, page=page)
    return user.render(
        "desk/retention.html",
        desk_page="/desk/retention",
        retention=found,
        headline=due_words(found),
        shows=SHOW_WORDS,
        show=chosen,
        q=q,
        exceptions=[one for one in floor_requests(user.workspace) if not one.ended_by],
    )


@router.get("/desk/holds")
def holds(user: Reader, ended: bool = False) -> HTMLResponse:
    """Holds in force, or all of them."""
    found = holds_listed(user.workspace, ended_too=True)
    today = user.workspace.today()
    in_force = [
        one for one in found if one.hold.active and (one.hold.until is None or one.hold.until >= today)
    ]
    numbers = {one.hold.number for one in in_force}
    many = counted(len(in_force), "hold is", "holds are")
    return user.render(
        "desk/holds.html",
        desk_page="/desk/holds",
        holds=found[::-1] if ended else in_force[::-1],
        in_force=numbers,
        ended=len(found) - len(in_force),
        shows_ended=ended,
        headline=f"{many} in force" if in_force else "No hold is in force",
        kinds=[(kind.value, kind_words(kind)) for kind in HoldKind],
        kind_words=kind_words,
        scope_words=scope_words,
        today=today.isoformat(),
    )


def _scope(
    claim: Short = "",
    insured: Short = "",
    peril: Short = "",
    area: Short = "",
) -> HoldScope:
    return HoldScope(
        claim=claim.strip() or None,  # type: ignore[arg-type]
        insured=insured.strip(),
        peril=peril.strip(),
        area=tuple(filter(None, (one.strip() for one in area.split(",")))),
    )


@router.post("/do/desk/hold")
def place(
    user: Office,
    scope: Annotated[HoldScope, Depends(_scope)],
    kind: Annotated[HoldKind, Form()] = HoldKind.OWN,
    reason: Text = "",
    loss_from: Short = "",
    loss_to: Short = "",
    until: Short = "",
) -> Response:
    """Place a hold on a claim, an insured, a storm or a range of dates of loss."""

    def work() -> str:
        covers = HoldScope(
            claim=known_claim(user.workspace, scope.claim) if scope.claim else None,
            insured=scope.insured,
            peril=scope.peril,
            area=scope.area,
            first_loss=typed_date_or_none(loss_from or None),
            last_loss=typed_date_or_none(loss_to or None),
        )
        number = place_hold(
            user.workspace, covers, reason=reason.strip(), kind=kind, until=typed_date_or_none(until or None)
        )
        return f"Hold {number} is in force: {scope_words(covers)}."

    return act(user, "/desk/holds", work)


@router.post("/do/desk/ask-to-lift")
def ask(user: Office, hold: Annotated[int, Form()], reason: Text = "") -> Response:
    """Ask that a hold ends; it stays in force until another person agrees."""

    def work() -> str:
        ask_to_lift(user.workspace, hold, why=reason.strip())
        return f"Hold {hold} stays in force until another person agrees to lift it."

    return act(user, "/desk/holds", work)


@router.post("/do/desk/lift")
def lift(user: Office, hold: Annotated[int, Form()]) -> Response:
    """Agree to lift a hold that another person asked to lift; only somebody who logged in with a password can."""

    def work() -> str:
        require_password(user, "A hold is lifted")
        lift_hold(user.workspace, hold)
        return f"Hold {hold} is lifted."

    return act(user, "/desk/holds", work)
