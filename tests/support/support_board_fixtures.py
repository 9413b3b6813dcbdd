"""Fixtures of an archive that a reviewer works on, written straight into the catalog."""

from __future__ import annotations

import pytest
from support_board import facet_value, put_claim, put_photos
from support_copy import copy_tree

from evidence.model import Facet
from evidence.workspace import Workspace

FACES = ("front", "right", "back", "left")


@pytest.fixture
def workspace(blank, tmp_path):
    copy_tree(blank, tmp_path / "archive")
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


@pytest.fixture
def bagged(two_houses_archive, tmp_path):
    """A copy of that archive, opened."""
    copy_tree(two_houses_archive, tmp_path / "two_houses")
    with Workspace(tmp_path / "two_houses", actor="Tess") as opened:
        yield opened
