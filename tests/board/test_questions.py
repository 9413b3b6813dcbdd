"""Review by question in a real browser: by keyboard alone, back, put off, not needed, two at once, phone, axe."""

from __future__ import annotations

import pytest
from support_board import START, facet_value, put_claim, put_photos
from support_browser import (
    LAPTOP,
    PHONE,
    assert_fits,
    board,
    findings_in_light_and_dark,
    log_in,
    serious_findings,
)

from evidence.catalog.decisions import AnswerLikeness, LeaveOut, LikenessAnswer, SendBack, Sign, Tag, Waive
from evidence.model import ClaimId, ClaimState, Facet

__all__ = ["board", "log_in"]  # fixtures

BD1 = ClaimId("BD-1")


WIDE = {"width": 1440, "height": 900}
SMALL = {"width": 360, "height": 780}


@pytest.fixture
def review(log_in, board):
    """Opens a claim's review for somebody."""

    def come_in(number="BD-1", name="Rhea", **options):
        return log_in(name, **options, at=f"/review?number={number}")

    return come_in


def press(page, *keys):
    """Press keys; the last one leads to the next page."""
    for key in keys[:-1]:
        page.keyboard.press(key)
    with page.expect_navigation():
        page.keyboard.press(keys[-1])
    page.wait_for_load_state()


def question(page):
    return page.inner_text("#question")


def stated(workspace, sha):
    tags = workspace.catalog.photos.records([sha])[0].tags
    return {facet.value: value.value for facet, value in tags.items() if value.stated}


def sides(*faces):
    return {
        n: (facet_value(Facet.ROLE, "elevation"), facet_value(Facet.FACE, face))
        for n, face in enumerate(faces)
    }


@pytest.fixture
def photos(workspace):
    """BD-1: three sides stated, the fourth guessed; BD-2 waits after it, one side shown."""
    put_claim(workspace, "BD-1", insured="Wilhelmina Ardenne", address="9 Cooper's Row")
    put_claim(workspace, "BD-2", insured="Ottoline Marsh")
    guess = (
        facet_value(Facet.ROLE, "elevation", guess=0.84, reason="looks like a house from outside"),
        facet_value(Facet.FACE, "left", guess=0.9, reason="usual after the back"),
    )
    put_photos(
        workspace, "BD-2", 2, name="NEXT", start=START.replace(hour=11), tags=sides("front"), pictures=True
    )
    return put_photos(workspace, "BD-1", 5, tags=sides("front", "right", "back") | {3: guess}, pictures=True)


def test_one_key_answers_one_signs_and_one_opens_the_next_claim(review, workspace, photos):
    page = review()
    assert question(page) == "Is this the left elevation?"
    assert "usual after the back" in page.inner_text(".why")
    assert "Whole elevation, left elevation" in page.inner_text(".meets")
    assert page.locator(f"[src*='/thumb/{photos[3]}/1280'], [data-photo='{photos[3]}']").count() == 1
    press(page, "y")
    assert question(page) == "Ready to sign off"
    assert stated(workspace, photos[3]) == {"face": "left", "role": "elevation"}
    press(page, "O")
    assert question(page) == "Signed off by Rhea"
    assert workspace.catalog.claims.get(BD1).state is ClaimState.SIGNED
    assert [row.actor for row in workspace.catalog.claims.decisions(Sign, claim=BD1)] == ["Rhea"]
    press(page, "J")
    assert page.url.endswith("number=BD-2")
    assert "all needed" in question(page)


def test_a_correction_takes_two_keys_and_one_key_takes_it_back(review, workspace, photos):
    page = review()
    page.keyboard.press("b")
    assert page.locator("input[name=face]:checked").get_attribute("value") == "back"
    press(page, "y")
    assert stated(workspace, photos[3]) == {"face": "back", "role": "elevation"}
    assert "all needed" in question(page)
    press(page, "z")
    assert stated(workspace, photos[3]) == {}
    assert workspace.catalog.claims.decisions(Tag, claim=BD1) == []


def test_put_off_is_asked_no_more_and_is_left_at_the_decision(review, workspace, photos):
    page = review()
    press(page, ".")
    assert question(page) == "Not ready to sign off"
    assert "Whole elevation (left elevation) is only guessed" in page.inner_text(".left-over")
    assert page.locator("form[action='/do/sign']").count() == 0, "no button that would refuse"
    press(page, "z")
    assert question(page) == "Is this the left elevation?"


def test_not_needed_takes_a_usual_reason_or_ones_own(review, workspace, photos):
    page = review("BD-2")
    page.keyboard.press("1")
    press(page, "2")
    waivers = workspace.catalog.claims.waivers(ClaimId("BD-2"))
    assert [(one.place, one.by, one.why) for one in waivers] == [
        ("right", "Rhea", "this side is built onto the next building")
    ]
    page.keyboard.press("1")
    page.keyboard.press("w")
    page.keyboard.type("behind a locked yard")
    press(page, "Enter")
    assert "behind a locked yard" in {one.why for one in workspace.catalog.claims.waivers(ClaimId("BD-2"))}
    press(page, "z")
    press(page, "z")
    assert workspace.catalog.claims.waivers(ClaimId("BD-2")) == []
    assert workspace.catalog.claims.decisions(Waive) == []


def test_sent_back_with_the_list_beside_the_caution_and_taken_back_at_once(review, workspace, photos):
    page = review("BD-2")
    press(page, "y")
    assert question(page) == "Send back with 3 shots to take"
    press(page, "X")
    assert question(page) == "Sent back by Rhea"
    (row,) = workspace.catalog.claims.decisions(SendBack)
    assert len(row.decision.missing) == 3
    press(page, "z")
    assert workspace.catalog.claims.get(ClaimId("BD-2")).state is ClaimState.OPEN


def test_the_caution_stands_beside_every_question_that_may_send_somebody_on_a_roof(review, workspace, photos):
    own = workspace.root / "config" / "required_shots" / "hail_roof.toml"
    own.write_text(
        own.read_text("utf-8").replace(
            'basis = "for tests"', 'basis = "for tests"\nsafety = "Stay off wet roofs."'
        )
        + '\n[[shot]]\nid = "slope"\ntitle = "Slope overview"\nfor_each = "slope"\nfacets = { role = "slope" }\n',
        encoding="utf-8",
    )
    page = review("BD-2")
    assert "Stay off wet roofs." in page.inner_text(".caution")
    press(page, "y")
    assert question(page).startswith("Send back")
    assert "Stay off wet roofs." in page.inner_text(".caution")


def test_of_two_at_once_the_second_answer_is_refused_and_the_new_state_shown(review, workspace, photos):
    rhea, tess = review(name="Rhea"), review(name="Tess")
    rhea.keyboard.press("b")
    press(rhea, "y")
    press(tess, "y")
    assert "Rhea changed claim BD-1 since this question was shown" in tess.inner_text(".note.bad")
    assert "all needed" in question(tess)
    assert stated(workspace, photos[3]) == {"face": "back", "role": "elevation"}


def test_nearly_equal_photos_show_side_by_side_and_the_chosen_stays(review, workspace):
    put_claim(workspace, "BD-1")
    put_photos(workspace, "BD-1", 4, tags=sides("front", "right", "back", "left"), pictures=True)
    alike = put_photos(workspace, "BD-1", 2, name="SAME", phash="00ff00ff00ff00ff", pictures=True)
    page = review()
    assert "nearly equal" in question(page)
    page.keyboard.press("1")
    page.keyboard.press("2")
    chosen = page.locator("input[name=stay]:checked").evaluate_all("all => all.map(one => one.value)")
    press(page, "y")
    (row,) = workspace.catalog.claims.decisions(LeaveOut)
    assert list(row.decision.stay) == chosen
    assert set(row.decision.about()) == set(alike)
    assert question(page) == "Ready to sign off"


@pytest.fixture
def used(workspace):
    """BD-1 is shown on all sides and has a photo that looks like one of BD-0, which came before."""
    for number, insured in (("BD-0", "Odile Farrow"), ("BD-1", "Bram <b>Okoro</b>")):
        put_claim(workspace, number, insured=insured)
    put_photos(workspace, "BD-0", 1, name="BEFORE", phash="00000000000000ff", pictures=True)
    put_photos(workspace, "BD-1", 4, tags=sides("front", "right", "back", "left"), pictures=True)
    return put_photos(workspace, "BD-1", 1, name="LATER", phash="00000000000000f8", pictures=True)


def test_a_likeness_is_answered_by_one_key_before_the_decision(review, workspace, used):
    page = review()
    assert question(page) == "The same picture as in another claim?"
    page.wait_for_selector(".stage[data-ready]")
    text = page.inner_text(".review")
    assert "looks nearly the same as a photo of claim BD-0 (3 of 64 bits differ)" in text
    assert "not a proof of anything" in text
    assert page.locator(".pair .stage").count() == 2
    assert "Odile Farrow" in text
    press(page, "T")
    (row,) = workspace.catalog.claims.decisions(AnswerLikeness, claim=BD1)
    assert (row.actor, row.decision.photo, row.decision.answer) == ("Rhea", used[0], LikenessAnswer.LOOK_INTO)
    assert question(page) == "Ready to sign off"
    press(page, "z")
    press(page, "S")
    (row,) = workspace.catalog.claims.decisions(AnswerLikeness, claim=BD1)
    assert row.decision.answer is LikenessAnswer.FINE
    press(page, "z")
    press(page, ".")
    assert question(page) == "Ready to sign off"


def test_a_likeness_fits_its_screen_and_axe_finds_nothing_serious_in_light_or_dark(review, used):
    page = review()
    page.wait_for_selector(".stage[data-ready]")
    assert findings_in_light_and_dark(page) == []
    assert_fits(page, LAPTOP, PHONE)
    page.reload()
    page.wait_for_selector(".stage[data-ready]")
    assert serious_findings(page) == []


def test_whose_house_is_asked_once_for_the_whole_run(review, workspace):
    put_claim(workspace, "BD-1", insured="Wilhelmina Ardenne")
    run = put_photos(workspace, "BD-1", 20, to_confirm=True, pictures=True)
    page = review()
    assert question(page) == "Whose house are these 20 photos?"
    assert page.locator(".strip img").count() == 20
    press(page, "y")
    assert not any(one.to_confirm for one in workspace.catalog.photos.records(run))


def test_keys_can_be_turned_off_and_every_answer_has_a_button(review, workspace, photos):
    page = review()
    page.evaluate("localStorage.setItem('keys', 'off')")
    page.keyboard.press("y")
    page.get_by_role("button", name="Yes, as chosen here").press("Enter")
    page.wait_for_load_state()
    page.wait_for_selector("text=Ready to sign off")


def test_without_scripts_questions_are_answered_too(review, workspace, photos):
    page = review(java_script_enabled=False)
    page.get_by_role("button", name="Yes, as chosen here").click()
    page.get_by_role("button", name="Sign off as Rhea").click()
    assert workspace.catalog.claims.get(BD1).state is ClaimState.SIGNED


def test_on_a_phone_a_finger_answers_and_nothing_scrolls_sideways(review, workspace, photos):
    page = review(size=PHONE, has_touch=True, is_mobile=True)
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    page.get_by_role("button", name="Yes, as chosen here").tap()
    page.wait_for_selector("text=Ready to sign off")
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]


def test_axe_finds_nothing_serious_on_any_question_in_light_or_dark(review, workspace, photos):
    found = []

    def check(page):
        found.extend((question(page), *one) for one in findings_in_light_and_dark(page))
        assert_fits(page, WIDE, PHONE, SMALL, LAPTOP)

    page = review()
    check(page)
    page.keyboard.press("W")
    check(page)
    press(page, "y")
    check(page)
    press(page, "O")
    check(page)
    press(page, "J")
    check(page)
    page.keyboard.press("1")
    check(page)
    assert found == []


def test_axe_finds_nothing_serious_about_a_question_on_a_phone(review, workspace, photos):
    assert serious_findings(review(size=PHONE, has_touch=True, is_mobile=True)) == []


def test_confirming_several_photos_shows_first_what_would_be_stated(log_in, workspace):
    put_claim(workspace, "BD-1")
    guesses = {
        0: (facet_value(Facet.FACE, "left", guess=0.95), facet_value(Facet.ROLE, "close_up", guess=0.64)),
        1: (facet_value(Facet.CONDITION, "damage", guess=0.97, reason="usual for close-ups of this kind"),),
        2: (facet_value(Facet.FACE, "back", guess=0.92),),
    }
    shas = put_photos(workspace, "BD-1", 3, tags=guesses, pictures=True)
    page = log_in(at="/photos?number=BD-1")
    page.locator("#grid input[type=checkbox]").first.focus()
    page.keyboard.press("a")
    page.keyboard.press("y")
    page.wait_for_selector("#confirm-dialog[open]")
    assert page.inner_text("#confirm-title") == "State 2 guesses in your name?"
    assert "1 left: less than 90\u00a0% probable. 1 of damage or hits left" in page.inner_text(
        "#confirm-left"
    )
    assert [stated(workspace, sha) for sha in shas] == [{}, {}, {}], "nothing is stated before the answer"
    page.keyboard.press("Escape")
    page.wait_for_selector("#confirm-dialog:not([open])", state="attached")
    assert [stated(workspace, sha) for sha in shas] == [{}, {}, {}]
    page.keyboard.press("y")
    page.wait_for_selector("#confirm-dialog[open]")
    page.keyboard.press("y")
    page.wait_for_selector(f'[data-sha="{shas[2]}"] .pill.stated.f-face')
    assert [stated(workspace, sha) for sha in shas] == [{"face": "left"}, {}, {"face": "back"}]
