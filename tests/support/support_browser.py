"""A real browser for the board's tests: a page for somebody who is logged in, and keys."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from support_board import served

from evidence.model import Duty

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
LAPTOP, PHONE = {"width": 1280, "height": 800}, {"width": 390, "height": 844}
WAIT_MS = 20_000


@pytest.fixture(scope="module")
def browser():
    if not Path(CHROMIUM).exists():
        if os.environ.get("CI") == "true":
            pytest.fail(f"no browser at {CHROMIUM}, and here it is not optional")
        pytest.skip(f"no browser at {CHROMIUM}")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield opened
        opened.close()


@pytest.fixture
def board(workspace):
    with served(workspace) as running:
        yield running


@pytest.fixture
def log_in(browser, board):
    """Opens a page for somebody, let in by a link; any error or warning of the page fails the test."""
    contexts, problems = [], []

    def come_in(name="Rhea", duty=Duty.REVIEWER, size=LAPTOP, **options):
        context = browser.new_context(viewport=size, **options)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(WAIT_MS)
        page.on("pageerror", lambda error: problems.append(str(error)))
        page.on(
            "console", lambda line: problems.append(line.text) if "Content Security" in line.text else None
        )
        page.on("dialog", lambda dialog: problems.append(f"dialog: {dialog.message}"))
        page.goto(board.link(name, duty))
        page.locator("button.main").press("Enter")
        page.wait_for_url(board.url + "/")
        return page

    yield come_in
    for context in contexts:
        context.close()
    assert problems == []


def press(page, *keys):
    for key in keys:
        page.keyboard.press(key)


def tab_to(page, selector, most=60):
    """Tab until the focus is on what fits; so it can be reached by keyboard at all."""
    for _ in range(most):
        if page.evaluate("s => document.activeElement && document.activeElement.matches(s)", selector):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"no way by keyboard to {selector}")


def settled(page):
    page.wait_for_function("() => (document.getElementById('panel').dataset.waiting || '0') === '0'")


def serious_findings(page):
    """What axe finds serious or critical on the page: the rule and the start of an element, of three for each rule."""
    from axe_playwright_python.base import AXE_SCRIPT

    page.evaluate(AXE_SCRIPT)
    found = page.evaluate(
        """async () => (await axe.run({resultTypes: ["violations"]})).violations
            .filter((one) => ["serious", "critical"].includes(one.impact))
            .flatMap((one) => one.nodes.slice(0, 3).map((node) => [one.id, node.html.slice(0, 160)]))"""
    )
    return [tuple(one) for one in found]
