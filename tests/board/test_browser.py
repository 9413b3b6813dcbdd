"""The board in a real browser: a reviewer's work by keyboard, two at once, hostile text, sizes, phone, axe."""

from __future__ import annotations

import re

import pytest
from support_board import START, facet_value, put_claim, put_photos
from support_browser import (
    LAPTOP,
    PHONE,
    assert_fits,
    board,
    findings_in_light_and_dark,
    log_in,
    press,
    serious_findings,
    settled,
    tab_to,
)

from evidence.model import ClaimId, ClaimState, Duty, Facet

__all__ = ["board", "log_in"]  # fixtures of other files, too


@pytest.fixture
def photos(workspace):
    """Claim BD-1: three sides stated, the fourth guessed, and two photos without tags."""
    put_claim(workspace, "BD-1", insured="Wilhelmina Ardenne", address="9 Cooper's Row")
    tags = {
        n: (facet_value(Facet.ROLE, "elevation"), facet_value(Facet.FACE, face))
        for n, face in enumerate(("front", "right", "back"))
    }
    tags[3] = (facet_value(Facet.ROLE, "elevation", guess=0.84), facet_value(Facet.FACE, "left", guess=0.9))
    return put_photos(workspace, "BD-1", 6, tags=tags, pictures=True)


def pills(page, sha):
    return page.locator(f'[data-sha="{sha}"] .pill').all_inner_texts()


def stated(workspace, sha):
    tags = workspace.catalog.photos.records([sha])[0].tags
    return {facet.value: value.value for facet, value in tags.items() if value.stated}


def test_a_reviewer_who_logs_in_by_a_link_works_through_a_claim_by_keyboard(log_in, board, workspace, photos):
    page = log_in(at=None)
    page.context.clear_cookies()
    page.goto(board.link("Rhea"))
    page.locator("button.main").press("Enter")
    page.wait_for_url(board.url + "/")
    tab_to(page, ".claim-row a")
    press(page, "Enter")
    page.wait_for_url("**/claim?number=BD-1")
    assert "3 of 4 required shots are shown, 1 only by a guess." in page.inner_text(".verdict")
    # a sign-off that would rest on a guess is not offered: a list of links says what stands in the way
    assert page.locator("form[action='/do/sign']").count() == 0
    press(page, "O", "Tab")
    assert page.locator(":focus").inner_text() == "Whole elevation (left elevation) is only guessed"
    # the link leads to the photo behind it, which has the focus; one key confirms it
    press(page, "Enter")
    page.wait_for_selector("#grid .tile")
    page.wait_for_function(
        "sha => document.activeElement.closest('[data-sha]')?.dataset.sha === sha", arg=photos[3]
    )
    assert pills(page, photos[3]) == ["left? guess 90\u00a0%", "elevation? guess 84\u00a0%"]
    press(page, "y")
    page.wait_for_selector(f'[data-sha="{photos[3]}"] .pill.stated.f-face')
    settled(page)
    assert stated(workspace, photos[3]) == {"face": "left", "role": "elevation"}
    # many photos at once, one keystroke; undo; and again
    page.goto(f"{board.url}/photos?number=BD-1")
    tab_to(page, "#grid input[type=checkbox]")
    press(page, "End", "Shift+ArrowLeft")
    assert page.inner_text("#selected") == "2 photos selected"
    press(page, "c", "d", "1")
    settled(page)
    page.wait_for_function("() => !document.querySelector('.saving')")
    assert stated(workspace, photos[4]).keys() >= {"role", "condition"}
    press(page, "z")
    settled(page)
    press(page, "z")
    settled(page)
    assert stated(workspace, photos[5]) == {"role": "close_up"}
    press(page, "h")
    page.keyboard.type("7")
    press(page, "Enter")
    settled(page)
    assert stated(workspace, photos[4]) == {"role": "close_up", "count": "7"}
    # open a photo and go back
    press(page, "Escape", "Home", "Enter")
    page.wait_for_url(f"**/photo/{photos[0]}")
    page.wait_for_selector(".stage[data-ready]")
    press(page, "+", "]", "+")
    assert page.get_attribute(".stage", "data-turn") == "90"
    assert float(page.get_attribute(".stage", "data-scale")) > 1
    press(page, "ArrowRight")
    page.wait_for_url(f"**/photo/{photos[1]}")
    press(page, "Escape")
    page.wait_for_url(f"**/photos?number=BD-1#p-{photos[1][:16]}")
    # sign off with a note
    press(page, "P")
    page.wait_for_url("**/claim?number=BD-1")
    press(page, "O", "Shift+Tab")
    page.keyboard.type("all four sides seen")
    press(page, "Tab", "Enter")
    page.wait_for_selector(".outcome")
    assert "Rhea" in page.inner_text(".outcome")
    assert workspace.catalog.claims.get(ClaimId("BD-1")).state is ClaimState.SIGNED
    actors = {
        entry.actor
        for entry in workspace.custody.entries()
        if entry.action in {"tagged", "signed_off", "undone"}
    }
    assert actors == {"Rhea"}
    assert workspace.custody.verify().valid


def test_the_second_of_two_reviewers_sees_what_the_first_changed(log_in, board, workspace, photos):
    rhea, tess = (log_in(name, at="/photos?number=BD-1") for name in ("Rhea", "Tess"))
    for page in (rhea, tess):
        tab_to(page, "#grid input[type=checkbox]")
        press(page, "End", "Space")
    press(rhea, "r")
    settled(rhea)
    press(tess, "b")
    settled(tess)
    tess.wait_for_selector("#conflict:not([hidden])")
    assert "Rhea changed TEST0005.JPG since you loaded it" in tess.inner_text("#conflict")
    assert "face right" in tess.inner_text("#conflict")
    assert stated(workspace, photos[5]) == {"face": "right"}
    tess.wait_for_function("() => !document.querySelector('.saving')")
    assert "right" in pills(tess, photos[5])
    press(tess, "b")  # after she has seen the change, her statement is accepted
    settled(tess)
    assert stated(workspace, photos[5]) == {"face": "back"}


def test_waiving_and_sending_back(log_in, board, workspace):
    put_claim(workspace, "BD-2", insured="Ottoline Marsh")
    put_photos(
        workspace,
        "BD-2",
        2,
        tags={0: (facet_value(Facet.ROLE, "elevation"), facet_value(Facet.FACE, "front"))},
        pictures=True,
    )
    page = log_in(at="/claim?number=BD-2")
    page.click("text=Set a missing shot aside")
    page.fill("#why3", "built onto the next house")
    page.locator(".waivers form", has_text="left").locator("button").click()
    page.wait_for_selector(".c-waived")
    assert page.locator(".c-waived").count() == 1
    page.fill("#back-note", "please go round once more")
    page.click("form[action='/do/send-back'] button")
    page.wait_for_selector(".outcome.sent-back")
    adjuster = log_in("Adam", Duty.ADJUSTER)
    assert "Sent back to the adjuster" in adjuster.inner_text(".claim-group")
    adjuster.click(".claim-row a")
    assert adjuster.locator("form[action='/do/sign']").count() == 0
    adjuster.click("nav.tabs >> text=Still to shoot")
    adjuster.wait_for_selector(".shot-list .shot")
    lines = adjuster.locator(".shot-list .shot").all_inner_texts()
    assert [line.split(":")[0] for line in lines] == ["Right elevation", "Back elevation"]
    assert "please go round once more" in adjuster.inner_text(".outcome")


HOSTILE = "\"'><script>document.body.dataset.hurt='yes'</script><img src=x onerror=\"document.body.dataset.hurt='yes'\">"


def test_hostile_text_of_a_camera_and_a_list_is_shown_and_does_nothing(log_in, board, workspace):
    put_claim(workspace, "EV-1", insured=HOSTILE, address=HOSTILE)
    shas = put_photos(
        workspace,
        "EV-1",
        2,
        facts={"make": HOSTILE, "model": HOSTILE, "software": HOSTILE},
        pictures=True,
        tags={0: (facet_value(Facet.FACE, "front", guess=0.9, reason=HOSTILE),)},
    )
    page = log_in(at=None)
    for path in (
        "/",
        "/claim?number=EV-1",
        "/photos?number=EV-1",
        f"/photo/{shas[0]}",
        "/day?number=EV-1",
        f"/compare?one={shas[0]}&other={shas[1]}",
    ):
        page.goto(board.url + path)
        assert "<script>document.body" in page.inner_text("body"), path
        assert page.get_attribute("body", "data-hurt") is None
        assert page.locator("main img[src='x']").count() == 0
    # drawn anew by the page's own script, too
    page.goto(f"{board.url}/photos?number=EV-1")
    page.locator("#grid input[type=checkbox]").first.focus()
    press(page, "Space", "l")
    settled(page)
    assert page.get_attribute("body", "data-hurt") is None
    assert stated(workspace, shas[0]) == {"face": "left"}


def test_of_600_photos_a_browser_fetches_only_those_in_sight_and_small(log_in, board, workspace):
    put_claim(workspace, "BD-600")
    put_photos(workspace, "BD-600", 600, originals=False)
    page = log_in(own=True, at=None)
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(f"{board.url}/photos?number=BD-600")
    page.wait_for_load_state("networkidle")
    assert page.locator(".tile").count() == 600
    thumbs = [url for url in asked if "/thumb/" in url]
    assert 0 < len(thumbs) < 200
    assert all(url.endswith("/320") for url in thumbs)
    assert not any("/original/" in url for url in asked)
    before = len(asked)
    page.locator("#grid input[type=checkbox]").first.focus()
    press(page, "a", "f")
    settled(page)
    assert page.locator(".pill.stated.f-face").count() == 600
    assert len([url for url in asked[before:] if "/do/" in url]) == 1, "600 photos are one request"


PAGES = (
    "/",
    "/claim?number=BD-1",
    "/photos?number=BD-1",
    "/photo/{0}",
    "/day?number=BD-1",
    "/duplicates?number=BD-1",
    "/missing?number=BD-1",
    "/house?number=BD-1",
    "/history?number=BD-1",
    "/compare?one={0}&other={1}",
    "/photos?number=unassigned",
    "/claim?number=nope",
)


@pytest.fixture
def furnished(workspace, photos):
    """Something on every page: duplicates, a waiver, a correction, another claim that day, photos without a house."""
    put_claim(workspace, "BD-3", insured="Ignatius Quill")
    put_photos(
        workspace,
        "BD-3",
        7,
        name="NEXT",
        start=START.replace(hour=11),
        pictures=True,
        phash="00ff00ff00ff00ff",
    )
    put_photos(workspace, None, 2, name="TRAY", start=START.replace(hour=13), pictures=True, to_confirm=True)
    from evidence.review.staleness import mark_of
    from evidence.review.tagging import tag_seen
    from evidence.review.waivers import waive

    waive(workspace, ClaimId("BD-3"), "elevation", place="left", why="a shared wall")
    marks = {r.sha256: mark_of(r) for r in workspace.catalog.photos.records([photos[5]])}
    tag_seen(workspace, {photos[5]: {Facet.CONDITION: "damage"}}, seen=marks)
    return photos


MORE_PAGES = (
    "/claim?number=BD-3",
    "/side-by-side?photo={0}&photo={1}",
    "/duplicates?number=BD-3",
    "/review?number=BD-3",
)
"""`test_questions` looks at the other questions of a review."""
WIDE = {"width": 1440, "height": 900}
SMALL = {"width": 360, "height": 780}


def test_on_no_page_axe_finds_anything_serious_in_light_or_dark_and_none_scrolls_sideways(
    log_in, board, furnished
):
    found = []
    page = log_in(at=None)

    def check(where):
        found.extend((where, *one) for one in findings_in_light_and_dark(page))

    for path in (*PAGES, *MORE_PAGES):
        page.goto(board.url + path.format(*furnished))
        if "photo/" in path or "side" in path:
            page.wait_for_selector(".stage[data-ready]")
        check(path)
        assert_fits(page, WIDE, PHONE, SMALL, LAPTOP)
    page.goto(board.url + "/")
    press(page, "?")
    page.wait_for_selector("#keys-dialog[open]")
    check("keys")
    page.context.clear_cookies()
    page.goto(board.url + "/login")
    check("/login")
    assert_fits(page, WIDE, PHONE)
    assert found == []


@pytest.mark.parametrize("path", ["/", "/photos?number=BD-1", "/photo/{0}"])
def test_axe_finds_nothing_serious_on_a_phone(log_in, board, furnished, path):
    page = log_in(size=PHONE, has_touch=True, is_mobile=True, at=path.format(*furnished))
    if "photo/" in path:
        page.wait_for_selector(".stage[data-ready]")
    assert serious_findings(page) == []


PLACEHOLDER_WIDTH = """() => {
    const input = document.querySelector("#q"), style = getComputedStyle(input);
    const pen = document.createElement("canvas").getContext("2d");
    pen.font = style.font;
    const room = input.clientWidth - parseFloat(style.paddingLeft) - parseFloat(style.paddingRight);
    return room - pen.measureText(input.placeholder).width;
}"""


@pytest.mark.parametrize("size", [WIDE, LAPTOP, PHONE])
def test_the_words_in_the_empty_search_field_are_seen_whole(log_in, board, workspace, size):
    assert log_in(size=size).evaluate(PLACEHOLDER_WIDTH) >= 0


def test_a_number_in_a_pill_stays_on_the_line_of_its_unit(log_in, board, workspace, photos):
    page = log_in(at="/photos?number=BD-1")
    for width in range(40, 140, 6):
        lines = page.evaluate(
            """(width) => [...document.querySelectorAll(".pill.guess")].map((pill) => {
            pill.style.maxWidth = `${width}px`;
            const text = pill.firstChild, at = text.data.indexOf("%");
            return [at - 2, at].map((n) => {
                const range = document.createRange();
                range.setStart(text, n);
                range.setEnd(text, n + 1);
                return range.getBoundingClientRect().top;
            });
        })""",
            width,
        )
        assert lines
        assert all(number == unit for number, unit in lines)


def test_no_page_scrolls_sideways_on_a_phone_with_a_touch_screen(log_in, board, furnished):
    page = log_in(size=SMALL, has_touch=True, is_mobile=True, at=None)
    for path in PAGES:
        page.goto(board.url + path.format(*furnished))
        assert page.evaluate("document.documentElement.scrollWidth") <= 360, path


def test_on_a_phone_a_finger_chooses_and_tags(log_in, board, workspace, photos):
    page = log_in(size=PHONE, has_touch=True, is_mobile=True, at="/photos?number=BD-1")
    page.locator(f'[data-sha="{photos[4]}"] .select-box').tap()
    page.wait_for_selector("#panel.has")
    page.locator("#panel button", has_text=re.compile("back$")).tap()
    settled(page)
    assert stated(workspace, photos[4]) == {"face": "back"}


def test_without_scripts_claims_are_still_read_and_sent_back(log_in, board, workspace, photos):
    page = log_in(java_script_enabled=False, at="/photos?number=BD-1&show=guesses")
    assert page.locator(".tile").count() == 1
    page.goto(f"{board.url}/claim?number=BD-1")
    page.fill("#back-note", "one side is a guess")
    page.click("form[action='/do/send-back'] button")
    assert "sent back" in page.inner_text(".note.good")
