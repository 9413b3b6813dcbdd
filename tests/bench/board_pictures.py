"""Takes the board's pictures in docs/pictures again: `python tests/bench/board_pictures.py ARCHIVE`.

ARCHIVE is the one that `python3 demo_photos` makes. Look at every picture before it is committed.
"""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "support"))

from playwright.sync_api import Browser, Page, sync_playwright  # noqa: E402
from support_board import served  # noqa: E402

from evidence.model import ClaimId, Duty, Facet, tag_value  # noqa: E402
from evidence.workspace import Workspace  # noqa: E402

CHROMIUM = "/usr/bin/chromium"
CLAIM = "HR26-004463"
QUESTION_CLAIM = "HR26-004508"
LAPTOP, PHONE = {"width": 1280, "height": 800}, {"width": 390, "height": 844}
QUALITY = 80
"""Of the JPEG files."""


def select(page: Page, many: int) -> None:
    """Select the first photos, as a reviewer does."""
    for number in range(many):
        page.locator("#grid .select-box").nth(number).click()


def at_full_size(page: Page) -> None:
    """The photo at 1:1 with the loupe, as a reviewer looks for hail."""
    page.wait_for_selector(".stage[data-ready]")
    page.keyboard.press("v")
    page.wait_for_function("() => document.querySelector('.stage').dataset.sharp === 'yes'")
    page.keyboard.press("g")
    page.wait_for_selector(".stage-loupe canvas")
    page.wait_for_load_state("networkidle")


def take(
    browser: Browser, url: str, link: str, size: dict[str, int], pages: dict[str, tuple[str, int]]
) -> None:
    """Log in and take each picture: name -> path of the page, and how many photos to select on it."""
    page = browser.new_page(viewport=size)  # type: ignore[arg-type]
    page.goto(link)
    page.locator("button.main").click()
    page.wait_for_url(url + "/")
    for name, (path, many) in pages.items():
        page.goto(url + path)
        page.wait_for_load_state("networkidle")
        select(page, many)
        if size == PHONE:
            page.locator("#grid .tile").first.scroll_into_view_if_needed()
        page.wait_for_load_state("networkidle")
        if "stage" in name:
            at_full_size(page)
        page.screenshot(path=ROOT / "docs" / "pictures" / f"{name}.jpg", type="jpeg", quality=QUALITY)
    page.close()


def main(archive: Path) -> None:
    with (
        Workspace(archive, actor="Tess") as workspace,
        served(workspace) as board,
        sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        roof = next(
            record.sha256
            for record in workspace.catalog.photos.of_claim(ClaimId(CLAIM))
            if tag_value(record.tags, Facet.ROLE) == "test_square"
        )
        pages = {
            "board_claims": ("/", 0),
            "board_proof": (f"/claim?number={CLAIM}", 0),
            "board_photos": (f"/photos?number={CLAIM}&show=guesses", 3),
            "board_stage": (f"/photo/{roof}", 0),
            "board_question": (f"/review?number={QUESTION_CLAIM}", 0),
            "board_house": (f"/house?number={CLAIM}", 0),
            "board_day": (f"/day?number={CLAIM}", 0),
        }
        take(browser, board.url, board.link("Tess", Duty.REVIEWER), LAPTOP, pages)
        phone = {"board_phone": (f"/photos?number={CLAIM}", 1)}
        take(browser, board.url, board.link("Tess", Duty.REVIEWER), PHONE, phone)
        browser.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
