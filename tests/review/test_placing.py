"""A person's corrections: the bags follow, no later run overrides them, each can be undone, a kill loses nothing."""

from __future__ import annotations

import os
import shutil

import pytest
from support_card import CardMaker
from support_cli import cli
from support_copy import copy_tree
from support_intake import actions, at_home, filed, loaded_archive, taken_in, where

from evidence.analysis.coverage import coverage_of
from evidence.catalog.decisions import Correction, Move, Tag
from evidence.errors import BadInputError
from evidence.model import Sha256
from evidence.review import placing

FIRST = {f"TEST{n:04d}.JPG" for n in range(1, 5)} | {"TEST0003.WAV"}
SECOND = {f"TEST{n:04d}.JPG" for n in range(5, 9)}


def of(archive, claim):
    return {name for name, owner in where(archive).items() if owner == claim}


def test_the_two_houses_are_as_the_tests_below_assume(houses):
    assert of(houses, "TC-1001") == FIRST
    assert of(houses, "TC-1002") == SECOND


# --- move ----------------------------------------------------------------------------------


def test_a_moved_photo_goes_into_the_other_bag_and_a_later_intake_leaves_it_there(
    houses, two_houses_taken_in
):
    moved = cli("move", "TEST0007.JPG", "--to", "TC-1001", "--json", archive=houses, actor="Rita")
    assert moved.status == 0, moved.err
    assert of(houses, "TC-1001") == FIRST | {"TEST0007.JPG"}
    assert of(houses, "TC-1002") == SECOND - {"TEST0007.JPG"}
    taken_in(houses, two_houses_taken_in[1].root)
    assert "TEST0007.JPG" in of(houses, "TC-1001")
    with at_home(houses) as home:
        entry = [one for one in home.custody.entries() if one.action == "moved"]
    assert [(one.actor, one.details["to"], one.details["decision"]) for one in entry] == [
        ("Rita", "TC-1001", moved.data["decision"])
    ]


def test_a_photo_moves_into_the_tray_and_out_again(houses):
    assert cli("move", "TEST0006.JPG", "--to", "unassigned", archive=houses).status == 0
    assert of(houses, "unassigned") == {"TEST0006.JPG"}
    assert cli("move", "TEST0006.JPG", "--to", "TC-1003", archive=houses).status == 0
    assert of(houses, "TC-1003") == {"TEST0006.JPG"}
    assert of(houses, "unassigned") == set()


def test_what_is_one_object_with_a_moved_photo_goes_along_and_the_latest_decision_counts(houses):
    cli("move", "TEST0003.JPG", "--to", "TC-1002", archive=houses)
    assert {"TEST0003.JPG", "TEST0003.WAV"} <= of(houses, "TC-1002")
    cli("move", "TEST0003.WAV", "--to", "TC-1003", archive=houses)
    assert of(houses, "TC-1003") == {"TEST0003.JPG", "TEST0003.WAV"}


def test_an_undone_move_puts_the_photo_back_and_undoing_again_finds_nothing(houses):
    before = where(houses)
    cli("move", "TEST0007.JPG", "TEST0008.JPG", "--to", "TC-1001", archive=houses)
    assert where(houses) != before
    assert cli("undo", archive=houses).status == 0
    assert where(houses) == before
    assert cli("undo", archive=houses).status == 2


def test_an_older_move_can_be_undone_from_under_a_later_one_of_other_photos(houses):
    first = cli("move", "TEST0007.JPG", "--to", "TC-1001", "--json", archive=houses).data["decision"]
    cli("move", "TEST0006.JPG", "--to", "TC-1001", archive=houses)
    cli("undo", first, archive=houses)
    assert of(houses, "TC-1002") == SECOND - {"TEST0006.JPG"}


def test_a_move_whose_claim_was_closed_meanwhile_is_not_undone(houses):
    cli("move", "TEST0007.JPG", "--to", "TC-1001", archive=houses)
    cli("close", "TC-1001", "--on", "2026-05-20", archive=houses)
    before = filed(houses)
    refused = cli("undo", archive=houses)
    assert refused.status == 2
    assert "TC-1001 is closed" in refused.err
    assert filed(houses) == before
    cli("reopen", "TC-1001", "--on", "2026-05-21", archive=houses)
    assert cli("undo", archive=houses).status == 0
    assert of(houses, "TC-1001") == FIRST


@pytest.mark.parametrize(
    "arguments",
    [
        pytest.param(["move", "TEST0007.JPG", "--to", "TC-1001"], id="move into it"),
        pytest.param(["move", "TEST0002.JPG", "--to", "TC-1002"], id="move out of it"),
        pytest.param(["join", "TEST0005.JPG"], id="join the next house to it"),
        pytest.param(["cut", "TEST0003.JPG"], id="cut it"),
        pytest.param(["name", "TEST0002.JPG", "TC-1002"], id="assign its segment to another"),
        pytest.param(["tag", "TEST0002.JPG", "--face", "left"], id="tag"),
        pytest.param(["waive", "TC-1001", "ridge", "--why", "flat roof"], id="waive"),
    ],
)
def test_nothing_of_a_closed_claim_changes(houses, arguments):
    assert cli("close", "TC-1001", "--on", "2026-05-20", archive=houses).status == 0
    before, log = filed(houses), (houses / "custody" / "custody.jsonl").read_bytes()
    refused = cli(*arguments, archive=houses)
    assert refused.status == 2, refused.out
    assert "TC-1001" in refused.err
    assert filed(houses) == before
    assert (houses / "custody" / "custody.jsonl").read_bytes() == log
    with at_home(houses) as home:
        assert not home.catalog.claims.decisions(Correction)


def test_photos_whose_sheet_names_a_closed_claim_are_kept_there_and_reported(houses, two_houses_taken_in):
    cli("close", "TC-1001", "--on", "2026-05-20", archive=houses)
    later = CardMaker(houses.parent / "later", serial="TC-0002", seed=900, number=40)
    later.wait(days=2)
    later.sheet("TC-1001")
    later.scene()
    report = taken_in(houses, later.root)
    assert [one.subject for one in report.findings if one.code == "claim_is_settled"] == ["TC-1001"]
    assert {"TEST0040.JPG", "TEST0041.JPG"} <= of(houses, "TC-1001")


# --- cut, join, name -----------------------------------------------------------------------


def test_a_segment_that_was_cut_off_and_named_stays_with_its_claim(houses, two_houses_taken_in):
    before = where(houses)
    assert cli("cut", "TEST0007.JPG", archive=houses).status == 0
    named = cli("name", "TEST0007.JPG", "TC-1003", "--json", archive=houses)
    assert named.status == 0, named.err
    assert of(houses, "TC-1003") == {"TEST0007.JPG", "TEST0008.JPG"}
    taken_in(houses, two_houses_taken_in[1].root)
    assert of(houses, "TC-1003") == {"TEST0007.JPG", "TEST0008.JPG"}
    cli("undo", archive=houses)
    cli("undo", archive=houses)
    assert where(houses) == before
    assert [one for one in actions(houses) if one in ("cut", "named", "undone")] == [
        "cut",
        "named",
        "undone",
        "undone",
    ]


def test_a_joined_boundary_is_gone_and_comes_back_when_that_is_undone(houses, two_houses_taken_in):
    before = where(houses)
    cut = cli("cut", "TEST0007.JPG", archive=houses)
    assert cut.status == 0
    with at_home(houses) as home:
        firsts = {row.first for row in home.catalog.photos.segments()}
        assert home.catalog.photos.find("TEST0007.JPG")[0] in firsts
    cli("join", "TEST0007.JPG", archive=houses)
    taken_in(houses, two_houses_taken_in[1].root)
    with at_home(houses) as home:
        firsts = {row.first for row in home.catalog.photos.segments()}
        assert home.catalog.photos.find("TEST0007.JPG")[0] not in firsts
    cli("undo", archive=houses)
    with at_home(houses) as home:
        firsts = {row.first for row in home.catalog.photos.segments()}
        assert home.catalog.photos.find("TEST0007.JPG")[0] in firsts
    cli("undo", archive=houses)
    assert where(houses) == before


def untimed(root):
    """A card whose photos have no time at all."""
    import io

    from PIL import Image

    card = CardMaker(root)
    for number in range(1, 7):
        card.seed += 1
        frame = Image.effect_noise((320, 240), 40 + number)
        out = io.BytesIO()
        frame.save(out, "JPEG")
        card.put(f"TEST{number:04d}.JPG", out.getvalue())
    return card


def test_photos_without_any_time_keep_their_segment_when_one_of_them_is_moved(tmp_path):
    archive = loaded_archive(tmp_path)
    card = untimed(tmp_path / "card")
    taken_in(archive, card.root)
    everything = {f"TEST{n:04d}.JPG" for n in range(1, 7)}
    assert of(archive, "unassigned") == everything
    assert cli("move", "TEST0003.JPG", "--to", "TC-1003", archive=archive).status == 0
    assert of(archive, "TC-1003") == {"TEST0003.JPG"}
    segments = cli("segments", "--json", archive=archive).data
    assert sum(one["photos"] for one in segments) == len(everything)
    named = cli("name", "TEST0001.JPG", "TC-1003", archive=archive)
    assert named.status == 0, named.err
    shown = cli("photos", "TC-1003", "--json", archive=archive).data
    assert [one["name"] for one in shown] == sorted(one["name"] for one in shown)


def test_a_cut_among_photos_without_any_time_takes_those_after_it_along(tmp_path):
    archive = loaded_archive(tmp_path)
    taken_in(archive, untimed(tmp_path / "card").root)
    cli("cut", "TEST0004.JPG", archive=archive)
    cli("name", "TEST0004.JPG", "TC-1003", archive=archive)
    assert of(archive, "TC-1003") == {"TEST0004.JPG", "TEST0005.JPG", "TEST0006.JPG"}


def test_work_past_midnight_stays_one_segment_when_the_next_days_card_comes(tmp_path):
    archive = loaded_archive(tmp_path)
    card = CardMaker(tmp_path / "card")
    card.clock = card.clock.replace(hour=23, minute=58)
    card.sheet("TC-1001")
    for _ in range(9):
        card.scene()
        card.wait(seconds=10)
    taken_in(archive, card.root)
    late = {f"TEST{n:04d}.JPG" for n in range(1, 11)}
    assert of(archive, "TC-1001") == late
    other = CardMaker(tmp_path / "other", serial="TC-0002", seed=700, number=50)
    other.clock = card.clock.replace(hour=10)
    other.sheet("TC-1002")
    other.scene()
    taken_in(archive, other.root)
    assert of(archive, "TC-1001") == late
    assert sum(one["photos"] for one in cli("segments", "--json", archive=archive).data) == 12


# --- tags and waivers ----------------------------------------------------------------------


def shown(archive, name):
    every = [p for c in ("TC-1001", "TC-1002") for p in cli("photos", c, "--json", archive=archive).data]
    return next(one for one in every if one["name"] == name)


def test_a_tag_is_stated_removed_with_a_dash_and_undone(houses, two_houses_taken_in):
    assert shown(houses, "TEST0002.JPG")["stated"] == []
    cli("tag", "TEST0002.JPG", "--face", "Left", "--count", "08", archive=houses, actor="Rita")
    said = shown(houses, "TEST0002.JPG")
    assert (said["face"], said["count"]) == ("left", "8")
    assert set(said["stated"]) == {"face", "count"}
    assert "stated by Rita" in " ".join(said["reasons"])
    cli("tag", "TEST0002.JPG", "--face", "back", archive=houses)
    taken_in(houses, two_houses_taken_in[1].root)
    assert shown(houses, "TEST0002.JPG")["face"] == "back"
    cli("undo", archive=houses)
    assert shown(houses, "TEST0002.JPG")["face"] == "left"
    cli("tag", "TEST0002.JPG", "--face", "-", archive=houses)
    assert "face" not in shown(houses, "TEST0002.JPG")["stated"]
    cli("undo", archive=houses)
    assert shown(houses, "TEST0002.JPG")["face"] == "left"
    assert actions(houses).count("tagged") == 3
    filed(houses)


@pytest.mark.parametrize(
    ("option", "word", "hint"),
    [
        ("--face", "lefft", "'left'"),
        ("--role", "test-sqare", "'test_square'"),
        ("--component", "guter", "'gutter'"),
        ("--condition", "damaged", "'damage'"),
        ("--count", "-3", "whole number"),
        ("--count", "12345678", "whole number"),
        ("--count", "\u0663", "whole number"),
    ],
)
def test_a_bad_word_names_the_nearest_and_nothing_is_stated(houses, option, word, hint):
    log = (houses / "custody" / "custody.jsonl").read_bytes()
    refused = cli("tag", "TEST0002.JPG", f"{option}={word}", archive=houses)
    assert refused.status == 2
    assert hint in refused.err
    assert refused.err.count("\n") == 1
    assert (houses / "custody" / "custody.jsonl").read_bytes() == log


def test_a_statement_that_was_changed_later_cannot_be_undone(houses):
    cli("tag", "TEST0002.JPG", "--face", "left", archive=houses)
    with at_home(houses) as home:
        number = home.catalog.claims.decisions(Tag)[-1].number
    cli("tag", "TEST0002.JPG", "--face", "back", archive=houses)
    refused = cli("undo", number, archive=houses)
    assert refused.status == 2
    assert f"evidence undo {number + 1}" in refused.err
    assert shown(houses, "TEST0002.JPG")["face"] == "back"


def test_waive_takes_the_words_that_coverage_shows(houses):
    with at_home(houses) as home:
        items = [one for one in coverage_of(home, "TC-1001").items if one.place]
    printed = " ".join(cli("coverage", "TC-1001", archive=houses).out.split())
    for item in (items[0], items[-1]):
        assert item.title in printed
        assert item.place in printed
        at = ("--at", item.place, "--reason", "none here")
        said = cli("waive", "TC-1001", item.title, *at, archive=houses, actor="Rita")
        assert said.status == 0, said.err
    with at_home(houses) as home:
        standing = {(one.requirement, one.place) for one in home.catalog.claims.waivers("TC-1001")}
    assert standing == {items[0].key, items[-1].key}


def test_a_second_waiver_undone_leaves_the_first_as_it_was(houses):
    required = cli("coverage", "TC-1001", "--json", archive=houses).data["missing"][0]
    shot, place = required["requirement"], required["face"] or required["structure"]
    at = ["--at", place] if place else []
    assert cli("waive", "TC-1001", shot, *at, "--why", "none here", archive=houses, actor="Rita").status == 0
    assert cli("waive", "TC-1001", shot, *at, "--why", "gone now", archive=houses, actor="Sam").status == 0
    cli("undo", archive=houses)
    with at_home(houses) as home:
        standing = home.catalog.claims.waivers("TC-1001")
    assert [(one.by, one.why) for one in standing] == [("Rita", "none here")]
    cli("undo", archive=houses)
    with at_home(houses) as home:
        assert home.catalog.claims.waivers("TC-1001") == []
    told = [one for one in actions(houses) if one in ("waived", "undone")]
    assert told == ["waived", "waived", "undone", "undone"]


# --- killed midway -------------------------------------------------------------------------


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")
def test_a_kill_during_a_move_between_claims_loses_and_doubles_nothing(houses, tmp_path):
    from support_kill import changes_of, killed_at

    def moving(archive):
        def work():
            with at_home(archive) as home:
                digests = [
                    Sha256(sha) for n in (6, 7) for sha in home.catalog.photos.find(f"TEST{n:04d}.JPG")
                ]
                placing.move(home, digests, "TC-1001")

        return work

    whole = tmp_path / "whole"
    copy_tree(houses, whole)
    steps = changes_of(moving(whole), whole)
    before, after = filed(houses), filed(whole)
    assert before != after
    tried = sorted({round(i * (steps - 1) / 5) for i in range(6)})
    outcomes = set()
    for step in tried:
        archive = tmp_path / f"killed-{step}"
        copy_tree(houses, archive)
        # Two threads may both ask for a folder or not, so a run may have a few changes less.
        assert killed_at(moving(archive), archive, step) or step > steps - 4
        with at_home(archive) as home:
            decided = bool(home.catalog.claims.decisions(Move))
            logged = "moved" in {one.action for one in home.custody.entries()}
        assert logged or not decided, f"step {step}: not in the log"
        outcomes.add(decided)
        cli("tag", "TEST0002.JPG", "--face", "left", archive=archive)  # any change lets the bags follow
        assert filed(archive) == (after if decided else before), f"killed before step {step} of {steps}"
        actions(archive)
        assert cli("verify", archive=archive).status == 0, f"killed before step {step}"
        shutil.rmtree(archive)
    assert outcomes == {True, False}


def test_a_correction_that_fails_leaves_catalog_and_bags_as_they_were(houses, monkeypatch):
    before = filed(houses)
    with at_home(houses) as home:
        digest = home.catalog.photos.find("TEST0007.JPG")

        def broken(*_args, **_more):
            raise BadInputError("no", "no")

        monkeypatch.setattr(home.catalog.photos, "place", broken)
        with pytest.raises(BadInputError):
            placing.move(home, digest, "TC-1001")
        assert not home.catalog.claims.decisions(Move)
    assert filed(houses) == before
