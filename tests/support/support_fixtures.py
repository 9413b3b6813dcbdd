"""Fixtures of the tests that run the whole program."""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path

import pytest
from support_intake import loaded_archive, small_houses, taken_in
from support_kept import KeptFolders


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


@pytest.fixture(scope="session")
def kept(tmp_path_factory):
    """Archives that several tests start from."""
    return KeptFolders(tmp_path_factory.mktemp("kept"))


@pytest.fixture(scope="session")
def _same_path(tmp_path_factory):
    return tmp_path_factory.mktemp("same")


@pytest.fixture
def same_path(_same_path):
    """An empty folder like `tmp_path`, at the same path for every test: for archives that know where their card is."""
    yield _same_path
    _empty(_same_path)


@pytest.fixture(scope="session")
def _other_root(tmp_path_factory):
    here = tmp_path_factory.getbasetemp().stat().st_dev
    for root in (Path("/dev/shm"), Path(tempfile.gettempdir()), Path("/var/tmp"), Path.home()):
        if root.is_dir() and root.stat().st_dev != here and os.access(root, os.W_OK):
            folder = Path(tempfile.mkdtemp(dir=root, prefix="evidence-test-"))
            yield folder
            shutil.rmtree(folder, ignore_errors=True)
            return
    yield None


@pytest.fixture
def other_disk(_other_root, monkeypatch):
    """An empty folder on another file system than the archive's, at the same path for every test; skips without one."""
    if _other_root is None:
        pytest.skip("this machine has one file system only")
    # A test cannot see whether a real disk was flushed, and each flush takes milliseconds.
    monkeypatch.setattr(os, "fsync", os.fstat)
    folder = _other_root / "disk"
    folder.mkdir()
    yield folder
    _empty(_other_root)


def _empty(folder: Path) -> None:
    for path in folder.rglob("*"):
        if path.is_dir() and not path.is_symlink():
            path.chmod(0o755)
    for path in folder.iterdir():
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink()
