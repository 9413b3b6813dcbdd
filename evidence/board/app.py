"""Puts the board together: routes, guard, errors in plain words."""

from __future__ import annotations

import time
from collections.abc import AsyncIterator, Callable, Collection
from contextlib import asynccontextmanager
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException

from evidence.board import actions, claim_pages, login, photo_pages
from evidence.board.background import BackgroundWorker
from evidence.board.context import FOLDER, Board, ForbiddenError, NotLoggedInError, board_of, redirect_inside
from evidence.board.middleware import LOOPBACK_NAMES, SecurityMiddleware
from evidence.board.sessions import RateLimiter, SessionStore
from evidence.board.thumbnails import ThumbnailStore
from evidence.errors import EvidenceError, LockedError
from evidence.review.staleness import ChangedError
from evidence.workspace import Workspace


class _Files(StaticFiles):
    """The board's own scripts and styles; their address names their edition, so they may be kept."""

    def file_response(self, *args: Any, **kwargs: Any) -> Response:
        response = super().file_response(*args, **kwargs)
        response.headers["cache-control"] = "public, max-age=31536000, immutable"
        return response


def make_app(
    workspace: Workspace,
    *,
    names: Collection[str] = (),
    secure: bool = False,
    background: bool = True,
    clock: Callable[[], float] = time.time,
) -> FastAPI:
    """The board over an open archive.

    `names` are host names it goes by besides those of this computer's own; `secure` when it is reached by HTTPS;
    `follow` whether bags catch up and claims are counted in the background; `clock` in seconds, for visits, links
    and waits.
    """
    workspace.vocabulary  # noqa: B018 - read once, before threads share it
    board = Board(
        workspace=workspace,
        sessions=SessionStore(hours=workspace.settings.board.session_hours, secure=secure, clock=clock),
        rate_limiter=RateLimiter(clock=clock),
        thumbnails=ThumbnailStore(workspace),
        worker=BackgroundWorker(workspace),
        secure=secure,
    )

    @asynccontextmanager
    async def running(_app: FastAPI) -> AsyncIterator[None]:
        if background:
            board.worker.start()
        yield
        board.worker.stop()

    app = FastAPI(title="Evidence board", docs_url=None, redoc_url=None, openapi_url=None, lifespan=running)
    app.state.board = board
    for part in (login, claim_pages, photo_pages, actions):
        app.include_router(part.router)
    app.mount("/static", _Files(directory=FOLDER / "static"))
    _explain_errors(app)
    app.add_middleware(SecurityMiddleware, hosts={*LOOPBACK_NAMES, *names}, secure=secure)
    return app


def _explain_errors(app: FastAPI) -> None:
    @app.exception_handler(NotLoggedInError)
    def _not_logged_in(request: Request, _error: Exception) -> Response:
        if _scripted(request):
            return JSONResponse({"message": "Your visit is over.", "hint": "Come in again."}, 401)
        path = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        return redirect_inside(
            "/login" if request.method != "GET" or path == "/" else f"/login?back={_quoted(path)}"
        )

    @app.exception_handler(ForbiddenError)
    def _forbidden(request: Request, error: ForbiddenError) -> Response:
        return _told(request, 403, error.words, "")

    @app.exception_handler(EvidenceError)
    def _trouble(request: Request, error: EvidenceError) -> Response:
        status = 409 if isinstance(error, ChangedError) else 423 if isinstance(error, LockedError) else 400
        return _told(request, status, error.message, error.hint)

    @app.exception_handler(RequestValidationError)
    def _unfit(request: Request, _error: Exception) -> Response:
        return _told(request, 400, "That is not something this board sends.", "Load the page again.")

    @app.exception_handler(HTTPException)
    def _http(request: Request, error: HTTPException) -> Response:
        words = {404: "There is nothing here.", 405: "That is not done here."}
        return _told(request, error.status_code, words.get(error.status_code, str(error.detail)), "")


def _scripted(request: Request) -> bool:
    return "application/json" in request.headers.get("accept", "")


def _told(request: Request, status: int, message: str, hint: str) -> Response:
    if _scripted(request):
        return JSONResponse({"message": message, "hint": hint}, status)
    return board_of(request).render("error.html", None, status, message=message, hint=hint)


def _quoted(path: str) -> str:
    from urllib.parse import quote  # noqa: PLC0415 - only here

    return quote(path, safe="/")
