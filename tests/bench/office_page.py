"""Writes what the commands in docs/office.md print into the page anew: `python tests/bench/office_page.py DISKS DIR`.

DISKS is a folder on another disk than DIR. Both should have short names, so that the tables are not too wide. Read
the page afterwards: the sentences around the output are not checked by any program.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))
os.environ["PYTHON_KEYRING_BACKEND"] = "keyring.backends.null.Keyring"

from support_walkthrough import PAGE, PLACES, WHO, new_office, walked


def main(disks: Path, folder: Path) -> None:
    os.environ["LOGNAME"] = WHO
    places = {
        name: (disks if name.startswith("/media/") else folder) / name.rpartition("/")[2] for name in PLACES
    }
    page = PAGE.read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory(dir=folder) as work:
        office = new_office(Path(work), places)
        done = list(walked(office, page))
    for step, status, printed in reversed(done):
        page = page[: step.start] + printed + page[step.end :]
        print(status, step.command)
    PAGE.write_text(page, encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
