"""Makes the modules of this folder importable by its tests, and a bench for the trials of all of them."""

from __future__ import annotations

import ctypes
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

if not sys.platform.startswith("linux"):
    collect_ignore_glob = ["test_*.py"]  # the trials fork, and find an open file's name in /proc


@pytest.fixture(scope="session")
def _cold_bench():
    from fault_trials import cold_bench

    with cold_bench() as made:
        yield made


@pytest.fixture(scope="module")
def here(_cold_bench):
    """The bench, whose prepared scenarios all tests of a process share."""
    from fault_worlds import warm

    # A fork takes twice as long with the memory that earlier tests left; not every C library can give it back.
    getattr(ctypes.CDLL(None), "malloc_trim", lambda _pad: 0)(0)
    with warm():
        yield _cold_bench
