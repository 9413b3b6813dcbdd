"""The page that shows a photo beside one of another claim: what it says, its keys, and what an answer does."""

from __future__ import annotations

import pytest
from support_board import START, put_claim, put_photos
from support_browser import (
    LAPTOP,
    PHONE,
    assert_fits,
    board,
    findings_in_light_and_dark,
    log_in,
    press,
    serious_findings,
)

from evidence.catalog.decisions import AnswerLikeness, LikenessAnswer
from evidence.model import ClaimId, ClaimState

__all__ = ["board", "log_in"]
ONE, TWO = ClaimId("UB-1"), ClaimId("UB-2")


@pytest.fixture
def alike(workspace):
    """Claim UB-2 has two photos that look like one of UB-1, which came before."""
    put_claim(workspace, ONE, insured="Odile Farrow", address="3 Mill Row")
    put_claim(workspace, TWO, insured="Bram <b>Okoro</b>", address="8 Mill Row")
    put_photos(workspace, ONE, 1, name="UB1", phash="00000000000000ff", pictures=True)
    put_photos(
        workspace, TWO, 2, name="UB2", phash="00000000000000f8", pictures=True, start=START.replace(hour=15)
    )
    return workspace


def answers(workspace):
    return [row.decision.answer for row in workspace.catalog.claims.decisions(AnswerLikeness, claim=TWO)]


def test_each_photo_is_answered_by_one_key_and_the_last_answer_is_undone_by_one(log_in, board, alike):
    page = log_in(at=f"/claim?number={TWO}")
    press(page, "R")
    page.wait_for_url("**/used-before?number=UB-2")
    page.wait_for_selector(".stage[data-ready]")
    assert page.locator(".stage[data-ready]").count() == 2
    text = page.inner_text("main")
    assert (
        "looks nearly the same as a photo of claim UB-1 (3 of 64 bits differ); no other photo is this alike"
        in text
    )
    assert "1 of 2, 2 without an answer" in text
    assert "Odile Farrow" in text
    assert "Bram <b>Okoro</b>" in text
    press(page, "+")
    assert len({page.locator(".stage").nth(n).get_attribute("data-scale") for n in range(2)}) == 1
    press(page, "S")
    page.wait_for_selector("text=Stored: same house, fine. 1 photo is left.")
    assert "2 of 2, 1 without an answer" in page.inner_text("main")
    press(page, "T")
    page.wait_for_selector("text=Stored: look into it. None is left.")
    assert answers(alike) == [LikenessAnswer.FINE, LikenessAnswer.LOOK_INTO]
    press(page, "z")
    page.wait_for_selector("text=The answer is undone.")
    assert answers(alike) == [LikenessAnswer.FINE]
    press(page, "U")
    page.wait_for_url("**/duplicates?number=UB-2")
    listed = page.locator(".duplicates").last.inner_text()
    assert "same house, fine" in listed
    assert "no answer yet" in listed


def test_the_page_fits_its_screen_and_axe_finds_nothing_serious_in_light_or_dark(log_in, board, alike):
    page = log_in(at=f"/used-before?number={TWO}")
    page.wait_for_selector(".stage[data-ready]")
    assert findings_in_light_and_dark(page) == []
    assert_fits(page, LAPTOP, PHONE)
    page.reload()
    page.wait_for_selector(".stage[data-ready]")
    assert serious_findings(page) == []


def test_a_claim_without_such_photos_has_no_such_page_in_its_bar(log_in, board, alike):
    page = log_in(at=f"/claim?number={ONE}")
    assert not page.locator("[data-does=used-before]").count()
    page.goto(f"{board.url}/used-before?number={ONE}")
    assert "No photo of this claim is known from another claim" in page.inner_text("main")


def test_the_findings_of_a_claim_lead_to_the_page(log_in, board, alike):
    page = log_in(at=f"/claim?number={TWO}")
    page.click("text=Compare with the other claim >> nth=0")
    page.wait_for_url("**/used-before?number=UB-2&photo=*")


def test_a_signed_claim_is_shown_and_not_answered(log_in, board, alike):
    alike.catalog.claims.set_state(TWO, ClaimState.SIGNED)
    page = log_in(at=f"/used-before?number={TWO}")
    assert "its answers cannot be changed" in page.inner_text("main")
    press(page, "S")
    assert answers(alike) == []
