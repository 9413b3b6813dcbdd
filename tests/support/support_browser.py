"""A real browser for the board's tests: a page for somebody who is logged in, and keys."""

from __future__ import annotations

import asyncio
import contextlib
import functools
import threading

import pytest
from fastapi.responses import PlainTextResponse, Response
from support_board import Served

from evidence.board.app import make_app
from evidence.board.server import BoardServer, bind, make_config
from evidence.model import Duty

LAPTOP, PHONE = {"width": 1280, "height": 800}, {"width": 390, "height": 844}
WAIT_MS = 20_000


class KeptServer:
    """A web server of this process that serves the boards of the tests, one after the other, at one address.

    Another port is another origin: for each, the browser starts another process, and fetches and compiles the board's
    scripts and styles again.
    """

    def __init__(self):
        self._app = None
        self._requests = 0
        self._ended = asyncio.Event()

    @contextlib.contextmanager
    def running(self):
        """Open the port."""
        config = make_config(self)
        listening = bind(config)
        self._url = f"http://127.0.0.1:{listening.getsockname()[1]}"
        started = threading.Event()

        def begin():
            self._loop = asyncio.get_running_loop()
            started.set()

        server = BoardServer(config, on_listening=begin)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        assert started.wait(30)
        try:
            yield self
        finally:
            server.should_exit = True
            thread.join(30)

    @contextlib.contextmanager
    def serving(self, workspace):
        """The board over this archive. At its end it leaves the bags as they are: `test_bags` looks at those."""
        app = make_app(workspace, background=False)
        app.state.board.worker.update_bags = lambda: None
        lifespan = app.router.lifespan_context(app)
        self._run(lifespan.__aenter__())
        self._app = app
        try:
            yield Served(self._url, app)
        finally:
            self._run(self._leave(lifespan))

    def _run(self, work):
        asyncio.run_coroutine_threadsafe(work, self._loop).result(30)

    async def _leave(self, lifespan):
        self._app = None
        if self._requests:
            self._ended.clear()
            await self._ended.wait()
        await lifespan.__aexit__(None, None, None)

    async def __call__(self, scope, receive, send):
        """One request (ASGI), for the board of the test that runs; between two tests there is none."""
        if scope["type"] == "lifespan":
            return
        if scope["path"] == AXE:
            await _axe()(scope, receive, send)
            return
        if (app := self._app) is None:
            await PlainTextResponse("No test runs.", 503)(scope, receive, send)
            return
        self._requests += 1
        try:
            await app(scope, receive, send)
        finally:
            self._requests -= 1
            if not self._requests:
                self._ended.set()


AXE = "/axe.js"
"""Where the server of the tests has axe: a browser keeps a script from an address, compiled."""


@functools.cache
def _axe():
    from axe_playwright_python.base import AXE_SCRIPT

    return Response(f"{AXE_SCRIPT}\n{WITHOUT_LESSER_RULES}", media_type="text/javascript", headers=KEPT)


KEPT = {"cache-control": "max-age=31536000, immutable"}
LOAD = """(address) => new Promise((go, fail) => {
    const script = document.createElement("script");
    Object.assign(script, { src: address, onload: go, onerror: fail });
    document.head.append(script);
    script.remove();
})"""


@pytest.fixture
def board(kept_server, workspace):
    with kept_server.serving(workspace) as running:
        yield running


class KeptPage:
    """A page in a context of its own, which tests use one after the other, and the problems that it told of.

    A test finds no storage and no cookie of another. The browser's cache it may find: what the board lets a browser keep
    has a digest in its address, of its content or of the photo that it was made from.
    """

    def __init__(self, browser, options):
        self.context = browser.new_context(**options)
        self.page = self.context.new_page()
        self.problems = []
        self.page.set_default_timeout(WAIT_MS)
        self.page.on("pageerror", lambda error: self.problems.append(str(error)))
        self.page.on("console", self._hear)
        self.page.on("dialog", lambda dialog: self.problems.append(f"dialog: {dialog.message}"))

    def _hear(self, line):
        if "Content Security" in line.text:
            self.problems.append(line.text)

    def told(self):
        """The problems of the test that ends."""
        found, self.problems = self.problems, []
        return found

    def emptied(self):
        """Prepare the page for the next test; False for one that cannot be."""
        from playwright.sync_api import Error

        try:
            self.page.mouse.move(-1, -1)
            self.page.evaluate("() => { localStorage.clear(); sessionStorage.clear(); }")
            self.context.clear_cookies()
        except Error:
            return False
        return True


@pytest.fixture
def log_in(request, browser, board, kept_pages):
    """Opens a page, first the list of claims, for somebody who is logged in; any error or warning of the page fails the test.

    The page was perhaps another test's; with `own` it is a new one, which no other test gets. Without `at` it opens nothing.
    """
    used = []

    def come_in(name="Rhea", duty=Duty.REVIEWER, size=LAPTOP, at="/", *, own=False, **options):
        free = kept_pages.setdefault(tuple(sorted(options.items())), [])
        kept = free.pop() if free and not own else KeptPage(browser, options)
        used.append((None if own or "java_script_enabled" in options else free, kept))
        page = kept.page
        page.set_viewport_size(size)
        name_of_cookie, value = board.session(name, duty)
        kept.context.add_cookies([{"name": name_of_cookie, "value": value, "url": board.url}])
        if at is not None:
            page.goto(board.url + at)
        return page

    failed = request.session.testsfailed
    yield come_in
    problems = []
    for free, kept in used:
        found = kept.told()
        problems += found
        if free is not None and not found and request.session.testsfailed == failed and kept.emptied():
            free.append(kept)
        else:
            kept.context.close()
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


WITHOUT_LESSER_RULES = """axe.configure({rules: axe._audit.rules
    .filter((one) => ["minor", "moderate"].includes(one.impact)).map((one) => ({id: one.id, enabled: false}))})"""
"""Turns off the rules whose findings are never serious: a third of all rules, and a tenth of the time."""

CONTRAST = ("color-contrast", "link-in-text-block")
"""The rules of axe that look at colours; the others find the same in light and dark."""


def serious_findings(page, *rules):
    """What axe finds serious or critical on the page: the rule and the start of an element, of three for each rule.

    With `rules`, only these.
    """
    if not page.evaluate("() => 'axe' in window"):
        page.evaluate(LOAD, AXE)
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
