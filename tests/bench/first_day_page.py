"""Writes what the commands in docs/first_day.md print into the page anew: `python tests/bench/first_day_page.py DISK DIR`.

DISK is a folder on another disk than DIR, an empty folder. Read the page afterwards.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))
os.environ["PYTHON_KEYRING_BACKEND"] = "keyring.backends.null.Keyring"

from support_first_day import FIRST_DAY, PLACES, walk


def main(disk: Path, folder: Path) -> None:
    places = {name: (disk if name == "/media/red" else folder) / name.rpartition("/")[2] for name in PLACES}
    (folder / "work").mkdir()
    os.chdir(folder / "work")
    page = FIRST_DAY.read_text(encoding="utf-8")
    for step, status, printed in reversed(list(walk(places, page))):
        page = page[: step.start] + printed + page[step.end :]
        print(status, step.command)
    FIRST_DAY.write_text(page, encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]).absolute(), Path(sys.argv[2]).absolute())
