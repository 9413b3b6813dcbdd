"""Holds through the commands: what each covers, who may lift it, and that a running purge stops before it goes on."""

from __future__ import annotations

import contextlib
import subprocess
import sys
from datetime import UTC, datetime
from itertools import count

import pytest
from support_cli import CONFIRMED, cli
from support_intake import CLAIMS, actions, at_home, filed, loaded_archive
from support_retention import reload_assignments

from evidence.errors import BadInputError, PurgeRefusedError
from evidence.model import ClaimId, Duty, HoldKind, HoldScope
from evidence.office import holds, people
from evidence.office.purge_repository import ArchiveRepository
from evidence.office.retention import facts_of

pytestmark = pytest.mark.usefixtures("plain_certificates")
ONE, TWO, THREE = (ClaimId(f"TC-100{n}") for n in (1, 2, 3))


@pytest.fixture
def archive(tmp_path):
    """Three hail claims without photos."""
    return loaded_archive(tmp_path)


def covered(archive, number):
    listed = {one["number"]: one["claims"] for one in cli("hold", "list", "--json", archive=archive).data}
    return listed.get(number)


def place(archive, *conditions):
    ran = cli("hold", "place", *conditions, "--reason", "counsel's letter", "--json", archive=archive)
    assert ran.status == 0, ran.err
    return ran.data["hold"]


def test_a_hold_covers_an_insured_a_storm_or_a_range_of_dates(archive):
    assert covered(archive, place(archive, ONE, "--kind", "litigation")) == [ONE]
    assert covered(archive, place(archive, "--insured", "reed, ben", "--kind", "minor")) == [TWO]
    storm = place(archive, "--peril", "hail", "--loss-from", "2026-05-01", "--loss-to", "2026-05-02")
    assert covered(archive, storm) == [ONE, TWO, THREE]
    assert covered(archive, place(archive, "--loss-from", "2026-05-02")) == []
    with at_home(archive) as workspace:
        kinds = [one.kind for one in facts_of(workspace, ONE).holds]
    assert kinds == ["litigation", "the office's own"]


def test_an_area_leaves_out_only_claims_that_are_known_to_lie_elsewhere(archive):
    number = place(archive, "--area", "Elm", "--kind", "regulator")
    assert covered(archive, number) == [ONE, TWO, THREE], "no jurisdiction is known, so in doubt all are held"
    rows = [line + (",jurisdiction" if n == 0 else ",US-CO") for n, line in enumerate(CLAIMS.splitlines())]
    assert reload_assignments(archive, "\n".join(rows)).status == 0
    assert covered(archive, place(archive, "--area", "Elm")) == [THREE]
    assert covered(archive, number) == [ONE, TWO, THREE], "what was held stays held"


def test_claims_that_arrive_later_are_held_and_a_corrected_name_takes_none_out(archive):
    number = place(archive, "--insured", "Moss")
    later = (
        CLAIMS
        + "TC-2000,Eve Moss,4 Larch Way,2026-05-01,hail\nTC-2001,Fay Lind,5 Larch Way,2026-05-01,hail\n"
    )
    assert reload_assignments(archive, later).status == 0
    assert covered(archive, number) == [ONE, "TC-2000"]
    assert reload_assignments(archive, later.replace("Eve Moss", "Eve Marsh")).status == 0
    assert covered(archive, number) == [ONE, "TC-2000"]


def test_a_hold_ends_after_its_last_day(archive):
    number = place(archive, ONE, "--until", "2999-01-01")
    with at_home(archive) as workspace:
        assert len(facts_of(workspace, ONE).holds) == 1
    with at_home(archive, now=datetime(2999, 1, 2, 12, tzinfo=UTC)) as workspace:
        assert facts_of(workspace, ONE).holds == ()
        assert holds.holds_listed(workspace) == []
        assert [one.hold.number for one in holds.holds_listed(workspace, ended_too=True)] == [number]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        pytest.param(["place", ONE, "--reason", " "], "needs a reason", id="no-reason"),
        pytest.param(["place", "--reason", "x"], "something to cover", id="nothing-to-cover"),
        pytest.param(["place", ONE, "--peril", "hail", "--reason", "x"], "no other conditions", id="both"),
        pytest.param(["place", "TC-1", "--reason", "x"], "no claim TC-1", id="unknown-claim"),
        pytest.param(["place", ONE, "--reason", "x", "--until", "2020-01-01"], "in the past", id="over-already"),
        pytest.param(["place", ONE, "--reason", "x", "--kind", "legal"], "legal", id="unknown-kind"),
        pytest.param(
            ["place", "--loss-from", "2026-05-02", "--loss-to", "2026-05-01", "--reason", "x"],
            "before", id="dates-exchanged",
        ),
        pytest.param(["lift", "9", "--reason", "x"], "no hold 9", id="unknown-hold"),
        pytest.param(["lift", "1"], "either --reason or --confirm", id="neither"),
    ],
)  # fmt: skip
def test_a_mistaken_hold_changes_nothing(archive, arguments, words):
    log = (archive / "custody" / "custody.jsonl").read_bytes()
    ran = cli("hold", *arguments, archive=archive)
    assert ran.status == 2
    assert words in ran.err
    assert (archive / "custody" / "custody.jsonl").read_bytes() == log


def test_lifting_needs_another_person_than_the_one_who_asked(archive):
    number = place(archive, ONE)
    assert "Nobody asked" in cli("hold", "lift", number, "--confirm", archive=archive, actor="Bo").err
    assert cli("hold", "lift", number, "--reason", "settled", archive=archive, actor="Ann Lee").status == 0
    refused = cli("hold", "lift", number, "--confirm", archive=archive, actor="ann  LEE")
    assert (refused.status, "cannot confirm" in refused.err) == (2, True)
    assert covered(archive, number) == [ONE]
    assert cli("hold", "lift", number, "--confirm", archive=archive, actor="Bo").status == 0
    assert covered(archive, number) is None
    assert [one for one in actions(archive) if one.startswith("hold_")] == [
        "hold_placed",
        "hold_lift_asked",
        "hold_lifted",
    ]


def test_where_people_are_registered_they_log_in_and_count_by_their_row(archive):
    number, password = place(archive, ONE), "a long phrase for a test"
    with at_home(archive) as workspace:
        for name in ("Ann Lee", "Bo Example"):
            people.add_person(workspace, name, Duty.OFFICE, password)
        with pytest.raises(PurgeRefusedError, match="log in"):
            holds.ask_to_lift(workspace.acting_as("Ann Lee"), number, why="settled")
        ann = people.log_in(workspace, "Ann Lee", password)
        holds.ask_to_lift(ann, number, why="settled")
        with pytest.raises(PurgeRefusedError, match="wrong"):
            people.log_in(workspace, "Bo Example", "another phrase for a test")
        with pytest.raises(PurgeRefusedError, match="log in"):
            holds.lift_hold(workspace.acting_as("Bo Example"), number)
        with pytest.raises(BadInputError, match="cannot confirm"):
            holds.lift_hold(ann, number)
        holds.lift_hold(people.log_in(workspace, "Bo Example", password), number)
        assert facts_of(workspace, ONE).holds == ()


def test_a_hold_waits_for_no_lock_of_an_intake_or_a_filing(archive):
    with at_home(archive) as busy, busy.filing(), busy.locked(), at_home(archive) as workspace:
        number = holds.place_hold(workspace, HoldScope(peril="hail"), reason="suit", kind=HoldKind.LITIGATION)
        assert [one.name for one in facts_of(workspace, ONE).holds] == [f"hold {number}"]


@pytest.mark.parametrize(
    "conditions", [(ONE,), ("--peril", "hail", "--loss-to", "2030-01-01")], ids=["claim", "storm"]
)
def test_a_hold_of_another_process_stops_a_running_purge_before_its_next_removal(
    houses, conditions, monkeypatch
):
    assert reload_assignments(houses, CLAIMS.replace("2026-05-01", "2015-01-01")).status == 0
    theirs = {digest for digest, (claim, _) in filed(houses).items() if claim == ONE}
    assert cli("close", ONE, "--on", "2016-01-04", archive=houses).status == 0
    plan = cli("purge", "plan", *CONFIRMED, "--json", archive=houses, actor="Ada Clerk").data["plan"]
    assert cli("purge", "approve", plan, archive=houses, actor="Ben Witness").status == 0
    inner, removals = ArchiveRepository.removing, count(1)

    @contextlib.contextmanager
    def removing(repository):
        with inner(repository):
            yield
        if next(removals) == 2:
            code = "import sys; from evidence.cli.main import run; run(sys.argv[1:])"
            placed = subprocess.run(
                [sys.executable, "-c", code, "hold", "place", *conditions, "--reason", "suit", "--archive", str(houses)],
                capture_output=True, text=True, check=False, timeout=120,
            )  # fmt: skip
            assert placed.returncode == 0, placed.stderr

    monkeypatch.setattr(ArchiveRepository, "removing", removing)
    ran = cli("purge", "run", "--yes", *CONFIRMED, plan, "--json", archive=houses)
    assert next(removals) >= 3, "the hold was placed"
    (refused,) = ran.data["refused"]
    assert refused["begun"]
    assert "held by" in refused["reason"]
    assert theirs <= set(filed(houses)), "the bag is the last copy to go: it stands"
    with at_home(houses) as workspace:
        assert facts_of(workspace, ONE).holds
    assert "purge_stopped" in actions(houses)
