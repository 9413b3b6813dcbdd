"""`python3 demo_photos`: sets up, draws a camera card, and runs the usual commands on it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

from bootstrap import prepared  # noqa: E402

if __name__ == "__main__":
    python = prepared("demo")
    sys.exit(subprocess.run([str(python), str(HERE / "tour.py"), *sys.argv[1:]], check=False).returncode)
