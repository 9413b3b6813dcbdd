"""Counts a reviewer's keys, clicks and seconds from opening a claim to its decision.

    python tests/bench/counted_visit.py ARCHIVE [CLAIM...] [--by questions|pages] [--record]

ARCHIVE is the one that the demo makes; each visit works on a copy. Without CLAIM the demo's two incomplete ones.
`--by pages` visits the proof table and the photos instead of the questions. `--record` writes the claims' data for
tests/board/test_counted_visit.py.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "support"))

from playwright.sync_api import sync_playwright  # noqa: E402
from support_board import served  # noqa: E402
from support_visit import record_claims, visit_by_pages, visit_by_question, watch_clicks  # noqa: E402

from evidence.model import Duty  # noqa: E402
from evidence.workspace import Workspace  # noqa: E402

CHROMIUM = "/usr/bin/chromium"
INCOMPLETE = ["HR26-004463", "HR26-004508"]
VISITS = {"questions": visit_by_question, "pages": visit_by_pages}


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("archive", type=Path)
    options.add_argument("claims", nargs="*", default=INCOMPLETE)
    options.add_argument("--by", choices=VISITS, default="questions")
    options.add_argument("--record", action="store_true")
    given = options.parse_args()
    if given.record:
        with Workspace(given.archive, actor="bench") as workspace:
            record_claims(workspace, given.claims)
        return
    for claim in given.claims:
        with tempfile.TemporaryDirectory() as folder:
            copy = Path(folder) / "archive"
            shutil.copytree(given.archive, copy)
            _visit(copy, claim, given.by)


def _visit(archive: Path, claim: str, by: str) -> None:
    with (
        Workspace(archive, actor="Tess") as workspace,
        served(workspace) as board,
        sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        watch_clicks(page)
        page.goto(board.link("Tess", Duty.REVIEWER))
        page.keyboard.press("Tab")
        page.locator("button.main").press("Enter")
        page.wait_for_url(board.url + "/")
        visit = VISITS[by](page, claim)
        print(
            f"{claim} by {by}: {visit.keys} keys, {visit.clicks} clicks, {visit.seconds:.1f} s, "
            f"{len(visit.answers)} pages: {visit.answers[-1:] or ''}",
            flush=True,
        )
        browser.close()


if __name__ == "__main__":
    main()
