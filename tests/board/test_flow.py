"""A reviewer's way through the claims by keyboard alone, at three widths, light and dark."""

from __future__ import annotations

import json
import re

import pytest
from support_board import START, facet_value, four_sides, put_claim, put_photos
from support_browser import LAPTOP, PHONE, board, log_in, press, settled

from evidence.board.keys import KEYS
from evidence.model import ClaimId, ClaimState, Facet

__all__ = ["board", "log_in"]
FACES = ("front", "right", "back", "left")
WIDE = {"width": 1440, "height": 900}


def sides(many, *, guess=None):
    return {
        n: (facet_value(Facet.ROLE, "elevation", guess=guess), facet_value(Facet.FACE, face, guess=guess))
        for n, face in enumerate(FACES[:many])
    }


@pytest.fixture
def three(workspace):
    """Three claims: one with a missing side, one with a guess, one ready to sign."""
    four_sides(workspace)
    for number, insured, many, guess in (
        ("FL-1", "Abe Quist", 3, None),
        ("FL-2", "Bea Orme", 4, 0.95),
        ("FL-3", "Cy Vane", 4, None),
    ):
        put_claim(workspace, number, insured=insured, address=f"{number[-1]} Reed Lane")
        put_photos(
            workspace,
            number,
            8,
            name=f"N{number[-1]}",
            tags=sides(many, guess=guess),
            pictures=True,
            start=START.replace(hour=9 + int(number[-1])),
        )
    return workspace


def focused(page):
    return page.evaluate("() => document.activeElement.outerHTML.slice(0, 200)")


def test_from_the_list_through_three_claims_without_a_mouse_or_a_tab(log_in, board, three):
    page = log_in()
    assert "FL-1" in focused(page), "the list has the focus when it opens"
    press(page, "ArrowDown", "ArrowUp", "Enter")
    page.wait_for_url("**/claim?number=FL-1")
    assert page.inner_text(".queue span") == "1 of 3"
    # the missing shot is set aside: arrows find it, W opens the reason
    press(page, "ArrowRight", "W")
    page.keyboard.type("joined to the next house")
    press(page, "Enter")
    page.wait_for_selector(".c-waived")
    press(page, "O", "Enter")
    page.wait_for_selector(".outcome")
    assert three.catalog.claims.get(ClaimId("FL-1")).state is ClaimState.SIGNED
    press(page, "J")
    page.wait_for_url("**/claim?number=FL-2")
    press(page, "O", "Tab", "Enter")
    page.wait_for_selector("#grid .tile")
    press(page, "y")
    settled(page)
    press(page, "P")
    page.wait_for_url("**/claim?number=FL-2")
    press(page, "X", "Shift+Tab")
    page.keyboard.type("one more of the ridge")
    press(page, "Tab", "Enter")
    page.wait_for_selector(".outcome.sent-back")
    press(page, "J")
    page.wait_for_url("**/claim?number=FL-3")
    press(page, "B")
    page.wait_for_url(re.compile(r"claim\?number=FL-[12]"))
    press(page, "L")
    page.wait_for_url(board.url + "/")


def test_every_page_of_a_claim_has_a_key_and_esc_leads_back(log_in, board, three):
    page = log_in(at="/claim?number=FL-3")
    for key, path in (
        ("G", "photos"),
        ("D", "day"),
        ("U", "duplicates"),
        ("M", "missing"),
        ("H", "history"),
        ("P", "claim"),
    ):
        press(page, key)
        page.wait_for_url(f"**/{path}?number=FL-3")
    press(page, "G")
    page.wait_for_selector("#grid .tile.focus, #grid input:focus")
    press(page, "ArrowRight", "ArrowRight", "Enter")
    page.wait_for_url("**/photo/*")
    press(page, "Escape")
    page.wait_for_url("**/photos?number=FL-3#*")
    assert (
        page.evaluate(
            "() => [...document.querySelectorAll('#grid .tile')].indexOf(document.activeElement.closest('.tile'))"
        )
        == 2
    )
    press(page, "Escape")
    page.wait_for_url("**/claim?number=FL-3")


def test_a_filter_stays_from_photo_to_photo_and_back(log_in, board, three):
    page = log_in(at="/photos?number=FL-3&role=elevation")
    assert page.locator(".tile").count() == 4
    press(page, "End", "Enter")
    page.wait_for_url("**/photo/*?role=elevation")
    assert "4 of 4" in page.inner_text(".photo-head")
    assert page.locator("#next").count() == 0, "no photo after the last one that matches"
    press(page, "ArrowLeft")
    page.wait_for_function("() => document.querySelector('.photo-head').innerText.includes('3 of 4')")
    press(page, "Escape")
    page.wait_for_url("**/photos?number=FL-3&role=elevation#*")
    assert page.locator(".tile").count() == 4
    assert (
        page.evaluate(
            "() => [...document.querySelectorAll('#grid .tile')].indexOf(document.activeElement.closest('.tile'))"
        )
        == 2
    )


def test_selected_photos_are_put_side_by_side_by_one_key(log_in, board, three):
    page = log_in(at="/photos?number=FL-3")
    press(page, "j")
    assert "Select two, three or four" in page.inner_text("#status")
    press(page, "Space", "Shift+ArrowRight", "Shift+ArrowRight", "j")
    page.wait_for_url("**/side-by-side?*")
    page.wait_for_function("() => document.querySelectorAll('.stage[data-ready]').length === 3")
    press(page, "+")
    scales = [page.locator(".stage").nth(n).get_attribute("data-scale") for n in range(3)]
    assert len(set(scales)) == 1
    assert float(scales[0]) > 1
    press(page, "Escape")
    page.wait_for_url("**/photos?number=FL-3")


def test_the_dialog_shows_the_one_table_of_keys_and_turns_single_keys_off(log_in, board, three):
    page = log_in()
    press(page, "?")
    rows = page.locator("#keys-dialog dl div")
    assert [row.split("\n")[-1] for row in rows.all_inner_texts()] == [key.words for key in KEYS]
    bound = page.evaluate(
        "() => [...document.querySelectorAll('#keys-dialog [data-runs]')].map((one) => [one.dataset.runs, one.dataset.keys])"
    )
    assert [(does, tuple(json.loads(keys))) for does, keys in bound] == [
        (key.does, key.keys) for key in KEYS if key.does
    ]
    page.locator("#keys").uncheck()
    press(page, "Escape")
    page.goto(f"{board.url}/claim?number=FL-3")
    press(page, "G")
    page.wait_for_timeout(200)
    assert page.url.endswith("/claim?number=FL-3")
    page.locator("[data-shows-keys]").click()
    page.locator("#keys").check()
    press(page, "Escape", "G")
    page.wait_for_url("**/photos?number=FL-3")


def test_dark_follows_the_system_and_the_switch_is_remembered(log_in, board, three):
    dark = "() => getComputedStyle(document.body).backgroundColor"
    page = log_in(color_scheme="dark")
    assert page.evaluate(dark) == "rgb(23, 28, 26)"
    page.locator("#theme").focus()
    press(page, "Enter")
    assert page.evaluate(dark) == "rgb(233, 238, 228)"
    page.goto(f"{board.url}/claim?number=FL-1")
    assert page.evaluate(dark) == "rgb(233, 238, 228)"
    assert page.get_attribute("#theme", "aria-pressed") == "false"


@pytest.mark.parametrize("size", [WIDE, LAPTOP, PHONE], ids=["1440", "1280", "390"])
def test_the_space_goes_to_photos(log_in, board, three, size):
    page = log_in(size=size, at=None)
    for path in ("/", "/claim?number=FL-3", "/photos?number=FL-3"):
        page.goto(board.url + path)
        head = page.locator(".topbar").bounding_box()
        assert head["height"] <= (56 if size is not PHONE else 100), path
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"], path
        if path.startswith("/claim"):
            picture = page.locator(".cell img").first.bounding_box()
            assert picture["width"] >= (120 if size is not PHONE else 50)
    press(page, "Space")
    if size is PHONE:
        panel = page.locator("#panel").bounding_box()
        assert panel["height"] <= size["height"] / 3 + 1


def test_claims_are_sorted_and_found_by_what_the_list_shows(log_in, board, three):
    page = log_in()
    page.locator("select[name=sort]").select_option("name")
    page.locator(".search button").click()
    page.wait_for_url("**/?*sort=name")
    names = page.locator(".claim-row .name b").all_inner_texts()
    assert names == ["Abe Quist", "Bea Orme", "Cy Vane"]
    assert "days" in page.locator(".claim-row .age").first.inner_text()
    press(page, "Escape", "/")
    page.keyboard.type("orme")
    press(page, "Enter")
    page.wait_for_url("**/?q=orme*")
    assert page.locator(".claim-row").count() == 1
    press(page, "Enter")
    page.wait_for_url("**/claim?number=FL-2")
    assert page.inner_text(".queue span") == "1 of 1", "the queue is the list as it was last seen"


def test_cautions_stand_beside_the_roof_and_beside_send_back(log_in, board, workspace):
    (
        workspace.root / "config" / "required_shots" / "hail_roof.toml"
    ).unlink()  # the program's own list has a roof
    put_claim(workspace, "FL-9", insured="Roofed")
    put_photos(workspace, "FL-9", 2, pictures=True)
    page = log_in(at="/claim?number=FL-9")
    assert "local codes" in page.inner_text(".proof-table .area .caution")
    assert "local codes" in page.inner_text("form[action='/do/send-back'] .caution")


def test_on_a_phone_the_row_of_pages_shows_the_one_that_is_open(log_in, board, three):
    page = log_in(size=PHONE, at=None)
    for path in ("history", "house", "claim"):
        page.goto(f"{board.url}/{path}?number=FL-1")
        here = page.locator(".tabs a[aria-current]").bounding_box()
        assert here["x"] >= 0, path
        assert here["x"] + here["width"] <= PHONE["width"], path


@pytest.mark.parametrize("size", [LAPTOP, PHONE], ids=["laptop", "phone"])
def test_the_caution_stands_below_the_roofs_heading_and_no_point_is_cut_off(log_in, board, workspace, size):
    put_claim(workspace, "RF-1", insured="Abe Quist", peril="hail")
    put_photos(workspace, "RF-1", 2, tags=sides(2), pictures=True)
    (
        workspace.root / "config" / "required_shots" / "hail_roof.toml"
    ).unlink()  # the program's own list: with a roof
    page = log_in(size=size, at="/claim?number=RF-1")
    caution = page.locator(".proof-table .caution")
    words = page.evaluate(
        """() => { const range = document.createRange();
        const cell = document.querySelector('.proof-table .caution').parentElement;
        range.selectNode(cell.firstChild); return range.getBoundingClientRect().bottom; }"""
    )
    box = caution.bounding_box()
    assert caution.evaluate("one => getComputedStyle(one).display") == "block"
    assert box["y"] >= words
    assert box["width"] <= size["width"]
    points = page.locator(".obstacles ul")
    assert points.locator("li").count() > 20
    assert points.evaluate("one => one.scrollHeight - one.clientHeight") == 0


def test_what_is_left_at_the_decision_leads_to_its_photos(log_in, board, three):
    page = log_in(at="/review?number=FL-1")
    while page.get_attribute(".review", "data-kind") != "decide":
        with page.expect_navigation():
            page.keyboard.press(".")
    link = page.get_by_role("link", name="Whole elevation (left elevation) is not shown")
    assert link.get_attribute("href") == "/photos?number=FL-1&need=elevation&at=left"
