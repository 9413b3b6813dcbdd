"""The page of a claim's house: drawing and tables say the same, no guess counts, and hostile names stay text."""

from __future__ import annotations

import re

import pytest
from defusedxml import ElementTree as SafeET
from support_board import facet_value, put_claim, put_photos
from support_browser import board, log_in, press
from support_report import coverage, record, tag, vocabulary

from evidence.board.plan_svg import plan_svg
from evidence.model import CameraFacts, Facet, GeoPoint
from evidence.paper.house import claim_house

__all__ = ["board", "log_in"]  # fixtures of other files, too

SVG = "{http://www.w3.org/2000/svg}"


def drawing(records, names=None):
    shown = claim_house(records, vocabulary(), coverage())
    text = plan_svg(shown.plan, names or {})
    return SafeET.fromstring(text.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))


def facing(order, face, degrees):
    facts = CameraFacts(direction=degrees, direction_is_true=True, gps=GeoPoint(lat=38.0, lon=-97.0))
    return record(order, tag(role="elevation", face=face), facts=facts)


def test_the_drawing_is_well_formed_named_and_described():
    svg = drawing([facing(0, "front", 0.0), record(1, tag(role="test_square", face="left", count="9"))])
    assert svg.attrib["role"] == "img"
    ids = svg.attrib["aria-labelledby"].split()
    words = [svg.find(f".//*[@id='{one}']").text for one in ids]
    assert words[0] == "Plan of the house, seen from above"
    assert "left slope: damaged, 1 photo, test square with 9 hits" in words[1]
    assert "no measurement" in words[1]
    assert [one.text for one in svg.iter(f"{SVG}text") if one.attrib["class"] == "plan-hits"] == ["9"]
    assert "N" in [one.text for one in svg.iter(f"{SVG}text")]


def test_the_name_of_a_photo_stays_text():
    seen = facing(0, "front", 0.0)
    svg = drawing([seen], {seen.sha256: "<script>alert(1)</script> & \u0022"})
    dot = next(one for one in svg.iter(f"{SVG}g") if one.attrib.get("class") == "plan-dot")
    assert dot.find(f"{SVG}title").text == "<script>alert(1)</script> & \u0022"
    assert not list(svg.iter(f"{SVG}script"))


def test_without_a_compass_there_is_no_north_and_no_dot():
    svg = drawing([record(0, tag(role="elevation", face="front"))])
    assert "N" not in [one.text for one in svg.iter(f"{SVG}text")]
    assert not [one for one in svg.iter(f"{SVG}g") if one.attrib.get("class") == "plan-dot"]


@pytest.fixture
def walked(workspace):
    put_claim(workspace, "BD-1", insured="Wilhelmina Ardenne")
    tags = {
        0: (facet_value(Facet.ROLE, "elevation"), facet_value(Facet.FACE, "front")),
        1: (
            facet_value(Facet.COMPONENT, "gutter"),
            facet_value(Facet.FACE, "right"),
            facet_value(Facet.CONDITION, "damage"),
        ),
        2: (facet_value(Facet.ROLE, "elevation", guess=0.9), facet_value(Facet.FACE, "left", guess=0.9)),
        3: (
            facet_value(Facet.ROLE, "test_square"),
            facet_value(Facet.FACE, "back"),
            facet_value(Facet.COUNT, "6"),
        ),
    }
    return put_photos(workspace, "BD-1", 5, tags=tags, pictures=True)


@pytest.mark.parametrize("width", [1440, 1280, 390])
def test_the_tab_opens_by_one_key_and_says_what_the_photos_state(log_in, board, walked, width):
    page = log_in(size={"width": width, "height": 800}, at="/claim?number=BD-1")
    press(page, "E")
    page.wait_for_url("**/house?number=BD-1")
    sides = [" ".join(row.split()) for row in page.locator(".house-sides tbody tr").all_inner_texts()]
    assert re.match("front P shown 1 photo: 1 M not shown", sides[0])
    assert re.match("right D damaged 1 photo: 2 1 required shot missing M not shown", sides[1])
    assert "test square, photo 4: 6 hits" in sides[2]
    assert re.match("left G only guessed not yet reviewed: 3", sides[3])
    parts = [" ".join(row.split()) for row in page.locator(".house-parts tbody tr").all_inner_texts()]
    assert parts == ["gutter right damage 1 2"]
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.locator("svg.plan").bounding_box()["width"] > 250
    assert page.inner_text(".queue span") == "1 of 1"
    page.locator(".house-parts a").first.focus()
    press(page, "Enter")
    page.wait_for_url(f"**/photo/{walked[1]}")


def test_a_caption_is_written_on_the_photos_page_and_undone_on_the_history(log_in, board, workspace, walked):
    page = log_in(at=f"/photo/{walked[1]}")
    page.locator(".caption-form textarea").focus()
    page.keyboard.type("Dent, 20 mm")
    press(page, "Tab", "Enter")
    page.wait_for_selector(".note.good")
    assert workspace.catalog.photos.records([walked[1]])[0].caption == "Dent, 20 mm"
    page.goto(f"{board.url}/history?number=BD-1")
    assert "wrote the caption: Dent, 20 mm" in page.inner_text("main")
    page.locator("form[action='/do/undo'] button").first.click()
    page.wait_for_selector(".note.good")
    assert workspace.catalog.photos.records([walked[1]])[0].caption == ""
