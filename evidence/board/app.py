"""Builds the web application: routes, middleware, and error pages."""

from __future__ import annotations

import time
from collections.abc import AsyncIterator, Callable, Collection
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException
from starlette.middleware.trustedhost import TrustedHostMiddleware

from evidence.board import (
    actions,
    claim_pages,
    day_actions,
    house_page,
    likeness_pages,
    login,
    media,
    photo_pages,
    question_pages,
)
from evidence.board.background import BackgroundWorker
from evidence.board.context import FOLDER, Board, ForbiddenError, NotLoggedInError, board_of, redirect_local
from evidence.board.desk import actions as desk_actions
from evidence.board.desk import holding as desk_holding
from evidence.board.desk import pages as desk_pages
from evidence.board.desk import purging as desk_purging
from evidence.board.middleware import LOOPBACK_NAMES, SecurityMiddleware
from evidence.board.sessions import RateLimiter, SessionStore
from evidence.board.thumbnails import ThumbnailStore
from evidence.board.tiles import TileStore
from evidence.errors import BadInputError, EvidenceError, LockedError
from evidence.review.staleness import ChangedError
from evidence.workspace import Workspace

if TYPE_CHECKING:
    from evidence.board.monitoring.requests import RequestMetrics

_PAGES = (
    login,
    claim_pages,
    house_page,
    likeness_pages,
    photo_pages,
    question_pages,
    media,
    actions,
    day_actions,
)
_DESK = (desk_pages, desk_holding, desk_actions, desk_purging)


class _StaticFiles(StaticFiles):
    """The board's scripts and styles. Their URL changes with their content, so browsers may cache them."""

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
    metrics: RequestMetrics | None = None,
    watched: bool = False,
) -> FastAPI:
    """The web application over an open archive.

    `names` are host names that the board is reached by, besides those of this computer; `secure` says that it is
    reached by HTTPS; `background` starts the thread that updates bags and counts claims; `clock` gives the seconds by
    which sessions, links and waiting times end. `metrics` counts the requests, and `watched` writes a line of the log
    for each. Raises BadInputError for a name with a wildcard.
    """
    if any("*" in name for name in names):
        raise BadInputError("A host name of the board must not contain '*'.", "Give each name in full.")
    workspace.vocabulary  # noqa: B018 - loaded once, before threads share it
    board = Board(
        workspace=workspace,
        sessions=SessionStore(hours=workspace.settings.board.session_hours, secure=secure, clock=clock),
        rate_limiter=RateLimiter(clock=clock),
        thumbnails=ThumbnailStore(workspace),
        tiles=TileStore(workspace),
        worker=BackgroundWorker(workspace),
        secure=secure,
    )

    @asynccontextmanager
    async def running(_app: FastAPI) -> AsyncIterator[None]:
        if background:
            board.worker.start()
        yield
        board.jobs.close()
        board.worker.stop()
        board.thumbnails.close()
        board.tiles.close()

    app = FastAPI(title="Evidence board", docs_url=None, redoc_url=None, openapi_url=None, lifespan=running)
    app.state.board = board
    for part in (*_PAGES, *_DESK):
        app.router.routes += part.router.routes  # include_router makes each route anew: 80 ms
    app.mount("/static", _StaticFiles(directory=FOLDER / "static"))
    _explain_errors(app)
    # DNS rebinding: a page of an attacker's site, whose name now points to this computer, must not reach the board.
    app.add_middleware(TrustedHostMiddleware, allowed_hosts=[*LOOPBACK_NAMES, *names], www_redirect=False)
    app.add_middleware(SecurityMiddleware, secure=secure)  # runs before the others
    if metrics or watched:
        from evidence.board.monitoring.requests import RequestWatch  # noqa: PLC0415 - off by default

        app.add_middleware(RequestWatch, metrics=metrics)  # added last, so it runs first
    return app


def _explain_errors(app: FastAPI) -> None:
    @app.exception_handler(NotLoggedInError)
    def _not_logged_in(request: Request, _error: Exception) -> Response:
        if _wants_json(request):
            return JSONResponse({"message": "Your session has ended.", "hint": "Log in again."}, 401)
        path = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        return redirect_local(
            "/login" if request.method != "GET" or path == "/" else f"/login?back={_quoted(path)}"
        )

    @app.exception_handler(ForbiddenError)
    def _forbidden(request: Request, error: ForbiddenError) -> Response:
        return _error_response(request, 403, error.message, error.hint)

    @app.exception_handler(EvidenceError)
    def _evidence_error(request: Request, error: EvidenceError) -> Response:
        status = 409 if isinstance(error, ChangedError) else 423 if isinstance(error, LockedError) else 400
        return _error_response(request, status, error.message, error.hint)

    @app.exception_handler(RequestValidationError)
    def _invalid(request: Request, _error: Exception) -> Response:
        return _error_response(request, 400, "The request is not valid.", "Load the page again.")

    @app.exception_handler(HTTPException)
    def _http_error(request: Request, error: HTTPException) -> Response:
        messages = {404: "There is no such page.", 405: "This page does not accept that request."}
        return _error_response(
            request, error.status_code, messages.get(error.status_code, str(error.detail)), "Go back."
        )


def _wants_json(request: Request) -> bool:
    return "application/json" in request.headers.get("accept", "")


def _error_response(request: Request, status: int, message: str, hint: str) -> Response:
    if _wants_json(request):
        return JSONResponse({"message": message, "hint": hint}, status)
    return board_of(request).render("error.html", None, status, message=message, hint=hint)


def _quoted(path: str) -> str:
    return quote(path, safe="/")
