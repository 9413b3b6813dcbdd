"""Fixtures of the board's tests."""

from __future__ import annotations

import shutil

import pytest
from fastapi.testclient import TestClient
from support_board import PASSWORD, new_archive
from support_board_fixtures import blank, claim, workspace
from support_card import two_houses
from support_cli import cli, make_archive

from evidence.board.app import make_app
from evidence.catalog.users import User
from evidence.model import Duty
from evidence.office.people import add_person
from evidence.workspace import Workspace

__all__ = ["blank", "claim", "workspace"]  # fixtures of other rooms, too


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
        session, cookie = board.sessions.start(name, duty)
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


@pytest.fixture(scope="session")
def two_houses_archive(tmp_path_factory):
    """Two houses of six photos each, taken in from a card: the originals are in their bags."""
    folder = tmp_path_factory.mktemp("two_houses")
    archive = make_archive(folder)
    (archive / "evidence.toml").write_text(
        "[intake]\nworkers = 1\nread_writing = false\nscene_kinds = false\n", encoding="utf-8"
    )
    card = two_houses(folder / "card")
    assert cli("intake", card.root, archive=archive).status in {0, 1}
    return archive


@pytest.fixture
def bagged(two_houses_archive, tmp_path):
    """A copy of that archive, opened."""
    shutil.copytree(two_houses_archive, tmp_path / "two_houses")
    with Workspace(tmp_path / "two_houses", actor="Tess") as opened:
        yield opened
