"""Fixtures that all tests share."""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import pytest

cv2.setNumThreads(1)  # otherwise a child that the kill tests fork waits forever for OpenCV's threads

sys.path.insert(0, str(Path(__file__).parent / "support"))

pytest_plugins = ("support_fixtures",)

REPOSITORY = Path(__file__).parents[1]


@pytest.fixture(scope="session")
def real_photos() -> Path:
    """Return the folder of real photographs beside the checkout; skips the test if it is missing."""
    folder = REPOSITORY.parent / "shared" / "real_photos"
    if not folder.is_dir():
        pytest.skip("no folder ../shared/real_photos beside this checkout")
    return folder
