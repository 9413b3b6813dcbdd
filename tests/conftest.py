"""Fixtures that all tests share."""

from __future__ import annotations

import atexit
import contextlib
import gc
import multiprocessing.util
import os
import sys
from collections.abc import Iterator
from pathlib import Path

import cv2
import pytest

cv2.setNumThreads(1)  # otherwise a child that the kill tests fork waits forever for OpenCV's threads

os.environ["PYTHON_KEYRING_BACKEND"] = (
    "keyring.backends.null.Keyring"  # never the keyring of who runs the tests
)

multiprocessing.util.get_temp_dir()  # now, before a test names a long temporary folder of its own

gc.set_threshold(50_000)  # as the program does: imports make many objects that stay

sys.path.insert(0, str(Path(__file__).parent / "support"))

pytest_plugins = ("support_fixtures", "support_postgres")

REPOSITORY = Path(__file__).parents[1]


@pytest.hookimpl(wrapper=True)
def pytest_collection(session: pytest.Session) -> Iterator[None]:
    """Have each worker import its share of the files first: else all of them compile the same file at the same time."""
    workers = int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1"))
    if workers > 1 and session.config.args_source is pytest.Config.ArgsSource.TESTPATHS:
        number = int(os.environ["PYTEST_XDIST_WORKER"].removeprefix("gw"))
        for path in sorted(Path(__file__).parent.rglob("test_*.py"))[number::workers]:
            with contextlib.suppress(pytest.Collector.CollectError):  # the collection says what is wrong
                pytest.Module.from_parent(session, path=path).obj  # noqa: B018
    return (yield)


@pytest.hookimpl(trylast=True)
def pytest_collection_finish() -> None:
    """Take what the modules and the list of tests consist of away from the collector, which would search it again and again."""
    gc.collect()
    gc.freeze()
    atexit.register(gc.unfreeze)


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Keep the tests of a folder together when their order is drawn: a process makes what they share once."""
    turns: dict[Path, int] = {}
    for item in items:
        turns.setdefault(item.path.parent, len(turns))
    items.sort(key=lambda item: turns[item.path.parent])


@pytest.fixture(scope="session")
def real_photos() -> Path:
    """Return the folder of real photographs beside the checkout; skips the test if it is missing."""
    folder = REPOSITORY.parent / "shared" / "real_photos"
    if not folder.is_dir():
        pytest.skip("no folder ../shared/real_photos beside this checkout")
    return folder
