"""The running board: the archive it shows, who is inside, and how a request is joined to a person."""

from __future__ import annotations

import hashlib
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse, RedirectResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from evidence.board import shown
from evidence.board.background import Follower
from evidence.board.pictures import Pictures
from evidence.board.rights import Right, may
from evidence.board.sessions import Door, Patience, Session
from evidence.model import Duty, Sha256
from evidence.office.people import proven
from evidence.workspace import Workspace

HERE = Path(__file__).parent
DIGEST_PATTERN = r"^[0-9a-f]{64}$"


class NotInsideError(Exception):
    """Nobody is known by this request's cookie."""


class NotAllowedError(Exception):
    """The person is known, and this is not theirs to do; or the form is not one of theirs."""

    def __init__(self, words: str) -> None:
        self.words = words
        super().__init__(words)


def _pages() -> Environment:
    pages = Environment(
        loader=FileSystemLoader(HERE / "pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    digest = hashlib.sha256()
    for path in sorted((HERE / "static").iterdir()):
        digest.update(path.read_bytes())
    pages.globals["edition"] = digest.hexdigest()[:10]
    pages.filters["day"] = shown.day_words
    pages.filters["clock"] = shown.clock
    pages.filters["percent"] = shown.percent
    return pages


@dataclass(kw_only=True)
class Board:
    """What every request shares."""

    workspace: Workspace
    door: Door
    patience: Patience
    pictures: Pictures
    follower: Follower
    secure: bool
    pages: Environment = field(default_factory=_pages)

    def page(self, template: str, visitor: Visitor | None, status: int = 200, **values: Any) -> HTMLResponse:
        """A page, everything in it escaped; what was said since the last one is told once."""
        said = list(visitor.session.said) if visitor else []
        if visitor:
            visitor.session.said.clear()
        text = self.pages.get_template(template).render(
            me=visitor, said=said, lagging=self.follower.trouble, **values
        )
        return HTMLResponse(text, status_code=status)


@dataclass(frozen=True, slots=True, kw_only=True)
class Visitor:
    """A person at the board, and the archive with them at work."""

    board: Board
    session: Session
    workspace: Workspace

    @property
    def name(self) -> str:
        """Who it is."""
        return self.session.name

    @property
    def duty(self) -> str:
        """Their duty in words."""
        return shown.DUTY_WORDS[self.session.duty]

    @property
    def token(self) -> str:
        """What their forms carry."""
        return self.session.token

    def may(self, right: str) -> bool:
        """Whether they have the right of that name, as templates ask."""
        return may(self.session.duty, Right[right])

    def page(self, template: str, status: int = 200, **values: Any) -> HTMLResponse:
        """A page for them."""
        return self.board.page(template, self, status, **values)

    def tell(self, words: str, kind: str = "good") -> None:
        """Say this on their next page."""
        self.session.said.append((kind, words))


def board_of(request: Request) -> Board:
    """The board that the request came to."""
    board = request.app.state.board
    assert isinstance(board, Board)
    return board


def _visitor(request: Request) -> Visitor:
    board = board_of(request)
    session = board.door.known(request.cookies.get(board.door.cookie, ""))
    if session is None:
        raise NotInsideError
    if session.password:
        person = board.workspace.catalog.users.get(session.name)
        if person is None or person.password != session.password:
            board.door.let_out(session)
            raise NotInsideError
        session.duty = person.duty
    return Visitor(board=board, session=session, workspace=board.workspace.acting_as(session.name))


def looks(right: Right = Right.LOOK) -> Callable[[Request], Visitor]:
    """A dependency of pages: the visitor, if they have the right."""

    def visitor(request: Request) -> Visitor:
        found = _visitor(request)
        if not may(found.session.duty, right):
            raise NotAllowedError(f"To {right.value} is not for the {found.duty}.")
        return found

    return visitor


def sends(right: Right = Right.LOOK) -> Callable[[Request], Awaitable[Visitor]]:
    """A dependency of everything that changes something: the visitor, their right, and their form's token."""
    look = looks(right)

    async def visitor(request: Request) -> Visitor:
        token = request.headers.get("x-board-token", "")
        if not token and "form" in request.headers.get("content-type", ""):
            token = str((await request.form()).get("token", ""))
        found = _visitor(request)
        if not found.session.proves(token):
            raise NotAllowedError("That form is not from a page of this visit. Load the page again.")
        return look(request)

    return visitor


def home_again(path: str) -> RedirectResponse:
    """Go on at a page of this board, whatever the form says."""
    fine = path.startswith("/") and not path.startswith("//") and path.isprintable() and "\\" not in path
    return RedirectResponse(path if fine else "/", status_code=303)


def known_digest(visitor: Visitor, sha: str) -> Sha256 | None:
    """The photo of that digest if the archive keeps it."""
    found = visitor.workspace.catalog.photos.known([Sha256(sha)])
    return Sha256(sha) if found else None


def check_password(board: Board, name: str, password: str) -> tuple[str, Duty, str] | None:
    """Name, duty and password hash of whoever proves to be that person."""
    person = proven(board.workspace, name, password)
    return (person.name, person.duty, person.password) if person else None
