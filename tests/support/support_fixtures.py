"""Fixtures of the tests that run the whole program."""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path

import pytest
from support_intake import loaded_archive, small_houses, taken_in


@pytest.fixture(scope="session")
def two_houses_taken_in(tmp_path_factory):
    """An archive into which a card of two houses was taken, and the card; not to be changed: copy it."""
    folder = tmp_path_factory.mktemp("taken-in")
    archive = loaded_archive(folder)
    card = small_houses(folder / "card")
    report = taken_in(archive, card.root)
    assert report.kept == 9
    return archive, card


@pytest.fixture
def houses(two_houses_taken_in, tmp_path):
    """A copy of that archive, to be changed."""
    shutil.copytree(two_houses_taken_in[0], tmp_path / "archive", symlinks=True)
    return tmp_path / "archive"


@pytest.fixture
def other_disk(tmp_path):
    """A folder on another file system than the archive's; skips where there is none."""
    here = tmp_path.stat().st_dev
    for root in (Path("/dev/shm"), Path(tempfile.gettempdir()), Path("/var/tmp"), Path.home()):
        if root.is_dir() and root.stat().st_dev != here and os.access(root, os.W_OK):
            folder = Path(tempfile.mkdtemp(dir=root, prefix="evidence-test-"))
            yield folder
            for path in folder.rglob("*"):
                if path.is_dir():
                    path.chmod(0o755)
            shutil.rmtree(folder, ignore_errors=True)
            return
    pytest.skip("this machine has one file system only")
