"""A claim is in quarantine when its card is taken in again: every photo stays under one claim, whatever the purge becomes."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime, timedelta

import pytest
from support_cli import CONFIRMED, cli
from support_intake import (
    CLAIMS,
    at_home,
    filed,
    holding,
    rows_of,
    set_settings,
    taken_in,
    where,
    with_target,
)
from support_retention import approved, reload_assignments

from evidence.model import Facet
from evidence.office import purging
from evidence.office.purge_repository import ArchiveRepository
from evidence.workspace import Workspace

pytestmark = pytest.mark.usefixtures("plain_certificates")
MOVED = "TEST0002.JPG"
THEIRS = {"TEST0001.JPG", MOVED, "TEST0003.JPG", "TEST0003.WAV", "TEST0004.JPG"}


@pytest.fixture
def target(same_path):
    folder = same_path / "office"
    folder.mkdir()
    return folder


@pytest.fixture
def waiting(kept, request, tmp_path, target, two_houses_taken_in):
    """TC-1001 is in quarantine, and its card was taken in again; returns the archive and the plan."""
    archive = tmp_path / "archive"

    def make():
        request.getfixturevalue("houses")
        assert reload_assignments(archive, CLAIMS.replace("2026-05-01", "2015-01-01")).status == 0
        with_target(archive, target, off=False)
        settings = (archive / "evidence.toml").read_text(encoding="utf-8")
        set_settings(archive, settings.replace("quarantine_days = 0", "quarantine_days = 14"))
        assert cli("close", "TC-1001", "--on", "2016-01-04", archive=archive).status == 0
        assert cli("backup", archive=archive).status == 0
        assert run(archive, approved(archive, "TC-1001")).status == 0
        taken_in(archive, two_houses_taken_in[1].root)
        assert {name for name, claim in where(archive).items() if claim == "unassigned"} == THEIRS

    kept.put("brought again", {"archive": archive, "target": target}, make)
    (plan,) = (one.name for one in (archive / "purges").iterdir() if (one / "plan.json").exists())
    return archive, plan


def run(archive, plan):
    return cli("purge", "run", "--yes", *CONFIRMED, plan, "--json", archive=archive, actor="Ada Clerk")


def run_later(archive, plan):
    """Run the plan after its quarantine."""
    later = datetime.now(UTC) + timedelta(days=15)
    with Workspace(archive, actor="Ada Clerk", now=lambda: later) as workspace:
        return purging.run_purge(workspace, plan, confirmed=later.astimezone().date())


def undo(archive, plan):
    ran = cli("purge", "undo", plan, "--json", archive=archive, actor="Ben Witness")
    assert ran.status == 0, ran.err
    return ran.data


def move(archive, name=MOVED):
    assert cli("move", name, "--to", "TC-1002", archive=archive).status == 0


def placed_by_no_person(archive):
    """The photo is in TC-1002 as if the split had put it there: no decision says so."""
    ran = cli("move", MOVED, "--to", "TC-1002", "--json", archive=archive)
    assert ran.status == 0, ran.err
    with at_home(archive) as workspace:
        workspace.catalog.claims.mark_undone(ran.data["decision"])


def is_sound(archive, target):
    """No command finds anything wrong, and a rebuild finds the catalog that is there."""
    rows = rows_of(archive)
    here = {row["sha256"]: row["claim"] for row in rows["copy"] if row["place"] == "archive"}
    assert here == {row["sha256"]: row["claim"] or "" for row in rows["original"]}
    sizes = {row["segment"]: row["photos"] for row in rows["segment"]}
    assert sizes == Counter(row["segment"] for row in rows["original"])
    assert cli("backup", archive=archive).status == 0
    assert cli("verify", archive=archive).status == 0
    for digest, (claim, name) in filed(archive).items():
        at_target = holding(target, {digest})
        assert [path.partition("/")[0][: len(claim)] for path in at_target] == [claim], name
    before, counts = rows_of(archive), counted(archive)
    assert cli("rebuild", archive=archive).status == 0
    after = rows_of(archive)
    assert {name: rows for name, rows in before.items() if after.get(name) != rows} == {}
    assert counted(archive) == counts == Counter(claim for claim, _ in filed(archive).values())


def counted(archive):
    with at_home(archive) as workspace:
        return {claim or "unassigned": count[0] for claim, count in workspace.catalog.photos.counts().items()}


def undone_entries(archive):
    shown = cli("custody", "--last", 0, "--json", archive=archive).data["shown"]
    return [one["details"] for one in shown if one["action"] == "purge_undone"]


@pytest.mark.parametrize("backed_up", [False, True], ids=["not backed up", "backed up"])
def test_a_photo_that_a_person_moved_meanwhile_stays_there_when_the_claim_is_brought_back(
    waiting, target, backed_up
):
    archive, plan = waiting
    move(archive)
    if backed_up:
        assert cli("backup", archive=archive).status == 0
    assert undo(archive, plan)["stays"] == {"TC-1002": 1}
    assert where(archive)[MOVED] == "TC-1002"
    assert {name for name, claim in where(archive).items() if claim == "TC-1001"} == THEIRS - {MOVED}
    assert [one["stays"] for one in undone_entries(archive)] == ["TC-1002: 1"]
    is_sound(archive, target)
    assert where(archive)[MOVED] == "TC-1002", "the rebuild kept the move"


def test_a_rebuild_during_the_quarantine_changes_nothing_of_it(waiting, target):
    archive, plan = waiting
    move(archive)
    assert cli("rebuild", archive=archive).status == 0
    assert undo(archive, plan)["stays"] == {"TC-1002": 1}
    assert where(archive)[MOVED] == "TC-1002"
    is_sound(archive, target)


def test_a_second_purge_after_the_undo_leaves_the_moved_photo(waiting, target):
    archive, plan = waiting
    move(archive)
    undo(archive, plan)
    assert cli("backup", archive=archive).status == 0
    again = approved(archive, "TC-1001")
    assert run(archive, again).status == 0
    report = run_later(archive, again)
    assert [one.claim for one in report.purged] == ["TC-1001"], report
    assert set(where(archive).values()) == {"TC-1002"}
    assert where(archive)[MOVED] == "TC-1002"
    is_sound(archive, target)


def test_a_copy_outside_the_bag_stops_a_purge_before_anything_goes_into_quarantine(waiting, target):
    archive, plan = waiting
    undo(archive, plan)
    assert list(target.glob("unassigned/data/**/*.JPG")), "the next backup removes them"
    ran = run(archive, approved(archive, "TC-1001"))
    assert ran.status == 1
    (refused,) = ran.data["refused"]
    assert refused["begun"] is False
    assert "run `evidence backup`" in refused["reason"]
    assert {name for name, claim in where(archive).items() if claim == "TC-1001"} == THEIRS
    assert cli("backup", archive=archive).status == 0
    again = run(archive, approved(archive, "TC-1001"))
    assert [one["claim"] for one in again.data["quarantined"]] == ["TC-1001"], again.data


def test_an_undo_that_was_killed_before_its_log_entry_still_says_and_logs_what_stays(waiting, monkeypatch):
    archive, plan = waiting
    move(archive)

    class KilledError(BaseException):
        pass

    def killed(*_args):
        raise KilledError

    with monkeypatch.context() as patch, at_home(archive, "Ben Witness") as workspace:
        patch.setattr(ArchiveRepository, "log", killed)
        with pytest.raises(KilledError):
            purging.undo_purge(workspace, plan)
    assert undo(archive, plan)["stays"] == {"TC-1002": 1}
    assert [one["stays"] for one in undone_entries(archive)] == ["TC-1002: 1"]
    assert where(archive)[MOVED] == "TC-1002"
    assert not (archive / ".quarantine").exists()


def test_the_command_says_in_one_sentence_how_many_photos_stay(waiting):
    archive, plan = waiting
    move(archive)
    ran = cli("purge", "undo", plan, archive=archive, actor="Ben Witness")
    assert "1 file came in again meanwhile and stays under TC-1002." in ran.out
    assert "stay" not in cli("purge", "undo", plan, archive=archive, actor="Ben Witness").out


def test_photos_that_nobody_moved_come_back_to_the_claim(waiting, target):
    archive, plan = waiting
    assert undo(archive, plan)["stays"] == {}
    assert {name for name, claim in where(archive).items() if claim == "TC-1001"} == THEIRS
    assert [one.get("stays") for one in undone_entries(archive)] == [None]
    is_sound(archive, target)


def test_a_photo_that_the_split_put_into_an_open_claim_comes_back(waiting, target):
    archive, plan = waiting
    placed_by_no_person(archive)
    assert undo(archive, plan)["stays"] == {}
    assert {name for name, claim in where(archive).items() if claim == "TC-1001"} == THEIRS
    is_sound(archive, target)


def test_a_photo_that_a_person_kept_in_the_tray_meanwhile_stays_there(waiting, target):
    archive, plan = waiting
    move(archive)
    assert cli("move", MOVED, "--to", "unassigned", archive=archive).status == 0
    assert undo(archive, plan)["stays"] == {"unassigned": 1}
    assert where(archive)[MOVED] == "unassigned"
    is_sound(archive, target)


def test_a_photo_stays_with_the_claim_that_was_closed_with_it(waiting, target):
    archive, plan = waiting
    placed_by_no_person(archive)
    assert cli("close", "TC-1002", "--on", "2026-06-01", archive=archive).status == 0
    assert undo(archive, plan)["stays"] == {"TC-1002": 1}
    assert where(archive)[MOVED] == "TC-1002"
    is_sound(archive, target)


def test_a_hold_brings_back_all_but_the_photo_that_a_person_moved(waiting, target):
    archive, plan = waiting
    move(archive)
    placed = cli("hold", "place", "TC-1001", "--reason", "suit", archive=archive, actor="Counsel")
    assert placed.status == 0, placed.err
    ran = run(archive, plan)
    assert ran.status == 1
    reason = ran.data["refused"][0]["reason"]
    assert "every copy was brought back. 1 file came in again meanwhile and stays under TC-1002" in reason
    assert where(archive)[MOVED] == "TC-1002"
    is_sound(archive, target)


def test_what_a_person_stated_of_a_photo_meanwhile_is_kept(waiting, target):
    archive, plan = waiting
    assert cli("tag", "TEST0004.JPG", "--role", "overview", archive=archive).status == 0
    undo(archive, plan)
    with at_home(archive) as workspace:
        photos = workspace.catalog.photos
        (sha,) = photos.find("TEST0004.JPG")
        stated = photos.by_person([sha])[sha]
        strongest = Counter(row["facet"] for row in photos.tag_rows([sha])[sha] if row["strongest"])
    assert stated[Facet.ROLE].value == "overview"
    assert set(strongest.values()) == {1}
    is_sound(archive, target)


def test_a_purge_that_ends_leaves_the_photos_that_came_in_again_and_certifies_it(waiting, target):
    archive, plan = waiting
    move(archive)
    assert cli("backup", archive=archive).status == 0
    before = filed(archive)
    at_target = {digest: holding(target, {digest}) for digest in before}
    report = run_later(archive, plan)
    assert [one.claim for one in report.purged] == ["TC-1001"]
    assert filed(archive) == before
    assert where(archive)[MOVED] == "TC-1002"
    for digest, paths in at_target.items():
        assert holding(target, {digest}) == [path for path in paths if not path.startswith(".quarantine/")]
    text = report.purged[0].certificate.read_text(encoding="utf-8")
    assert "bags of other claims or the unassigned tray: 5 files" in text
    is_sound(archive, target)
