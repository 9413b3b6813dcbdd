"""Fixtures that all tests share."""

from __future__ import annotations

import atexit
import gc
import multiprocessing.util
import os
import sys
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


@pytest.hookimpl(trylast=True)
def pytest_collection_finish() -> None:
    """Take what the modules and the list of tests consist of away from the collector, which would search it again and again."""
    gc.collect()
    gc.freeze()
    atexit.register(gc.unfreeze)


@pytest.hookimpl(tryfirst=True)
def pytest_sessionfinish() -> None:
    """Collect once at the end, for errors in finalizers. pytest goes through everything five times, which takes seconds."""
    gc.collect()
    gc.freeze()


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
