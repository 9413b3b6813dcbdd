"""Log in with a name and password or with a single-use link; log out."""

from __future__ import annotations

import math
from typing import Annotated

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from evidence.board.context import Board, CurrentUser, authenticate, board_of, redirect_local, require_post
from evidence.board.sessions import Session
from evidence.errors import counted

router = APIRouter()

Text = Annotated[str, Form(max_length=300)]


@router.get("/login")
def login_page(request: Request, back: str = "/") -> HTMLResponse:
    """The login form."""
    return _form(board_of(request), back=back)


@router.post("/login")
def log_in(
    request: Request, name: Text = "", password: Text = "", token: Text = "", back: Text = "/"
) -> Response:
    """Log in; slowed down after repeated failures."""
    board = board_of(request)
    if not board.sessions.form_token_matches(request.cookies.get(board.sessions.form_cookie, ""), token):
        return _form(
            board, back=back, error="The login form has expired. Enter name and password again.", status=403
        )
    keys = (f"name {name.strip().casefold()}", f"address {request.client.host if request.client else ''}")
    if wait := board.rate_limiter.retry_after_s(*keys):
        minutes = math.ceil(wait / 60)
        message = f"Too many failed logins. Try again in {counted(minutes, 'minute')}."
        return _form(
            board, back=back, error=message, status=429, headers={"retry-after": str(math.ceil(wait))}
        )
    # Counted before the slow password check, so that parallel attempts are counted too.
    board.rate_limiter.record_failure(*keys)
    found = authenticate(board, name, password)
    if found is None:
        board.workspace.acting_as("board").record("entry_refused", name.strip()[:100] or "no name")
        return _form(
            board,
            back=back,
            name=name,
            error="Name or password is wrong. Check both and try again.",
            status=401,
        )
    board.rate_limiter.reset(*keys)
    person, duty, hashed = found
    session, cookie = board.sessions.start(person, duty, password=hashed)
    return _logged_in(board, session, cookie, "password", back)


@router.get("/link/{secret}")
def link_page(request: Request, secret: str) -> HTMLResponse:
    """Ask to confirm the login: a link that a mail or chat program fetches for a preview stays unused."""
    board = board_of(request)
    if not board.sessions.link_is_valid(secret):
        return _form(
            board,
            back="/",
            status=403,
            error="This link was used or has expired. Start the board again to get a new one.",
        )
    cookie, token = board.sessions.new_form_token()
    page = board.render("login_link.html", None, secret=secret, token=token)
    _set(board, page, board.sessions.form_cookie, cookie, 3600)
    return page


@router.post("/link")
def link(request: Request, secret: Text = "", token: Text = "") -> Response:
    """Log in with a link; the link is used up."""
    board = board_of(request)
    genuine = board.sessions.form_token_matches(request.cookies.get(board.sessions.form_cookie, ""), token)
    owner = board.sessions.redeem_link(secret) if genuine else None
    if owner is None:
        return _form(
            board,
            back="/",
            error="This link was used or has expired. Start the board again to get a new one.",
            status=403,
        )
    name, duty = owner
    person = board.workspace.catalog.users.get(name)
    session, cookie = board.sessions.start(name, person.duty if person else duty, listed=person is not None)
    return _logged_in(board, session, cookie, "link", "/")


@router.post("/logout")
def log_out(user: Annotated[CurrentUser, Depends(require_post())]) -> RedirectResponse:
    """End the session."""
    board = user.board
    board.sessions.end(user.session)
    user.workspace.record("left_the_board", user.name)
    out = RedirectResponse("/login", status_code=303)
    out.delete_cookie(board.sessions.cookie, path="/", secure=board.secure, httponly=True, samesite="strict")
    return out


def _logged_in(board: Board, session: Session, cookie: str, how: str, back: str) -> RedirectResponse:
    board.workspace.acting_as(session.name).record(
        "entered_the_board", session.name, by=how, duty=session.duty.value
    )
    out = redirect_local(back)
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
