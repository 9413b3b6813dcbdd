"""Hostile text from cameras, cards and lists is shown as text and never run."""

from __future__ import annotations

import pytest
from support_board import facet_value, put_claim, put_photos

from evidence.model import Facet

EVIL = "<script>document.title='gone'</script><img src=x onerror=alert(1)>\"'`{{7*7}}${7*7}</title>"


@pytest.fixture
def evil(workspace):
    put_claim(workspace, 'EV"><em>1', insured=EVIL, address=EVIL)
    return put_photos(
        workspace,
        'EV"><em>1',
        3,
        facts={"make": EVIL, "model": EVIL, "software": EVIL, "serial": EVIL},
        tags={0: (facet_value(Facet.COMPONENT, "gutter", guess=0.9, reason=EVIL),)},
        name="EVIL",
    )


@pytest.mark.parametrize(
    "page",
    [
        "/",
        "/claim",
        "/photos",
        "/day",
        "/duplicates",
        "/missing",
        "/history",
        "photo",
        "compare",
        "/login?back=%22%3E%3Cscript%3E",
        "/?q=%3Cscript%3Ealert(1)%3C/script%3E",
        "/claim?number=%3Cscript%3E1",
    ],
)
def test_no_text_becomes_markup(logged_in, evil, page):
    client = logged_in()
    number = {"number": 'EV"><em>1'}
    if page == "photo":
        answer = client.get(f"/photo/{evil[0]}")
    elif page == "compare":
        answer = client.get(f"/compare?one={evil[0]}&other={evil[1]}")
    elif "?" in page or page == "/":
        answer = client.get(page)
    else:
        answer = client.get(page, params=number)
    text = answer.text
    assert answer.status_code in {200, 400}
    assert "&lt;script&gt;" in text, "the text must be on the page, as text"
    for harm in ("<script>", "<img src=x", "<em>1", "</title><", "onerror=alert(1)>"):
        assert harm not in text.replace("</title>\n", ""), harm


def test_what_a_script_sends_is_checked_before_anything_is_done(logged_in, workspace, claim):
    client = logged_in()
    before = workspace.custody.head().seq
    for body in (
        {"photos": {"../../etc/passwd": "0" * 12}, "tags": {"face": "left"}},
        {"photos": {claim[0]: "<script>"}, "tags": {"face": "left"}},
        {"photos": {claim[0]: "0" * 12}, "tags": {"face": EVIL[:50]}},
        {"photos": {claim[0]: "0" * 12}, "tags": {"colour": "left"}},
        {"photos": {claim[0]: "0" * 12}, "tags": {"count": "-1"}},
        {"photos": {}, "tags": {"face": "left"}},
        {"photos": {claim[0]: "0" * 12}, "tags": {"face": "left"}, "actor": "Rhea"},
        {"photos": {"f" * 64: "0" * 12}, "tags": {"face": "left"}},
    ):
        answer = client.post(
            "/do/tag", json=body, headers={"x-board-token": client.token, "accept": "application/json"}
        )
        assert answer.status_code == 400, body
        assert "message" in answer.json()
    assert workspace.custody.head().seq == before


HIDDEN = "A\x9b31m\u202egnp.\u200b"


@pytest.mark.parametrize("page", ["/", "/claim", "/photos", "/day", "/missing", "/history", "photo"])
def test_no_page_holds_a_character_that_hides_or_reorders_text(logged_in, workspace, page):
    put_claim(workspace, "HD-1", insured=HIDDEN, address=HIDDEN)
    shas = put_photos(
        workspace,
        "HD-1",
        2,
        facts={"make": HIDDEN, "model": HIDDEN, "serial": HIDDEN},
        tags={0: (facet_value(Facet.COMPONENT, "gutter", guess=0.9, reason=HIDDEN),)},
        name=HIDDEN,
    )
    client = logged_in()
    text = client.get(f"/photo/{shas[0]}" if page == "photo" else page, params={"number": "HD-1"}).text
    assert "\\x9b31m" in text, "the name must be on the page, with its escapes"
    assert not set(HIDDEN) & set(text) & {"\x9b", "\u202e", "\u200b"}
