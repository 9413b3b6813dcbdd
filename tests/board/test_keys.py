"""The one table of keys: documents repeat it, no key has two meanings in one place, and every named action exists."""

from __future__ import annotations

from pathlib import Path

from evidence.board import keys
from evidence.board.context import CLAIM_TABS
from evidence.board.keys import FACET_KEYS, KEYS, Where

ROOT = Path(__file__).resolve().parents[2]
BOARD = ROOT / "evidence" / "board"


def test_the_reviewers_page_repeats_the_table():
    assert keys.markdown() in (ROOT / "docs" / "reviewer.md").read_text("utf-8")


def test_no_key_starts_two_actions_that_a_page_can_have_together():
    together = [
        {Where.ANYWHERE, Where.CLAIMS},
        {Where.ANYWHERE, Where.CLAIM, Where.PHOTOS, Where.TAGS},
        {Where.ANYWHERE, Where.CLAIM, Where.PHOTO, Where.TAGS},
        {Where.ANYWHERE, Where.CLAIM, Where.PHOTO, Where.USED_BEFORE},
    ]
    tags = {key for facet in FACET_KEYS.values() for key in facet.values()} | set("123456789whyqz")
    for places in together:
        bound = [one for key in KEYS if key.where in places for one in key.keys]
        assert len(bound) == len(set(bound))
        assert Where.TAGS not in places or not tags & set(bound)


def test_every_action_has_a_script_or_an_element_that_takes_it():
    files = (*(BOARD / "static").glob("*.js"), *(BOARD / "templates").glob("*.html"))
    texts = "".join(path.read_text("utf-8") for path in files)
    tabs = {name for name, *_ in CLAIM_TABS}
    for key in KEYS:
        if key.does and key.does != "pan" and key.does not in tabs:
            assert (
                f'Board.on("{key.does}"' in texts
                or f'on("{key.does}"' in texts
                or f'data-does="{key.does}"' in texts
            ), key


def test_the_tabs_show_the_keys_of_the_table():
    by_name = {key.does: key.shown for key in KEYS}
    assert all(by_name[name] == shown for name, _, _, shown in CLAIM_TABS)
