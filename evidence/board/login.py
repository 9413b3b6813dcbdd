"""Coming in: by a name and password, or once by a printed link."""

from __future__ import annotations

import math
from typing import Annotated

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from evidence.board.context import Board, CurrentUser, authenticate, board_of, redirect_inside, require_post
from evidence.board.sessions import Session

router = APIRouter()

Text = Annotated[str, Form(max_length=300)]


@router.get("/login")
def login_page(request: Request, back: str = "/") -> HTMLResponse:
    """Where name and password are asked for."""
    return _form(board_of(request), back=back)


@router.post("/login")
def log_in(
    request: Request, name: Text = "", password: Text = "", token: Text = "", back: Text = "/"
) -> Response:
    """Lets in whoever proves who they are; after some failures only later."""
    board = board_of(request)
    if not board.sessions.form_token_matches(request.cookies.get(board.sessions.form_cookie, ""), token):
        return _form(board, back=back, error="That form was too old. Try it again.", status=403)
    who = (f"name {name.strip().casefold()}", f"address {request.client.host if request.client else ''}")
    if wait := board.rate_limiter.retry_after_s(*who):
        minutes = math.ceil(wait / 60)
        told = f"Too many wrong attempts. Try again in {minutes} {'minute' if minutes == 1 else 'minutes'}."
        return _form(board, back=back, error=told, status=429, headers={"retry-after": str(math.ceil(wait))})
    board.rate_limiter.record_failure(
        *who
    )  # counted before the slow check, so that attempts side by side count too
    found = authenticate(board, name, password)
    if found is None:
        board.workspace.acting_as("board").record("entry_refused", name.strip()[:100] or "no name")
        return _form(board, back=back, name=name, error="Name and password do not go together.", status=401)
    board.rate_limiter.reset(*who)
    person, duty, hashed = found
    session, cookie = board.sessions.start(person, duty, password=hashed)
    return _inside(board, session, cookie, "password", back)


@router.get("/link/{secret}")
def link_page(request: Request, secret: str) -> HTMLResponse:
    """Asks for one press: a link that is only looked at ahead of time is not used up."""
    board = board_of(request)
    if not board.sessions.link_is_valid(secret):
        return _form(
            board,
            back="/",
            status=403,
            error="That link is used up or too old. Start the board again for a new one.",
        )
    cookie, token = board.sessions.new_form_token()
    page = board.render("login_link.html", None, secret=secret, token=token)
    _set(board, page, board.sessions.form_cookie, cookie, 3600)
    return page


@router.post("/link")
def link(request: Request, secret: Text = "", token: Text = "") -> Response:
    """Lets in the one the link was made for, once."""
    board = board_of(request)
    proves = board.sessions.form_token_matches(request.cookies.get(board.sessions.form_cookie, ""), token)
    used = board.sessions.redeem_link(secret) if proves else None
    if used is None:
        return _form(board, back="/", error="That link is used up or too old.", status=403)
    session, cookie = board.sessions.start(*used)
    return _inside(board, session, cookie, "link", "/")


@router.post("/logout")
def log_out(user: Annotated[CurrentUser, Depends(require_post())]) -> RedirectResponse:
    """The visit is over."""
    board = user.board
    board.sessions.end(user.session)
    user.workspace.record("left_the_board", user.name)
    out = RedirectResponse("/login", status_code=303)
    out.delete_cookie(board.sessions.cookie, path="/", secure=board.secure, httponly=True, samesite="strict")
    return out


def _inside(board: Board, session: Session, cookie: str, how: str, back: str) -> RedirectResponse:
    board.workspace.acting_as(session.name).record(
        "entered_the_board", session.name, by=how, duty=session.duty.value
    )
    out = redirect_inside(back)
    _set(board, out, board.sessions.cookie, cookie, board.sessions.seconds)
    out.delete_cookie(
        board.sessions.form_cookie, path="/", secure=board.secure, httponly=True, samesite="strict"
    )
    return out


def _form(
    board: Board,
    *,
    back: str,
    name: str = "",
    error: str = "",
    status: int = 200,
    headers: dict[str, str] | None = None,
) -> HTMLResponse:
    cookie, token = board.sessions.new_form_token()
    page = board.render("login.html", None, status, back=back, name=name, error=error, token=token)
    page.headers.update(headers or {})
    _set(board, page, board.sessions.form_cookie, cookie, 3600)
    return page


def _set(board: Board, response: Response, name: str, value: str, seconds: int) -> None:
    response.set_cookie(
        name, value, max_age=seconds, path="/", httponly=True, samesite="strict", secure=board.secure
    )
