"""Takes the pictures of the office's desk in docs/pictures again: `python tests/bench/desk_pictures.py DISK`.

DISK is an empty folder on another disk than the temporary folder's. Look at every picture before it is committed.
"""

from __future__ import annotations

import random
import sys
import tempfile
from datetime import date, timedelta
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "support"))

from playwright.sync_api import sync_playwright  # noqa: E402
from support_board import PASSWORD, four_sides, new_archive, put_claim, put_photos, served  # noqa: E402
from support_desk import furnish  # noqa: E402

from evidence.board.desk.purges import plans  # noqa: E402
from evidence.catalog.decisions import Close  # noqa: E402
from evidence.model import ClaimId, ClaimState, Duty  # noqa: E402
from evidence.office.people import add_person  # noqa: E402
from evidence.workspace import Workspace  # noqa: E402

CHROMIUM = "/usr/bin/chromium"
LAPTOP, PHONE = {"width": 1280, "height": 800}, {"width": 390, "height": 844}
QUALITY = 80
"""Of the JPEG files."""
STORMS = 46
"""Claims of three storms, closed over seven years."""


def add_storms(workspace: Workspace) -> None:
    """Closed claims, so that the forecast has something to show."""
    chance = random.Random(3)
    today = workspace.now().astimezone().date()
    for n in range(STORMS):
        number = ClaimId(f"OD-{3000 + n}")
        put_claim(workspace, number, insured=f"Insured {n + 1}", address=f"{n + 1} Storm Row")
        put_photos(workspace, number, chance.randrange(4, 12), name=f"S{n}", originals=False)
        storm = today.year - (6, 4, 2)[n % 3]
        on = min(date(storm, 6, 1) + timedelta(days=chance.randrange(500)), today)
        with workspace.catalog.transaction():
            workspace.catalog.claims.record(Close(on=on), claim=number, at=workspace.now(), actor="Olive")
            workspace.catalog.claims.set_state(number, ClaimState.CLOSED, closed_on=on)


def main(disk: Path) -> None:
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        made = new_archive(Path(folder))
        four_sides(made)
        workspace = furnish(made, disk)
        add_storms(workspace)
        for name in ("Olive", "Ann Example"):
            add_person(workspace, name, Duty.OFFICE, PASSWORD)
        pages = {
            "desk_today": ("/desk", LAPTOP),
            "desk_retention": ("/desk/retention", LAPTOP),
            "desk_purge": (plans(workspace)[0].path, LAPTOP),
            "desk_phone": ("/desk", PHONE),
        }
        with served(workspace) as board:
            browser = playwright.chromium.launch(
                executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"]
            )
            page = browser.new_page()
            page.goto(f"{board.url}/login")
            page.fill("#name", "Olive")
            page.fill("#password", PASSWORD)
            page.click("button.main")
            page.wait_for_url(board.url + "/")
            for name, (path, size) in pages.items():
                page.set_viewport_size(size)  # type: ignore[arg-type]
                page.goto(board.url + path)
                place = ROOT / "docs" / "pictures" / f"{name}.jpg"
                page.screenshot(path=place, type="jpeg", quality=QUALITY)
            browser.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
