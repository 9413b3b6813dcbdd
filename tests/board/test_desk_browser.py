"""The office's desk in a real browser: sizes, light and dark, axe, keyboard, and its questions to the catalog with 400 claims."""

from __future__ import annotations

import random
import re
from datetime import date, timedelta

import pytest
from sqlalchemy import Engine
from sqlalchemy.event import listen, remove
from support_board import put_claim
from support_browser import (
    LAPTOP,
    PHONE,
    assert_fits,
    board,
    findings_in_light_and_dark,
    log_in,
    press,
    serious_findings,
    tab_to,
)
from support_desk import office

from evidence.board.context import DESK_TABS
from evidence.board.desk.purges import plans
from evidence.catalog.decisions import Close
from evidence.model import ClaimId, ClaimState, Duty

__all__ = ["board", "log_in", "office"]  # fixtures of other files, too
WIDE = {"width": 1440, "height": 900}


@pytest.fixture
def workspace(office):
    return office


def pages(workspace):
    return [path for path, _ in DESK_TABS] + [plans(workspace)[0].path]


def test_axe_finds_nothing_serious_in_light_or_dark_and_no_page_scrolls_sideways(log_in, board, workspace):
    found = []
    page = log_in("Olive", Duty.OFFICE, at=None)
    for path in pages(workspace):
        page.goto(board.url + path)
        assert page.locator(".tabs a[aria-current]").count() == 1
        found.extend((path, *one) for one in findings_in_light_and_dark(page))
        assert_fits(page, PHONE)
        for size in (WIDE, LAPTOP):
            assert_fits(page, size)
            assert page.locator(".topbar").bounding_box()["height"] <= 56, path
    assert found == []


@pytest.mark.parametrize("path", ["/desk", "/desk/claims"])
def test_axe_finds_nothing_serious_on_a_phone(log_in, board, workspace, path):
    page = log_in("Olive", Duty.OFFICE, size=PHONE, at=path)
    assert serious_findings(page) == []


@pytest.mark.parametrize("size", [WIDE, LAPTOP, PHONE])
def test_today_is_read_without_scrolling_to_its_first_task_and_every_tab_is_in_sight(
    log_in, board, workspace, size
):
    page = log_in("Olive", Duty.OFFICE, size=size)
    page.click(".desk-tabs a >> text=Today")
    assert re.match(r"\d+ thing", page.inner_text(".day-line"))
    box = page.locator(".tasks li").first.bounding_box()
    assert box["y"] + box["height"] < size["height"]
    for tab in page.locator(".desk-tabs a").all():
        box = tab.bounding_box()
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= size["width"]


def test_a_task_leads_by_keyboard_to_the_page_where_it_is_done(log_in, board, workspace):
    page = log_in("Olive", Duty.OFFICE, at="/desk")
    tab_to(page, ".task-do a[href='/desk/claims?show=signed']")
    press(page, "Enter")
    page.wait_for_url("**/desk/claims?show=signed")
    tab_to(page, "summary")
    press(page, "Enter")
    tab_to(page, ".row-deeds button")
    press(page, "Enter")
    page.wait_for_selector(".note.good")
    assert workspace.catalog.claims.get(ClaimId("OD-2004")).state is ClaimState.CLOSED


def test_without_scripts_a_hold_is_placed_and_a_claim_closed(log_in, board, workspace):
    page = log_in("Olive", Duty.OFFICE, java_script_enabled=False, at="/desk/holds")
    page.fill("input[name=claim]", "OD-2001")
    page.fill(".hold-form input[name=reason]", "suit filed")
    page.click("text=Place the hold")
    assert "Hold 3 is in force: claim OD-2001." in page.inner_text(".note.good")
    page.goto(board.url + "/desk/claims?q=OD-2005")
    page.click("summary")
    page.click("text=Close claim OD-2005")
    assert "is closed" in page.inner_text(".note.good")


def test_a_proof_is_saved_as_a_file(log_in, board, workspace):
    page = log_in("Olive", Duty.OFFICE, at="/desk/log")
    with page.expect_download() as saved:
        page.locator(".log-table button").last.click()
    assert saved.value.suggested_filename == "custody-proof-1.json"


def fill(workspace, numbers):
    chance = random.Random(14)
    with workspace.catalog.transaction():
        for n in numbers:
            put_claim(workspace, f"ST-{n:04}", insured=f"Insured {n}", peril=("hail", "wind", "fire")[n % 3])
            if n % 40:
                on = date(2017, 1, 1) + timedelta(days=chance.randrange(3560))
                claim = ClaimId(f"ST-{n:04}")
                workspace.catalog.claims.record(Close(on=on), claim=claim, at=workspace.now(), actor="office")
                workspace.catalog.claims.set_state(claim, ClaimState.CLOSED, closed_on=on)


def test_the_desk_asks_the_catalog_no_more_often_with_400_claims_than_with_40(logged_in, workspace):
    """The pages' times are in tests/bench/desk_bench.py."""
    client = logged_in("Olive", Duty.OFFICE)
    asked = []
    listen(Engine, "before_cursor_execute", count := lambda *call: asked.append(call[2]))
    try:
        questions = {}
        for numbers in (range(40), range(40, 400)):
            fill(workspace, numbers)
            for path in ("/desk/retention", "/desk", "/desk/claims", "/desk/holds"):
                assert client.get(path).status_code == 200
                asked.clear()
                assert client.get(path).status_code == 200
                questions.setdefault(path, []).append(len(asked))
    finally:
        remove(Engine, "before_cursor_execute", count)
    for path, (few, many) in questions.items():
        assert 0 < many <= few + 5, path
    filters = client.get("/desk/retention").text.partition('class="claim-filters"')[2].partition("</a>")[0]
    assert re.sub("<[^>]*>", " ", filters.partition("<a")[2].partition(">")[2]).split() == ["All", "406"]
