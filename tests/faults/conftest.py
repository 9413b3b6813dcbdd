"""Makes the modules of this folder importable by its tests."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

if not sys.platform.startswith("linux"):
    collect_ignore_glob = ["test_*.py"]  # the trials fork, and find an open file's name in /proc
