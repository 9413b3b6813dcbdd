"""Photos that another intake files while this one describes them are described all the same."""

from __future__ import annotations

import os

import pytest
from support_card import CardMaker
from support_intake import at_home, taken_in, where
from support_kill import HereExecutor

from evidence.intake import describe as describing
from evidence.intake import pipeline


@pytest.mark.parametrize("when", ["before the facts", "before the pixels"])
def test_a_photo_that_is_moved_while_it_is_read_is_read_at_its_new_place(houses, tmp_path, monkeypatch, when):
    card = CardMaker(tmp_path / "next", number=60, seed=800, serial="TC-0002")
    card.wait(days=1)
    card.sheet("TC-1003")
    card.scene()
    moved = set()
    real_original, real_facts = describing.require_original, describing.read_facts

    def at_old_place(workspace, sha):
        path = real_original(workspace, sha)
        if sha in moved:
            return path
        moved.add(sha)
        old = tmp_path / path.name
        if when == "before the pixels":
            os.link(path, old)
        return old

    def then_moved(path, kind):
        facts = real_facts(path, kind)
        if path.parent == tmp_path:
            path.unlink()
        return facts

    monkeypatch.setattr(describing, "require_original", at_old_place)
    monkeypatch.setattr(describing, "read_facts", then_moved)
    with at_home(houses) as workspace:
        report = pipeline.take_in(workspace, card.root, executor=HereExecutor())
    assert len(moved) == 2
    assert not report.findings
    assert {where(houses)["TEST0060.JPG"], where(houses)["TEST0061.JPG"]} == {"TC-1003"}
    assert taken_in(houses, card.root).already_kept == 2
