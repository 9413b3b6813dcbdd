"""What a route gets: the running board, the person who is logged in, and what they may do."""

from __future__ import annotations

import functools
import hashlib
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse, RedirectResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from evidence.board import view_models
from evidence.board.background import BackgroundWorker
from evidence.board.jobs import JobRunner
from evidence.board.keys import grouped
from evidence.board.permissions import Permission, is_allowed
from evidence.board.sessions import RateLimiter, Session, SessionStore
from evidence.board.thumbnails import ThumbnailStore
from evidence.board.tiles import TileStore
from evidence.board.visits import VisitStore
from evidence.errors import visible
from evidence.model import Duty, Sha256
from evidence.office.people import verify_password
from evidence.plain_words import guess_percent
from evidence.workspace import Workspace

FOLDER = Path(__file__).parent
CLAIM_TABS = (
    ("proof", "/claim", "Proof", "P"),
    ("photos", "/photos", "Photos", "G"),
    ("day", "/day", "Day", "D"),
    ("duplicates", "/duplicates", "Duplicates", "U"),
    ("missing", "/missing", "Still to shoot", "M"),
    ("house", "/house", "House", "E"),
    ("history", "/history", "History", "H"),
)
"""The pages of a claim: name, path, words, key (as in `keys`)."""
DESK_TABS = (
    ("/desk", "Today"),
    ("/desk/claims", "Claims"),
    ("/desk/retention", "Retention"),
    ("/desk/holds", "Holds"),
    ("/desk/purges", "Purges"),
    ("/desk/targets", "Targets"),
    ("/desk/drills", "Drills"),
    ("/desk/people", "People"),
    ("/desk/log", "Log"),
)
"""The pages of the office's desk: path and words."""
DIGEST_PATTERN = r"^[0-9a-f]{64}$"


class NotLoggedInError(Exception):
    """The request has no valid session."""


class ForbiddenError(Exception):
    """The person lacks the permission, or the form token is not theirs."""

    def __init__(self, message: str, hint: str) -> None:
        self.message, self.hint = message, hint
        super().__init__(message)


def _visible(value: object) -> object:
    """The value as a page shows it: no text from a card can hide or reorder what stands beside it."""
    return visible(value) if type(value) is str else value


@functools.cache
def _templates() -> Environment:
    """The pages' templates, compiled once in a process; they depend on the program's own files alone."""
    environment = Environment(
        loader=FileSystemLoader(FOLDER / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        finalize=_visible,
        lstrip_blocks=True,
    )
    digest = hashlib.sha256()
    for path in sorted(path for path in (FOLDER / "static").rglob("*") if path.is_file()):
        digest.update(path.read_bytes())
    environment.globals["edition"] = digest.hexdigest()[:10]
    environment.globals["claim_tabs"] = CLAIM_TABS
    environment.globals["desk_tabs"] = DESK_TABS
    environment.globals["key_groups"] = grouped()
    environment.filters["day"] = view_models.day_words
    environment.filters["size"] = view_models.size_words
    environment.filters["clock"] = view_models.clock
    environment.filters["percent"] = view_models.percent
    environment.filters["guess_percent"] = guess_percent
    environment.filters["with_percent"] = view_models.with_percent
    return environment


@dataclass(kw_only=True)
class Board:
    """Everything that requests share."""

    workspace: Workspace
    sessions: SessionStore
    rate_limiter: RateLimiter
    thumbnails: ThumbnailStore
    tiles: TileStore
    worker: BackgroundWorker
    secure: bool
    visits: VisitStore = field(default_factory=VisitStore)
    jobs: JobRunner = field(default_factory=JobRunner)
    templates: Environment = field(default_factory=_templates)

    def render(
        self, template: str, user: CurrentUser | None, status: int = 200, **values: Any
    ) -> HTMLResponse:
        """Render a page, every value escaped, with the messages since the last page; each is shown once."""
        flashes = list(user.session.flashes) if user else []
        if user:
            user.session.flashes.clear()
        text = self.templates.get_template(template).render(
            user=user, flashes=flashes, bags_error=self.worker.last_error, **values
        )
        return HTMLResponse(text, status_code=status)


@dataclass(frozen=True, slots=True, kw_only=True)
class CurrentUser:
    """The person who is logged in, and the archive opened in their name."""

    board: Board
    session: Session
    workspace: Workspace

    @property
    def name(self) -> str:
        """The name they logged in with."""
        return self.session.name

    @property
    def duty(self) -> str:
        """Their duty, in words."""
        return view_models.DUTY_WORDS[self.session.duty]

    @property
    def token(self) -> str:
        """The CSRF token of their forms."""
        return self.session.token

    def can(self, permission: str) -> bool:
        """Whether they have the permission of that name; for templates."""
        return is_allowed(self.session.duty, Permission[permission])

    def render(self, template: str, status: int = 200, **values: Any) -> HTMLResponse:
        """Render a page for this person."""
        return self.board.render(template, self, status, **values)

    def flash(self, message: str, kind: str = "good") -> None:
        """Show this message on their next page."""
        self.session.flashes.append((kind, message))


def board_of(request: Request) -> Board:
    """The board that received the request."""
    board = request.app.state.board
    assert isinstance(board, Board)
    return board


def _current_user(request: Request) -> CurrentUser:
    board = board_of(request)
    session = board.sessions.find(request.cookies.get(board.sessions.cookie, ""))
    if session is None:
        raise NotLoggedInError
    person = board.workspace.catalog.users.get(session.name)
    if session.password:
        if person is None or person.password != session.password:
            board.sessions.end(session)
            raise NotLoggedInError
        session.duty = person.duty
    elif session.listed != (person is not None) or (person is not None and person.duty is not session.duty):
        board.sessions.end(session)
        raise NotLoggedInError
    workspace = board.workspace.acting_as(session.name, logged_in=bool(session.password), bags_follow=True)
    return CurrentUser(board=board, session=session, workspace=workspace)


def require(permission: Permission = Permission.LOOK) -> Callable[[Request], CurrentUser]:
    """A dependency for pages: the current user. Raises NotLoggedInError, ForbiddenError."""

    def current_user(request: Request) -> CurrentUser:
        found = _current_user(request)
        if not is_allowed(found.session.duty, permission):
            raise ForbiddenError(
                f"With the duty {found.duty} you may not {permission.value}.", "Ask the office."
            )
        return found

    return current_user


def require_post(permission: Permission = Permission.LOOK) -> Callable[[Request], Awaitable[CurrentUser]]:
    """A dependency for changes: the current user, with their CSRF token checked. Raises the same errors."""
    check = require(permission)

    async def current_user(request: Request) -> CurrentUser:
        token = request.headers.get("x-board-token", "")
        if not token and "form" in request.headers.get("content-type", ""):
            token = str((await request.form()).get("token", ""))
        found = _current_user(request)
        if not found.session.token_matches(token):
            raise ForbiddenError("The form is from another session.", "Load the page again.")
        return check(request)

    return current_user


def redirect_local(path: str) -> RedirectResponse:
    """Redirect to a page of this board; to the list of claims when `path` leads anywhere else."""
    return RedirectResponse(local_path(path), status_code=303)


def local_path(path: str) -> str:
    """The path, if it is one of this board; else that of the list of claims."""
    local = path.startswith("/") and not path.startswith("//") and path.isprintable() and "\\" not in path
    return path if local else "/"


def find_photo(user: CurrentUser, sha: str) -> Sha256 | None:
    """The digest, if the archive has that photo; else None."""
    found = user.workspace.catalog.photos.known([Sha256(sha)])
    return Sha256(sha) if found else None


def authenticate(board: Board, name: str, password: str) -> tuple[str, Duty, str] | None:
    """Name, duty and password hash of the person, or None when name or password is wrong."""
    person = verify_password(board.workspace, name, password)
    return (person.name, person.duty, person.password) if person else None
