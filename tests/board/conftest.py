"""Fixtures of the board's tests."""

from __future__ import annotations

import pytest
from fastapi.testclient import TestClient
from support_board import PASSWORD, new_archive
from support_board_fixtures import bagged, claim, workspace

from evidence.board.app import make_app
from evidence.catalog.users import User
from evidence.model import Duty
from evidence.office.people import add_person

__all__ = ["bagged", "claim", "workspace"]  # fixtures of other rooms, too


class Clock:
    """A clock that a test sets."""

    def __init__(self) -> None:
        self.now = 1_000_000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def app(workspace, clock):
    return make_app(workspace, background=False, clock=clock)


@pytest.fixture
def logged_in(app):
    """A client that is logged in by a link, its form token as `client.token`."""

    def log_in(name="Tess", duty=Duty.REVIEWER):
        client = TestClient(app, base_url="http://127.0.0.1:8765", follow_redirects=False)
        board = app.state.board
        listed = board.workspace.catalog.users.get(name) is not None
        session, cookie = board.sessions.start(name, duty, listed=listed)
        client.cookies.set(board.sessions.cookie, cookie)
        client.token = session.token
        return client

    return log_in


@pytest.fixture(scope="session")
def hashed(tmp_path_factory):
    """The password's hash, made once: it is slow on purpose."""
    with new_archive(tmp_path_factory.mktemp("hashed")) as made:
        add_person(made, "Somebody", Duty.REVIEWER, PASSWORD)
        return made.catalog.users.get("Somebody").password


@pytest.fixture
def people(workspace, hashed):
    for name, duty in (("Rhea", Duty.REVIEWER), ("Adam", Duty.ADJUSTER), ("Olive", Duty.OFFICE)):
        workspace.catalog.users.put(User(name=name, duty=duty, password=hashed), at=workspace.now())
