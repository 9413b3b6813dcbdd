"""Fixtures of an archive that a reviewer works on, written straight into the catalog."""

from __future__ import annotations

import shutil

import pytest
from support_board import facet_value, four_sides, new_archive, put_claim, put_photos
from support_card import two_houses
from support_cli import cli, make_archive

from evidence.model import Facet
from evidence.workspace import Workspace

FACES = ("front", "right", "back", "left")


@pytest.fixture(scope="session")
def blank(tmp_path_factory):
    """An archive that asks for the four sides of a house and holds nothing, made once."""
    folder = tmp_path_factory.mktemp("blank")
    with new_archive(folder) as made:
        four_sides(made)
        return made.root


@pytest.fixture
def workspace(blank, tmp_path):
    shutil.copytree(blank, tmp_path / "archive")
    with Workspace(tmp_path / "archive", actor="office clerk") as opened:
        yield opened


@pytest.fixture
def claim(workspace):
    """Claim BD-1 with six photos: three sides stated, the fourth guessed, two without tags."""
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
