"""A real browser for the board's tests: a page for somebody who is logged in, and keys."""

from __future__ import annotations

import pytest
from support_board import served

from evidence.model import Duty

LAPTOP, PHONE = {"width": 1280, "height": 800}, {"width": 390, "height": 844}
WAIT_MS = 20_000


@pytest.fixture
def board(workspace):
    with served(workspace) as running:
        yield running


@pytest.fixture
def log_in(browser, board):
    """Opens a page, first the list of claims, for somebody who is logged in; any error or warning of the page fails the test."""
    contexts, problems = [], []

    def come_in(name="Rhea", duty=Duty.REVIEWER, size=LAPTOP, at="/", **options):
        context = browser.new_context(viewport=size, **options)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(WAIT_MS)
        page.on("pageerror", lambda error: problems.append(str(error)))
        page.on(
            "console", lambda line: problems.append(line.text) if "Content Security" in line.text else None
        )
        page.on("dialog", lambda dialog: problems.append(f"dialog: {dialog.message}"))
        name_of_cookie, value = board.session(name, duty)
        context.add_cookies([{"name": name_of_cookie, "value": value, "url": board.url}])
        page.goto(board.url + at)
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


CONTRAST = ("color-contrast", "link-in-text-block")
"""The rules of axe that look at colours; the others find the same in light and dark."""


def serious_findings(page, *rules):
    """What axe finds serious or critical on the page: the rule and the start of an element, of three for each rule.

    With `rules`, only these.
    """
    from axe_playwright_python.base import AXE_SCRIPT

    if not page.evaluate("() => 'axe' in window"):
        page.evaluate(AXE_SCRIPT)
    found = page.evaluate(
        """async (rules) => (await axe.run({resultTypes: ["violations"], ...(rules.length ? {runOnly: rules} : {})}))
            .violations.filter((one) => ["serious", "critical"].includes(one.impact))
            .flatMap((one) => one.nodes.slice(0, 3).map((node) => [one.id, node.html.slice(0, 160)]))""",
        list(rules),
    )
    return [tuple(one) for one in found]


def findings_in_light_and_dark(page):
    """What axe finds serious or critical on the page in light colours, then of its colours in dark ones."""
    found = serious_findings(page)
    page.emulate_media(color_scheme="dark")
    found += [("dark", *one) for one in serious_findings(page, *CONTRAST)]
    page.emulate_media(color_scheme="light")
    return found


def assert_fits(page, *sizes):
    """The page that is open does not scroll sideways in windows of these sizes; the last size stays."""
    for size in sizes:
        page.set_viewport_size(size)
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"], (page.url, size)
