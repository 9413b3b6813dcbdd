"""Closing, reopening, holds and the retention schedule, through the commands, over real bags."""

from __future__ import annotations

import json
import os
import shutil
from datetime import date

import pytest
from support_cli import cli
from support_copy import copy_tree
from support_intake import CLAIMS, actions, at_home, bags_of, filed
from support_retention import reload_assignments

from evidence.catalog.decisions import Close
from evidence.office import holds, retention


def test_a_closed_claim_is_kept_until_its_period_ends_then_due_unless_held(houses):
    assert cli("close", "TC-1002", "--on", "2026-06-01", archive=houses).status == 0

    def listed(as_of):
        found = cli("retention", "--as-of", as_of, "--json", archive=houses).data
        return {kind: [one["claim"] for one in found[kind]] for kind in ("due", "held", "kept")}

    kept = cli("retention", "--as-of", "2033-06-01", "--json", archive=houses).data["kept"]
    # Seven years from closing, through the anniversary: the office's customary rule, common practice, no source.
    assert {one["claim"]: one["until"] for one in kept}["TC-1002"] == "2033-06-01"
    assert "TC-1002" in listed("2033-06-01")["kept"]
    assert listed("2033-06-02")["due"] == ["TC-1002"]
    placed = cli("hold", "place", "TC-1002", "--reason", "suit filed", "--json", archive=houses).data["hold"]
    assert listed("2040-01-01") == {"due": [], "held": ["TC-1002"], "kept": ["TC-1001", "TC-1003"]}
    assert cli("hold", "lift", placed, "--reason", "settled", archive=houses, actor="Ann").status == 0
    assert listed("2040-01-01")["held"] == ["TC-1002"]
    assert cli("hold", "lift", placed, "--confirm", archive=houses, actor="Bo").status == 0
    assert listed("2040-01-01")["due"] == ["TC-1002"]
    assert cli("hold", "lift", placed, "--reason", "again", archive=houses).status == 2
    cli("reopen", "TC-1002", "--on", "2026-06-10", archive=houses)
    assert listed("2040-01-01")["due"] == []
    cli("close", "TC-1002", "--on", "2026-07-01", archive=houses)
    assert listed("2033-07-01")["due"] == []
    assert listed("2033-07-02")["due"] == ["TC-1002"]
    told = [one for one in actions(houses) if one.startswith(("claim_", "hold_"))]
    assert told == [
        "claim_closed",
        "hold_placed",
        "hold_lift_asked",
        "hold_lifted",
        "claim_reopened",
        "claim_closed",
    ]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        pytest.param(["close", "TC-1001", "--on", "2999-01-01"], "future", id="closed in the future"),
        pytest.param(["close", "TC-1001", "--on", "2016-05-14"], "date of loss", id="before the loss"),
        pytest.param(["close", "TC-1001", "--on", "14.05.2026"], "not a date", id="not a date"),
        pytest.param(["reopen", "TC-1001", "--on", "2026-06-01"], "not closed", id="reopened while open"),
        pytest.param(["hold", "place", "TC-1001", "--reason", " "], "reason", id="hold without a reason"),
        pytest.param(["hold", "lift", "7", "--reason", "x"], "no hold 7", id="no such hold"),
        pytest.param(["retention", "--as-of", "soon"], "not a date", id="as of no date"),
        pytest.param(["purge", "approve", "2026"], "no purge plan", id="no such plan"),
        pytest.param(["purge", "run", "../..", "--yes"], "no purge plan", id="a plan elsewhere"),
    ],
)
def test_a_mistaken_command_changes_nothing(houses, arguments, words):
    log = (houses / "custody" / "custody.jsonl").read_bytes()
    ran = cli(*arguments, archive=houses)
    assert ran.status == 2
    assert words in ran.err
    assert ran.err.count("\n") == 1
    assert (houses / "custody" / "custody.jsonl").read_bytes() == log


def test_a_claim_cannot_be_reopened_before_it_was_closed_nor_closed_twice(houses):
    cli("close", "TC-1001", "--on", "2026-06-01", archive=houses)
    assert cli("reopen", "TC-1001", "--on", "2026-05-31", archive=houses).status == 2
    assert "closed already" in cli("close", "TC-1001", "--on", "2026-06-02", archive=houses).err


def test_a_closing_before_the_last_photo_is_noted_because_the_year_may_be_mistyped(houses):
    ran = cli("close", "TC-1001", "--on", "2026-05-10", "--json", archive=houses)
    assert ran.status == 0
    assert "the last photo of claim TC-1001 was taken on 2026-05-14" in ran.err
    assert ran.data == {"claim": "TC-1001", "closed_on": "2026-05-10"}
    assert "Note" not in cli("close", "TC-1002", "--on", "2026-06-01", archive=houses).err


def test_a_new_name_in_the_assignments_reaches_the_bags_records_and_the_folder_stays(houses):
    before = {bag.name: (bag / "manifest-sha256.txt").read_bytes() for bag in bags_of(houses)}
    loaded = reload_assignments(
        houses, CLAIMS.replace("Ada Moss", "Ada Moss-Lind").replace("1 Larch Way", "11 Larch Way")
    )
    assert loaded.data["updated"] == 1
    filed(houses)
    assert [bag.name for bag in bags_of(houses)] == list(before)
    records = {
        about["claim"]["claim"]: about["claim"]["insured"]
        for bag in bags_of(houses)
        if (about := json.loads((bag / "records" / "claim.json").read_text()))["claim"]
    }
    assert records["TC-1001"] == "Ada Moss-Lind"
    assert (
        reload_assignments(
            houses, CLAIMS.replace("Ada Moss", "Ada Moss-Lind").replace("1 Larch Way", "11 Larch Way")
        ).data["updated"]
        == 0
    )


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")
@pytest.mark.parametrize("action", ["close", "hold"])
def test_a_killed_closing_or_hold_is_complete_or_absent_and_in_the_log(houses, tmp_path, action):
    from support_kill import changes_of, killed_at

    def doing(archive):
        def work():
            with at_home(archive) as workspace:
                if action == "close":
                    retention.close_claim(workspace, "TC-1001", on=date(2026, 5, 20))
                else:
                    holds.place_hold(workspace, "TC-1001", reason="suit filed")

        return work

    whole = tmp_path / "whole"
    copy_tree(houses, whole)
    steps = changes_of(doing(whole), whole)
    outcomes = set()
    for step in range(
        0, steps * 9 // 10, max(1, steps // 6)
    ):  # files placed at once make the last steps vary
        archive = tmp_path / f"killed-{step}"
        copy_tree(houses, archive)
        assert killed_at(doing(archive), archive, step)
        with at_home(archive) as workspace:
            row = workspace.catalog.claims.get("TC-1001")
            changes = workspace.catalog.claims.decisions(Close)
            assert (row.state.value == "closed") == bool(changes)
            done = bool(changes) if action == "close" else bool(workspace.catalog.holds.all())
        logged = ("claim_closed" if action == "close" else "hold_placed") in actions(archive)
        assert logged or not done
        outcomes.add(done)
        shutil.rmtree(archive)
    assert outcomes == {True, False}
