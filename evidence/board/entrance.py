"""Coming in: by a name and password, or once by a printed link."""

from __future__ import annotations

import math
from typing import Annotated

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from evidence.board.sessions import Session
from evidence.board.state import Board, Visitor, board_of, check_password, home_again, sends

router = APIRouter()

Text = Annotated[str, Form(max_length=300)]


@router.get("/enter")
def enter_page(request: Request, back: str = "/") -> HTMLResponse:
    """Where name and password are asked for."""
    return _form(board_of(request), back=back)


@router.post("/enter")
def enter(
    request: Request, name: Text = "", password: Text = "", token: Text = "", back: Text = "/"
) -> Response:
    """Lets in whoever proves who they are; after some failures only later."""
    board = board_of(request)
    if not board.door.guest_proves(request.cookies.get(board.door.guest_cookie, ""), token):
        return _form(board, back=back, trouble="That form was too old. Try it again.", status=403)
    who = (f"name {name.strip().casefold()}", f"address {request.client.host if request.client else ''}")
    if wait := board.patience.wait_s(*who):
        minutes = math.ceil(wait / 60)
        told = f"Too many wrong attempts. Try again in {minutes} {'minute' if minutes == 1 else 'minutes'}."
        return _form(
            board, back=back, trouble=told, status=429, headers={"retry-after": str(math.ceil(wait))}
        )
    board.patience.failed(*who)  # counted before the slow check, so that attempts side by side count too
    found = check_password(board, name, password)
    if found is None:
        board.workspace.acting_as("board").record("entry_refused", name.strip()[:100] or "no name")
        return _form(board, back=back, name=name, trouble="Name and password do not go together.", status=401)
    board.patience.forgive(*who)
    person, duty, hashed = found
    session, cookie = board.door.let_in(person, duty, password=hashed)
    return _inside(board, session, cookie, "password", back)


@router.get("/link/{secret}")
def link_page(request: Request, secret: str) -> HTMLResponse:
    """Asks for one press: a link that is only looked at ahead of time is not used up."""
    board = board_of(request)
    if not board.door.link_waits(secret):
        return _form(
            board,
            back="/",
            status=403,
            trouble="That link is used up or too old. Start the board again for a new one.",
        )
    cookie, token = board.door.guest_pair()
    page = board.page("link.html", None, secret=secret, token=token)
    _set(board, page, board.door.guest_cookie, cookie, 3600)
    return page


@router.post("/link")
def link(request: Request, secret: Text = "", token: Text = "") -> Response:
    """Lets in the one the link was made for, once."""
    board = board_of(request)
    proves = board.door.guest_proves(request.cookies.get(board.door.guest_cookie, ""), token)
    used = board.door.use_link(secret) if proves else None
    if used is None:
        return _form(board, back="/", trouble="That link is used up or too old.", status=403)
    session, cookie = board.door.let_in(*used)
    return _inside(board, session, cookie, "link", "/")


@router.post("/leave")
def leave(visitor: Annotated[Visitor, Depends(sends())]) -> RedirectResponse:
    """The visit is over."""
    board = visitor.board
    board.door.let_out(visitor.session)
    visitor.workspace.record("left_the_board", visitor.name)
    out = RedirectResponse("/enter", status_code=303)
    out.delete_cookie(board.door.cookie, path="/", secure=board.secure, httponly=True, samesite="strict")
    return out


def _inside(board: Board, session: Session, cookie: str, how: str, back: str) -> RedirectResponse:
    board.workspace.acting_as(session.name).record(
        "entered_the_board", session.name, by=how, duty=session.duty.value
    )
    out = home_again(back)
    _set(board, out, board.door.cookie, cookie, board.door.seconds)
    out.delete_cookie(
        board.door.guest_cookie, path="/", secure=board.secure, httponly=True, samesite="strict"
    )
    return out


def _form(
    board: Board,
    *,
    back: str,
    name: str = "",
    trouble: str = "",
    status: int = 200,
    headers: dict[str, str] | None = None,
) -> HTMLResponse:
    cookie, token = board.door.guest_pair()
    page = board.page("enter.html", None, status, back=back, name=name, trouble=trouble, token=token)
    page.headers.update(headers or {})
    _set(board, page, board.door.guest_cookie, cookie, 3600)
    return page


def _set(board: Board, response: Response, name: str, value: str, seconds: int) -> None:
    response.set_cookie(
        name, value, max_age=seconds, path="/", httponly=True, samesite="strict", secure=board.secure
    )
