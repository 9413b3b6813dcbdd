"""Fixtures of the tests that run the whole program.

They import what they need when they run: the process that only hands the tests out loads this file too.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from pathlib import Path

import pytest
from support_copy import copy_tree
from support_kept import KeptFolders

BROWSERS = ("chromium-headless-shell", "chromium")
"""The shell is the same engine without windows: it opens a page in half the time."""
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--in-process-gpu",
]


@contextlib.contextmanager
def _looking_by(looking, drilling, others):
    """How an intake, a drill, and the board and a report look at photos."""
    from evidence.board import thumbnails, tiles
    from evidence.filing import drill
    from evidence.intake import describe
    from evidence.paper import report_pictures

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(describe, "Looking", looking)
        patch.setattr(drill, "LookProcess", drilling)
        for place in (thumbnails, tiles, report_pictures):
            patch.setattr(place, "LookProcess", others)
        yield


@pytest.fixture(scope="session", autouse=True)
def _seen_once(tmp_path_factory):
    """The program in a process of tests starts no others to look, and an intake or a drill analyses the same photo once.

    Most tests take in the same few drawn photos, and what is seen on them proves nothing there.
    """
    from support_seen import LookHere, SeenProcess, looking, share_in

    of_this_process = tmp_path_factory.getbasetemp()
    share_in((of_this_process.parent if "PYTEST_XDIST_WORKER" in os.environ else of_this_process) / "seen")
    with _looking_by(looking, SeenProcess, LookHere):
        yield


@pytest.fixture
def look_processes(_seen_once):
    """The program looks at each photo in processes of their own, as for a user."""
    from evidence.sight.batch import Looking, LookProcess

    with _looking_by(Looking, LookProcess, LookProcess):
        yield


@pytest.fixture(scope="session")
def browser():
    """A browser for all tests of this process; a test opens a context of its own."""
    found = next(filter(None, map(shutil.which, BROWSERS)), None)
    if found is None:
        if os.environ.get("CI") == "true":
            pytest.fail("no browser is installed, and here it is not optional")
        pytest.skip("no browser is installed")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=found, args=ARGUMENTS)
        yield opened
        opened.close()


@pytest.fixture(scope="session")
def kept_server():
    """A web server that serves the boards of the browser's tests, one after the other, at one address."""
    from support_browser import KeptServer

    with KeptServer().running() as server:
        yield server


@pytest.fixture(scope="session")
def kept_pages():
    """Pages of that browser that no test uses just now, by the options of their contexts."""
    return {}


@pytest.fixture(scope="session")
def blank(tmp_path_factory):
    """An archive that asks for the four sides of a house and holds nothing, made once; not to be changed."""
    from support_board import four_sides, new_archive

    with new_archive(tmp_path_factory.mktemp("blank")) as made:
        four_sides(made)
        return made.root


@pytest.fixture(scope="session")
def two_houses_archive(tmp_path_factory):
    """Two houses of six photos each, taken in from a card: the originals are in their bags; not to be changed."""
    from support_card import two_houses
    from support_cli import cli, make_archive

    folder = tmp_path_factory.mktemp("two_houses")
    archive = make_archive(folder)
    (archive / "evidence.toml").write_text(
        "[intake]\nworkers = 1\nread_writing = false\nscene_kinds = false\n", encoding="utf-8"
    )
    card = two_houses(folder / "card")
    assert cli("intake", card.root, archive=archive).status in {0, 1}
    return archive


@pytest.fixture(scope="session")
def furnished_archive(tmp_path_factory):
    """The folder of a furnished archive, made once; not to be changed."""
    from support_board import new_archive
    from support_desk import furnish

    with new_archive(tmp_path_factory.mktemp("desk")) as made:
        furnish(made)
        return made.root


@pytest.fixture(scope="session")
def two_houses_taken_in(tmp_path_factory):
    """An archive into which a card of two houses was taken, and the card; not to be changed: copy it."""
    from support_intake import loaded_archive, small_houses, taken_in

    folder = tmp_path_factory.mktemp("taken-in")
    archive = loaded_archive(folder)
    card = small_houses(folder / "card")
    report = taken_in(archive, card.root)
    assert report.kept == 9
    return archive, card


@pytest.fixture
def houses(two_houses_taken_in, tmp_path):
    """A copy of that archive, to be changed."""
    copy_tree(two_houses_taken_in[0], tmp_path / "archive")
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


@pytest.fixture(scope="module")
def plain_certificates():
    """In a whole file of tests, certificates as bytes of their text: setting a page takes most of a purge's time."""
    from evidence.paper import certificate_page

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(certificate_page, "certificate_pdf", lambda one: repr(one).encode())
        yield


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
    for path in folder.iterdir():
        if not path.is_dir() or path.is_symlink():
            path.unlink()
            continue
        shutil.rmtree(path, ignore_errors=True)
        if path.exists():  # a test took somebody's permission away
            for each in (path, *path.rglob("*")):
                if each.is_dir() and not each.is_symlink():
                    each.chmod(0o755)
            shutil.rmtree(path, ignore_errors=True)
