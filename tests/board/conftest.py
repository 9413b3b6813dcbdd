"""Fixtures of the board's tests."""

from __future__ import annotations

import shutil

import pytest
from fastapi.testclient import TestClient
from support_board import PASSWORD, facet_value, four_sides, new_home, put_claim, put_photos

from evidence.board.app import make_app
from evidence.catalog.users import User
from evidence.model import Duty, Facet
from evidence.office.people import add_person
from evidence.workspace import Workspace

FACES = ("front", "right", "back", "left")


@pytest.fixture(scope="session")
def blank(tmp_path_factory):
    """An archive that asks for the four sides of a house and holds nothing, made once."""
    folder = tmp_path_factory.mktemp("blank")
    with new_home(folder) as made:
        four_sides(made)
        return made.root


@pytest.fixture
def workspace(blank, tmp_path):
    shutil.copytree(blank, tmp_path / "archive")
    with Workspace(tmp_path / "archive", actor="office clerk") as opened:
        yield opened


@pytest.fixture
def claim(workspace):
    """Claim BD-1 with six photos: three sides stated, the fourth guessed, two that say nothing."""
    put_claim(workspace, "BD-1", insured="Wilhelmina Ardenne", address="9 Cooper's Row")
    tags = {
        n: (facet_value(Facet.ROLE, "elevation"), facet_value(Facet.FACE, face))
        for n, face in enumerate(FACES[:3])
    }
    tags[3] = (
        facet_value(Facet.ROLE, "elevation", guess=0.84, reason="the usual walk"),
        facet_value(Facet.FACE, "left", guess=0.9),
    )
    return put_photos(workspace, "BD-1", 6, tags=tags)


class Clock:
    """Seconds that pass only when told to."""

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
def visit(app):
    """A client of somebody who came in by a link, its form token as `client.token`."""

    def come_in(name="Tess", duty=Duty.REVIEWER):
        client = TestClient(app, base_url="http://127.0.0.1:8765", follow_redirects=False)
        board = app.state.board
        session, cookie = board.sessions.start(name, duty)
        client.cookies.set(board.sessions.cookie, cookie)
        client.token = session.token
        return client

    return come_in


@pytest.fixture(scope="session")
def hashed(tmp_path_factory):
    """The password's hash, made once: it is slow on purpose."""
    with new_home(tmp_path_factory.mktemp("hashed")) as made:
        add_person(made, "Somebody", Duty.REVIEWER, PASSWORD)
        return made.catalog.users.get("Somebody").password


@pytest.fixture
def people(workspace, hashed):
    for name, duty in (("Rhea", Duty.REVIEWER), ("Adam", Duty.ADJUSTER), ("Olive", Duty.OFFICE)):
        workspace.catalog.users.put(User(name=name, duty=duty, password=hashed), at=workspace.now())
