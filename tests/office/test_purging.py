"""Purging through the commands, over real bags and a backup target on another file system."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
from datetime import UTC, date, datetime

import pytest
import rfc8785
from support_cli import CONFIRMED, cli
from support_copy import copy_tree
from support_intake import (
    CLAIMS,
    actions,
    at_home,
    bags_of,
    filed,
    holding,
    set_settings,
    taken_in,
    today,
    where,
    with_target,
)
from support_retention import reload_assignments

from evidence.office import purging, retention
from evidence.retention.purge.addresses import place_text, shared_photo
from evidence.retention.purge.plan_files import load_plan
from evidence.review import placing
from evidence.workspace import Workspace

pytestmark = pytest.mark.usefixtures("plain_certificates")
LONG_AGO = "2016-01-04"


@pytest.fixture
def due(kept, request, tmp_path, other_disk):
    """TC-1001 was closed so long ago that it is due; its photos are backed up on another file system."""

    def make():
        houses = request.getfixturevalue("houses")
        assert reload_assignments(houses, CLAIMS.replace("2026-05-01", "2015-01-01")).status == 0
        with_target(houses, other_disk)
        assert cli("backup", archive=houses).status == 0
        assert cli("close", "TC-1001", "--on", LONG_AGO, archive=houses).status == 0
        assert cli("backup", archive=houses).status == 0

    kept.put("due", {"archive": tmp_path / "archive", "disk": other_disk}, make)
    return tmp_path / "archive"


@pytest.fixture
def theirs(due):
    """Digests of TC-1001's files."""
    return {digest for digest, (claim, _) in filed(due).items() if claim == "TC-1001"}


def planned(archive, *claims):
    ran = cli("purge", "plan", *CONFIRMED, *claims, "--json", archive=archive, actor="Ada Clerk")
    assert ran.status == 0, ran.err
    return ran.data["plan"]


def approved(archive, *claims):
    plan = planned(archive, *claims)
    assert cli("purge", "approve", plan, archive=archive, actor="Ben Witness").status == 0
    return plan


def run(archive, plan):
    return cli("purge", "run", *CONFIRMED, plan, "--yes", "--json", archive=archive, actor="Ada Clerk")


def is_untouched(archive, target, digests):
    standing = filed(archive)
    assert digests <= set(standing)
    assert digests <= {d for d in digests if holding(target, {d})}
    with at_home(archive) as workspace:
        assert workspace.catalog.claims.get("TC-1001").state.value == "closed"


def test_after_a_purge_every_copy_is_gone_and_the_proof_remains(due, other_disk, theirs):
    neighbours = {digest: place for digest, place in filed(due).items() if digest not in theirs}
    assert len(theirs) == 5
    assert holding(other_disk, theirs)
    done = run(due, approved(due))
    assert done.status == 0, done.err
    assert [one["claim"] for one in done.data["purged"]] == ["TC-1001"]
    assert holding(due, theirs) == []
    assert holding(other_disk, theirs) == []
    assert not [path for path in (due / "thumbnails").rglob("*") if path.name[:64] in theirs]
    assert filed(due) == neighbours
    certificate = (due / "purges").rglob("certificate-*.txt")
    text = next(certificate).read_text(encoding="utf-8")
    manifest = hashlib.sha256("".join(f"{sha}\n" for sha in sorted(theirs)).encode()).hexdigest()
    assert all(word in text for word in ("TC-1001", "Ada Clerk", "Ben Witness", manifest))
    assert not any(sha in text for sha in theirs)
    assert "purged" in actions(due)
    with at_home(due) as workspace:
        row = workspace.catalog.claims.get("TC-1001")
        assert (row.state.value, row.claim.insured, row.claim.address) == ("purged", "", "")
        assert workspace.catalog.photos.known(sorted(theirs)) == set()
    assert cli("verify", archive=due).status == 0
    assert {one["claim"]: one["state"] for one in cli("claims", "--json", archive=due).data}[
        "TC-1001"
    ] == "purged"
    assert not any("Ada Moss" in path.name for path in (*due.rglob("*"), *other_disk.rglob("*")))
    refused = reload_assignments(due, CLAIMS).data
    assert [(one["claim"], refused["added"]) for one in refused["refused"]] == [("TC-1001", 0)]


def test_the_tiles_of_a_purged_claim_are_removed_and_certified(due, theirs):
    from evidence.board.tiles import TileStore
    from evidence.model import PICTURE_KINDS

    with at_home(due) as workspace:
        store = TileStore(workspace)
        tiled = {sha for sha in theirs if store.info(sha).width}
        store.close()
        kinds = {record.sha256: record.kind for record in workspace.catalog.photos.records(sorted(theirs))}
    assert tiled == {sha for sha in theirs if kinds.get(sha) in PICTURE_KINDS}
    assert len(list((due / "thumbnails").rglob("*_tiles.zip"))) == len(tiled)
    assert run(due, approved(due)).status == 0
    assert not list((due / "thumbnails").rglob("*_tiles.zip*"))
    text = next((due / "purges").rglob("certificate-*.txt")).read_text(encoding="utf-8")
    assert "small pictures for screens" in text


def test_a_purged_claims_card_taken_in_again_waits_unassigned_and_is_reported(
    due, theirs, two_houses_taken_in
):
    assert run(due, approved(due)).status == 0
    report = taken_in(due, two_houses_taken_in[1].root)
    assert "sheet_of_a_purged_claim" in [one.code for one in report.findings]
    assert {digest for digest, (claim, _) in filed(due).items() if claim == "unassigned"} == theirs
    assert where(due)["TEST0006.JPG"] == "TC-1002"
    cli("move", "TEST0001.JPG", "--to", "TC-1001", archive=due)
    assert where(due)["TEST0001.JPG"] == "unassigned", "nothing is filed under a purged claim"


def test_an_older_decision_does_not_file_a_purged_claims_photo_when_its_card_returns(
    houses, other_disk, two_houses_taken_in
):
    cli("move", "TEST0007.JPG", "--to", "TC-1003", archive=houses)
    cli("move", "TEST0007.JPG", "--to", "TC-1001", archive=houses)
    reload_assignments(houses, CLAIMS.replace("2026-05-01", "2015-01-01"))
    with_target(houses, other_disk)
    cli("backup", archive=houses)
    cli("close", "TC-1001", "--on", LONG_AGO, archive=houses)
    assert run(houses, approved(houses)).status == 0
    taken_in(houses, two_houses_taken_in[1].root)
    assert where(houses)["TEST0007.JPG"] == "TC-1002", "where the day puts it; no decision about it is left"


def test_a_claim_whose_period_has_not_run_out_is_not_planned(houses):
    cli("close", "TC-1001", "--on", "2026-06-01", archive=houses)
    for claims in ((), ("TC-1001",)):
        ran = cli("purge", "plan", *CONFIRMED, *claims, archive=houses)
        assert ran.status == 26
        assert "due" in ran.err


@pytest.mark.parametrize("name", ["Ada Clerk", "ADA CLERK", "  ada   clerk "])
def test_the_same_person_under_any_spelling_cannot_approve(due, other_disk, theirs, name):
    plan = planned(due)
    ran = cli("purge", "approve", plan, archive=due, actor=name)
    assert ran.status == 26
    assert run(due, plan).status == 26
    is_untouched(due, other_disk, theirs)


def test_a_hold_between_plan_and_run_keeps_everything(due, other_disk, theirs):
    plan = approved(due)
    cli("hold", "place", "TC-1001", "--reason", "suit filed", archive=due, actor="Counsel")
    ran = run(due, plan)
    assert ran.status == 1
    assert "suit filed" in ran.data["refused"][0]["reason"]
    is_untouched(due, other_disk, theirs)
    assert "purge_stopped" in actions(due)


def test_a_plan_altered_by_one_byte_is_refused(due, other_disk, theirs):
    plan = approved(due)
    path = due / "purges" / plan / "plan.json"
    spoilt = bytearray(path.read_bytes())
    for place in range(0, len(spoilt), max(1, len(spoilt) // 12)):
        altered = bytearray(spoilt)
        altered[place] ^= 1
        path.write_bytes(bytes(altered))
        assert run(due, plan).status in (2, 26), f"byte {place}"
    is_untouched(due, other_disk, theirs)


def test_what_a_plan_calls_a_place_is_where_the_copy_lies(due, other_disk):
    (claim,) = load_plan(due / "purges" / planned(due)).plan.claims
    here = {place_text(copy) for copy in (*claim.copies, *claim.spared)}
    assert len({type(copy) for copy in claim.copies}) >= 3
    for place in here:
        where = due / place.removeprefix("archive/")
        if place.startswith("target "):
            where = other_disk / place.removeprefix("target office: ")
        assert where.exists(), place


def test_a_plan_that_an_older_program_made_is_approved_and_run(due, other_disk, theirs):
    """The older program wrote each copy as display text (`purge-plan-1`)."""
    folder = due / "purges" / planned(due)
    (claim,) = load_plan(folder).plan.claims
    data = {
        "made": "2026-11-25T12:00:00Z",
        "by": "Ada Clerk",
        "claims": [
            {
                "claim": claim.claim,
                "since": claim.since.isoformat(),
                "reason": claim.reason,
                "photos": list(claim.photos),
                **{
                    key: [
                        {
                            "kind": copy.kind,
                            "place": place_text(copy),
                            "sha256": shared_photo(copy),
                            "by_digest": shared_photo(copy) is not None,
                        }
                        for copy in getattr(claim, key)
                    ]
                    for key in ("copies", "spared")
                },
            }
        ],
    }
    old = rfc8785.dumps({**data, "format": "purge-plan-1"})
    digest = hashlib.sha256(old).hexdigest()
    older = folder.with_name(f"{folder.name[:17]}{digest[:12]}")
    older.mkdir()
    (older / "plan.json").write_bytes(old)
    with at_home(due) as workspace, workspace.locked():
        workspace.custody.append(
            actor="Ada Clerk",
            action="purge_planned",
            subject="purge",
            details={"plan": digest, "key": f"purge_planned:{digest}"},
            at=workspace.now(),
        )
    approving = cli("purge", "approve", older.name, "--json", archive=due, actor="Ben Witness")
    assert approving.data["digest"] == digest
    done = run(due, older.name)
    assert [one["claim"] for one in done.data["purged"]] == ["TC-1001"], done.data
    assert holding(due, theirs) == holding(other_disk, theirs) == []
    assert not (older / "plan.json").exists(), "it names the bag and every file"


def test_a_refused_copy_is_listed_with_its_kind_and_place(due, theirs):
    photo = next(path for path in (due / "claims").rglob("TEST0002.JPG"))
    (due / "claims" / "for the lawyer").mkdir()
    shutil.copy(photo, due / "claims" / "for the lawyer" / "copy.jpg")
    (refused,) = run(due, approved(due)).data["refused"]
    assert set(refused) == {"claim", "reason", "begun", "left"}
    assert "archive/claims/for the lawyer/copy.jpg holds one of the claim's photos" in refused["reason"]


def test_photos_that_came_after_the_plan_stop_the_purge(due, other_disk, theirs, two_houses_taken_in):
    from support_card import CardMaker

    plan = approved(due)
    more = CardMaker(due.parent / "more", serial="TC-0002", seed=800, number=60)
    more.wait(days=1)
    more.sheet("TC-1001")
    taken_in(due, more.root)
    ran = run(due, plan)
    assert ran.status == 1
    assert "came to the claim" in ran.data["refused"][0]["reason"]
    assert theirs <= set(filed(due))
    assert holding(other_disk, theirs)


def test_a_target_that_is_not_mounted_stops_the_purge_before_anything_is_removed(due, other_disk, theirs):
    plan = approved(due)
    aside = other_disk.with_name(other_disk.name + "-away")
    other_disk.rename(aside)
    try:
        assert run(due, plan).status == 1
        other_disk.mkdir()
        assert run(due, plan).status == 1, "an empty mount point is not the target"
        other_disk.rmdir()
    finally:
        aside.rename(other_disk)
    is_untouched(due, other_disk, theirs)
    assert run(due, plan).status == 0
    assert holding(other_disk, theirs) == []


def test_a_target_that_the_settings_name_no_more_still_holds_copies_and_stops_the_purge(
    due, other_disk, theirs
):
    plan = approved(due)
    set_settings(due, "[intake]\nworkers = 1\n")
    ran = run(due, plan)
    assert ran.status == 1
    assert "backup target office" in ran.data["refused"][0]["reason"]
    with_target(due, other_disk)
    is_untouched(due, other_disk, theirs)


def test_a_copy_that_someone_put_elsewhere_among_the_bags_is_found(due, other_disk, theirs):
    photo = next(path for path in (due / "claims").rglob("TEST0002.JPG"))
    (due / "claims" / "for the lawyer").mkdir()
    shutil.copy(photo, due / "claims" / "for the lawyer" / "copy.jpg")
    ran = run(due, approved(due))
    assert ran.status == 1
    assert "for the lawyer" in json.dumps(ran.data)
    assert holding(due, theirs)
    shutil.rmtree(due / "claims" / "for the lawyer")
    assert run(due, approved(due)).status == 0
    assert holding(due, theirs) == []


def test_a_part_that_a_killed_copy_left_goes_with_the_rest(due, theirs):
    photo = next(path for path in (due / "claims").rglob("TEST0002.JPG"))
    dead = subprocess.Popen([sys.executable, "-c", ""])
    dead.wait()
    incoming = due / "intake" / "incoming"
    incoming.mkdir(exist_ok=True)
    shutil.copy(photo, incoming / f"{dead.pid}-0123456789abcdef.part")
    assert run(due, approved(due)).status == 0
    assert holding(due, theirs) == []


def test_a_photo_that_another_claims_bag_holds_too_is_spared_there(due, other_disk, theirs):
    with at_home(due) as workspace:
        shared = workspace.catalog.photos.find("TEST0002.JPG")[0]
    # As an older program or a hand may have left it: the photo stands in the other claim's bag as well.
    from sqlalchemy import create_engine, text

    engine = create_engine(f"sqlite:///{due / 'catalog.sqlite'}")
    with engine.begin() as db:
        db.execute(text("INSERT INTO held_in VALUES (:sha, 'TC-1002', 'lent/TEST0002.JPG')"), {"sha": shared})
    engine.dispose()
    bag = next(bag for bag in bags_of(due) if bag.name.startswith("TC-1002"))
    lent = bag / "data" / "lent" / "TEST0002.JPG"
    lent.parent.mkdir()
    shutil.copy(next(iter((due / "claims").glob("TC-1001*/data/*/*/TEST0002.JPG"))), lent)
    manifest = bag / "manifest-sha256.txt"
    manifest.write_text(manifest.read_text() + f"{shared}  data/lent/TEST0002.JPG\n")
    done = run(due, approved(due))
    assert done.status == 0, done.data
    assert lent.is_file()
    assert {path for path in holding(due, theirs) if not path.startswith("thumbnails/")} == {
        lent.relative_to(due).as_posix()
    }


def test_a_move_that_was_killed_before_the_bags_were_built_does_not_lose_its_photo_in_a_purge(
    houses, other_disk, monkeypatch
):
    reload_assignments(houses, CLAIMS.replace("2026-05-01", "2015-01-01"))
    with_target(houses, other_disk)
    cli("backup", archive=houses)

    class KilledError(BaseException):
        pass

    def killed(*_args, **_more):
        raise KilledError

    with at_home(houses) as workspace, monkeypatch.context() as patch:
        patch.setattr("evidence.filing.bags._build", killed)
        with pytest.raises(KilledError):
            placing.move(workspace, workspace.catalog.photos.find("TEST0002.JPG"), "TC-1002")
        with pytest.raises(KilledError):
            retention.close_claim(workspace, "TC-1001", on=date.fromisoformat(LONG_AGO))
    assert run(houses, approved(houses)).status == 0
    assert where(houses)["TEST0002.JPG"] == "TC-1002"


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")
def test_a_purge_killed_at_any_point_is_finished_by_the_next_run(due, other_disk, theirs, tmp_path):
    from support_kill import changes_of, killed_at

    plan = approved(due)
    neighbours = {digest: place for digest, place in filed(due).items() if digest not in theirs}
    saved = tmp_path / "saved-target"
    copy_tree(other_disk, saved)
    now = datetime(2026, 12, 1, 12, tzinfo=UTC)

    def run_of(archive):
        def work():
            with Workspace(archive, actor="Ada Clerk", now=lambda: now) as workspace:
                purging.run_purge(workspace, plan, confirmed=today(workspace))

        return work

    def fresh(name):
        archive = tmp_path / name
        copy_tree(due, archive)
        for entry in other_disk.iterdir():
            shutil.rmtree(entry) if entry.is_dir() else entry.unlink()
        copy_tree(saved, other_disk, dirs_exist_ok=True)
        return archive

    steps = changes_of(run_of(whole := fresh("whole")), whole)
    assert holding(whole, theirs) == []
    shutil.rmtree(whole)
    for step in sorted({round(i * (steps - 1) / 6) for i in range(7)}):
        archive = fresh(f"killed-{step}")
        assert killed_at(run_of(archive), archive, step), f"step {step} of {steps}"
        ran = run(archive, plan)
        assert ran.status == 0, f"killed before step {step}: {ran.err}{ran.out}"
        assert holding(archive, theirs) == []
        assert holding(other_disk, theirs) == []
        assert filed(archive) == neighbours
        assert actions(archive).count("purged") == 1
        assert len(list((archive / "purges").rglob("certificate-*.txt"))) == 1
        with at_home(archive) as workspace:
            assert workspace.catalog.claims.get("TC-1001").state.value == "purged"
        shutil.rmtree(archive)


def test_a_photo_that_moved_away_stands_in_its_new_bag_at_the_target_before_the_old_copy_goes(
    due, other_disk
):
    with at_home(due) as workspace:
        moved = workspace.catalog.photos.find("TEST0007.JPG")[0]
        placing.move(workspace, [moved], "TC-1003")
    cli("backup", archive=due)
    with at_home(due) as workspace:
        retention.reopen_claim(workspace, "TC-1001", on=date.fromisoformat(LONG_AGO))
        placing.move(workspace, workspace.catalog.photos.find("TEST0002.JPG"), "TC-1002")
        moved = workspace.catalog.photos.find("TEST0002.JPG")[0]
        retention.close_claim(workspace, "TC-1001", on=date.fromisoformat(LONG_AGO))
    assert run(due, approved(due)).status == 0
    assert [path[:7] for path in holding(other_disk, {moved})] == ["TC-1002"]


def test_a_purge_leaves_a_copy_that_holds_originals_which_the_archive_does_not_have(due, other_disk, theirs):
    plan = approved(due)
    copy = next(other_disk.glob("TC-1001*"))
    data = b"another photo"
    (copy / "data" / "more").mkdir()
    (copy / "data" / "more" / "MORE0001.JPG").write_bytes(data)
    manifest = copy / "manifest-sha256.txt"
    manifest.write_text(f"{manifest.read_text()}{hashlib.sha256(data).hexdigest()}  data/more/MORE0001.JPG\n")
    ran = run(due, plan)
    assert ran.status == 1
    assert (
        "1 originals that this archive does not have, first more/MORE0001.JPG"
        in ran.data["refused"][0]["reason"]
    )
    assert (copy / "data" / "more" / "MORE0001.JPG").read_bytes() == data


def test_an_archive_older_than_its_target_purges_nothing_there(due, other_disk, theirs, tmp_path):
    from support_card import CardMaker

    plan = approved(due)
    copy_tree(due, tmp_path / "older")
    cli("reopen", "TC-1001", "--on", "2026-05-01", archive=due)
    more = CardMaker(due.parent / "more", serial="TC-0002", seed=800, number=60)
    more.wait(days=1)
    more.sheet("TC-1001")
    taken_in(due, more.root)
    shutil.rmtree(due)
    shutil.move(tmp_path / "older", due)
    ran = run(due, plan)
    assert ran.status == 1
    assert "older than the backup target office" in ran.data["refused"][0]["reason"]
    assert holding(other_disk, theirs)
