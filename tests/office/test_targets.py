"""Backup targets by command: a first disk, a new disk under an old name, and a lost one."""

from __future__ import annotations

import json
import shutil
import tomllib

import pytest
from support_cli import CONFIRMED, cli, make_archive
from support_intake import CLAIMS, PLAIN, actions, at_home, filed, holding, set_settings
from support_retention import reload_assignments

pytestmark = pytest.mark.usefixtures("plain_certificates")
LONG_AGO = "2016-01-04"
COMMENTED = f"""# The office's own settings.
{PLAIN}
[safety]   # as agreed in May
places = 2
off_computer = 1
"""


@pytest.fixture
def archive(houses):
    set_settings(houses, COMMENTED)
    return houses


def tree_of(folder):
    """The bytes of every file below a folder."""
    return {path: path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def settings(archive):
    return (archive / "evidence.toml").read_text(encoding="utf-8")


def targets(archive):
    return tomllib.loads(settings(archive)).get("target", [])


def listed(archive):
    """The places by name; of a name that was used again, the one in use."""
    places = cli("target", "list", "--json", archive=archive).data["places"]
    return {one["name"]: one for one in reversed(places)}


def lost(archive, name="office", by="Ada Clerk", confirmed_by="Ben Witness"):
    declared = cli("target", "lost", name, "--reason", "stolen from the car", archive=archive, actor=by)
    assert declared.status == 0, declared.err
    return cli("target", "lost", name, "--confirm", archive=archive, actor=confirmed_by)


def test_a_first_target_is_made_by_command_and_the_settings_keep_their_comments(archive, other_disk):
    folder = other_disk / "evidence"
    ran = cli("target", "add", "office", folder, "--off-computer", archive=archive)
    assert ran.status == 0, ran.err
    assert settings(archive).startswith(COMMENTED)
    assert targets(archive) == [{"name": "office", "path": str(folder), "off_computer": True}]
    assert cli("backup", archive=archive).status == 0
    assert len(holding(folder, set(filed(archive)))) == 9
    assert "target_added" in actions(archive)


def test_a_folder_with_the_backup_of_another_archive_is_refused(archive, other_disk, tmp_path):
    taken, free = other_disk / "taken", other_disk / "free"
    assert cli("target", "add", "office", taken, archive=archive).status == 0
    other = make_archive(tmp_path / "other")
    assert cli("target", "add", "office", taken, archive=other).status == 0  # it holds no backup yet
    assert cli("backup", archive=archive).status == 0
    before = tree_of(taken)
    refused = cli("backup", archive=other)
    assert refused.status == 1
    assert f"{taken} holds the backup of another archive" in refused.out
    assert cli("target", "replace", "office", free, archive=other).status == 0
    for words in (("add", "second"), ("replace", "office")):
        ran = cli("target", *words, taken, archive=other)
        assert ran.status == 2
        assert "another archive" in ran.err
    assert tree_of(taken) == before
    assert [one["path"] for one in targets(other)] == [str(free)]


def test_a_check_counts_a_place_that_it_cannot_read_apart_from_missing_files(archive, other_disk):
    folder = other_disk / "evidence"
    assert cli("target", "add", "office", folder, archive=archive).status == 0
    assert cli("backup", archive=archive).status == 0
    folder.rename(other_disk / "away")
    ran = cli("verify", archive=archive)
    assert ran.status == 1
    assert "0 bad, 0 missing, 1 place not read." in ran.out


def test_an_archive_without_its_settings_says_where_a_copy_is(archive, other_disk):
    folder = other_disk / "evidence"
    assert cli("target", "add", "office", folder, archive=archive).status == 0
    assert cli("backup", archive=archive).status == 0
    (archive / "evidence.toml").unlink()
    ran = cli("claims", archive=archive)
    assert ran.status == 2
    assert "Copy archive/evidence.toml from the folder of a backup target" in ran.err
    shutil.copy(folder / "archive" / "evidence.toml", archive)
    assert cli("claims", archive=archive).status == 0


def test_a_second_target_stands_after_the_first(archive, tmp_path):
    for name in ("one", "two"):
        assert cli("target", "add", name, tmp_path / name, archive=archive).status == 0
    assert [one["name"] for one in targets(archive)] == ["one", "two"]
    assert [one["off_computer"] for one in targets(archive)] == [False, False]


def test_targets_written_as_one_line_are_added_to(archive, tmp_path):
    (tmp_path / "one").mkdir()
    one = json.dumps(str(tmp_path / "one"))
    set_settings(archive, f"# first\ntarget = [{{ name = 'one', path = {one} }}]  # ours\n{PLAIN}")
    assert cli("target", "add", "two", tmp_path / "two", archive=archive).status == 0
    assert [one["name"] for one in targets(archive)] == ["one", "two"]
    assert "# ours" in settings(archive)


@pytest.mark.parametrize(
    ("name", "where", "flag", "said"),
    [
        ("office", "missing/below", "--here", "does not exist"),
        ("office", "archive/inside", "--here", "inside one another"),
        ("office", "disk", "--off-computer", "leave out --off-computer"),
        ("office", "card", "--here", "camera card"),
        ("archive", "disk", "--here", "archive"),
        ("of/fice", "disk", "--here", "cannot be added"),
        ("", "disk", "--here", "cannot be added"),
    ],
)
def test_a_target_that_cannot_be_used_is_refused_and_changes_nothing(
    archive, tmp_path, name, where, flag, said
):
    (tmp_path / "card" / "DCIM").mkdir(parents=True)
    before = settings(archive)
    ran = cli("target", "add", name, tmp_path / where, flag, archive=archive)
    assert ran.status == 2
    assert said in ran.err
    assert settings(archive) == before
    assert not (tmp_path / "disk").exists()


def test_a_name_that_is_taken_is_refused(archive, tmp_path):
    assert cli("target", "add", "office", tmp_path / "one", archive=archive).status == 0
    ran = cli("target", "add", "Office", tmp_path / "two", archive=archive)
    assert ran.status == 2
    assert "evidence target replace" in ran.err


def test_a_new_disk_under_an_old_name_is_filled_by_the_next_backup(archive, tmp_path):
    old, new = tmp_path / "old", tmp_path / "new"
    cli("target", "add", "office", old, archive=archive)
    cli("backup", archive=archive)
    digests = set(filed(archive))
    shutil.rmtree(old)
    old.mkdir()
    missing = cli("backup", "--json", archive=archive)
    assert missing.status == 1
    assert "evidence target replace" in missing.data["troubles"][0]["message"]
    assert cli("target", "replace", "office", new, archive=archive).status == 0
    assert targets(archive) == [{"name": "office", "path": str(new), "off_computer": False}]
    assert listed(archive)["office"]["held"]["copies"] == 0, "the old disk's copies count no longer"
    assert cli("backup", archive=archive).status == 0
    assert len(holding(new, digests)) == 9
    assert listed(archive)["office"]["held"]["copies"] == 9


def test_a_new_disk_at_the_old_path_is_a_new_disk(archive, tmp_path):
    disk = tmp_path / "disk"
    cli("target", "add", "office", disk, archive=archive)
    cli("backup", archive=archive)
    shutil.rmtree(disk)
    assert cli("target", "replace", "office", disk, archive=archive).status == 0
    assert cli("backup", "--json", archive=archive).data["copied"] > 0
    assert len(holding(disk, set(filed(archive)))) == 9


def test_the_same_disk_at_another_path_keeps_its_copies(archive, tmp_path):
    cli("target", "add", "office", tmp_path / "one", archive=archive)
    cli("backup", archive=archive)
    (tmp_path / "one").rename(tmp_path / "two")
    assert cli("target", "replace", "office", tmp_path / "two", archive=archive).status == 0
    assert listed(archive)["office"]["held"]["copies"] == 9
    assert "target_replaced" not in actions(archive)


def test_a_disk_that_was_mixed_up_with_another_is_noticed(archive, tmp_path):
    disk, aside = tmp_path / "disk", tmp_path / "aside"
    cli("target", "add", "office", disk, archive=archive)
    cli("backup", archive=archive)
    shutil.copytree(disk, aside)
    marker = aside / "backup-target.json"
    marker.write_text(json.dumps({"target": "office", "id": "0" * 32}))
    shutil.rmtree(disk)
    aside.rename(disk)
    ran = cli("backup", "--json", archive=archive)
    assert "is another disk" in ran.data["troubles"][0]["message"]
    assert listed(archive)["office"]["state"] == "another disk"


def test_a_lost_disk_needs_a_reason_and_a_second_person(archive, tmp_path):
    disk = tmp_path / "disk"
    cli("target", "add", "office", disk, archive=archive)
    cli("backup", archive=archive)
    connected = cli("target", "lost", "office", "--reason", "stolen", archive=archive)
    assert (connected.status, "is connected" in connected.err) == (2, True)
    shutil.rmtree(disk)
    assert cli("target", "lost", "office", archive=archive).status == 2
    assert cli("target", "lost", "office", "--reason", " ", archive=archive).status == 2
    assert cli("target", "lost", "office", "--confirm", archive=archive).status == 2
    for same in ("Ada Clerk", "ADA  clerk"):
        shown = (
            lost(archive, confirmed_by=same)
            if same == "Ada Clerk"
            else cli("target", "lost", "office", "--confirm", archive=archive, actor=same)
        )
        assert shown.status == 26
        assert "cannot confirm" in shown.err
    assert listed(archive)["office"]["state"] == "declared lost, to be confirmed"
    assert cli("target", "lost", "office", "--confirm", archive=archive, actor="Ben Witness").status == 0
    assert listed(archive)["office"]["state"] == "lost"
    assert targets(archive) == []
    assert settings(archive).startswith(COMMENTED.rstrip())
    said = actions(archive)
    assert said.count("target_lost_declared") == said.count("target_lost_confirmed") == 1


def test_a_lost_disk_counts_for_no_card(archive, other_disk, two_houses_taken_in):
    cli("target", "add", "office", other_disk / "e", "--off-computer", archive=archive)
    card = two_houses_taken_in[1].root
    assert cli("intake", card, "--json", archive=archive).data["card"]["safe_to_erase"] is True
    shutil.rmtree(other_disk / "e")
    assert lost(archive).status == 0
    assert cli("intake", card, "--json", archive=archive).data["card"]["safe_to_erase"] is False


def due(archive):
    assert reload_assignments(archive, CLAIMS.replace("2026-05-01", "2015-01-01")).status == 0
    assert cli("close", "TC-1001", "--on", LONG_AGO, archive=archive).status == 0


def purged(archive):
    plan = cli("purge", "plan", *CONFIRMED, "--json", archive=archive, actor="Ada Clerk")
    if plan.status:
        return plan, plan
    cli("purge", "approve", plan.data["plan"], archive=archive, actor="Ben Witness")
    return plan, cli(
        "purge", "run", "--yes", *CONFIRMED, plan.data["plan"], "--json", archive=archive, actor="Ada Clerk"
    )


def test_a_lost_disk_does_not_block_a_purge_which_lists_it_as_owed(archive, tmp_path):
    disk = tmp_path / "disk"
    due(archive)
    cli("target", "add", "office", disk, archive=archive)
    cli("backup", archive=archive)
    shutil.rmtree(disk)
    away = cli("purge", "plan", *CONFIRMED, "--json", archive=archive, actor="Ada Clerk").data
    assert [(one["target"], one["state"]) for one in away["owed"]] == [("office", "away")]
    assert lost(archive).status == 0
    plan, ran = purged(archive)
    assert ran.status == 0, ran.err
    (owed,) = plan.data["owed"]
    assert (owed["target"], owed["state"], owed["files"]) == ("office", "lost", 5)
    assert "target office, lost since" in ran.data["purged"][0]["owed"][0]
    certificate = next((archive / "purges").rglob("certificate-*.txt")).read_text(encoding="utf-8")
    assert "STILL OWED" in certificate
    assert "stolen from the car; Ada Clerk and Ben Witness): 5 files" in certificate
    assert actions(archive)[-1] == "purged"
    with at_home(archive) as workspace:
        (entry,) = [one for one in workspace.custody.entries() if one.action == "purged"]
    assert "target office, lost since" in entry.details["owed"]


def test_a_disk_that_is_lost_after_the_plan_needs_a_new_plan(archive, tmp_path):
    disk = tmp_path / "disk"
    due(archive)
    cli("target", "add", "office", disk, archive=archive)
    cli("backup", archive=archive)
    plan = cli("purge", "plan", *CONFIRMED, "--json", archive=archive, actor="Ada Clerk").data["plan"]
    cli("purge", "approve", plan, archive=archive, actor="Ben Witness")
    shutil.rmtree(disk)
    assert lost(archive).status == 0
    ran = cli("purge", "run", "--yes", *CONFIRMED, plan, "--json", archive=archive, actor="Ada Clerk")
    assert ran.status == 1
    assert "make a new plan" in ran.data["refused"][0]["reason"]
    assert purged(archive)[1].status == 0


def test_a_replaced_disk_is_owed_too(archive, tmp_path):
    due(archive)
    cli("target", "add", "office", tmp_path / "old", archive=archive)
    cli("backup", archive=archive)
    cli("target", "replace", "office", tmp_path / "new", archive=archive)
    cli("backup", archive=archive)
    plan, ran = purged(archive)
    assert ran.status == 0, ran.err
    assert [(one["target"], one["state"]) for one in plan.data["owed"]] == [("office", "replaced")]


def test_a_target_that_the_settings_name_no_more_can_be_declared_lost(archive, tmp_path):
    due(archive)
    cli("target", "add", "office", tmp_path / "disk", archive=archive)
    cli("backup", archive=archive)
    set_settings(archive, COMMENTED)
    shutil.rmtree(tmp_path / "disk")
    assert listed(archive)["office"]["state"] == "not in the settings"
    refused, _ = purged(archive)
    assert "evidence target lost office --reason TEXT" in refused.err
    assert lost(archive).status == 0
    assert purged(archive)[1].status == 0


def test_a_lost_disk_that_comes_back_is_not_taken_for_an_empty_one(archive, tmp_path):
    disk, aside = tmp_path / "disk", tmp_path / "aside"
    cli("target", "add", "office", disk, archive=archive)
    cli("backup", archive=archive)
    disk.rename(aside)
    assert lost(archive).status == 0
    ran = cli("target", "add", "office", aside, archive=archive)
    assert ran.status == 2
    assert "declared lost or replaced" in ran.err
    assert cli("target", "add", "office", disk, archive=archive).status == 0
    assert cli("backup", archive=archive).status == 0
    assert listed(archive)["office"]["held"]["copies"] == 9


def test_confirming_again_finishes_what_a_kill_left(archive, tmp_path, monkeypatch):
    disk = tmp_path / "disk"
    cli("target", "add", "office", disk, archive=archive)
    cli("backup", archive=archive)
    shutil.rmtree(disk)

    class KilledError(BaseException):
        pass

    def killed(*_):
        raise KilledError

    with monkeypatch.context() as patch:
        patch.setattr("evidence.catalog.keeping.Keeping.retire_place", killed)
        with pytest.raises(KilledError):
            lost(archive)
    assert cli("target", "lost", "office", "--confirm", archive=archive, actor="Ben Witness").status == 0
    assert targets(archive) == []
    assert listed(archive)["office"]["state"] == "lost"
    assert actions(archive).count("target_lost_confirmed") == 1


def test_the_list_shows_what_each_place_holds_and_the_rule(archive, other_disk, tmp_path):
    empty = cli("target", "list", archive=archive)
    assert "NOT met" in empty.out
    cli("target", "add", "office", other_disk / "e", "--off-computer", archive=archive)
    cli("target", "add", "shelf", tmp_path / "shelf", archive=archive)
    cli("backup", archive=archive)
    data = cli("target", "list", "--json", archive=archive).data
    places = {one["name"]: one for one in data["places"]}
    size = sum(
        path.stat().st_size
        for path in (archive / "claims").glob("*/data/**/*")
        if path.is_file() and path.suffix != ".xmp"
    )
    for name in ("archive", "office", "shelf"):
        held = places[name]["held"]
        assert (held["copies"], held["octets"], held["bad"]) == (9, size, 0)
        assert held["oldest_read"] <= held["newest_read"]
        assert places[name]["free"] > 0
    assert (places["office"]["off_computer"], places["shelf"]["off_computer"]) == (True, False)
    # The shelf's folder is on the archive's disk: two folders on one disk are one copy.
    assert (data["rule"]["copies"], data["rule"]["off_site"], data["rule"]["met"]) == (2, 1, False)
    assert data["originals"] == 9
    (other_disk / "e").rename(other_disk / "away")
    assert listed(archive)["office"]["state"] == "not connected"
    shown = cli("target", "list", archive=archive).out
    assert "3-2-1 rule: NOT met. Every original has at least 2 of 3 copies" in shown


def test_replacing_again_finishes_what_a_kill_left(archive, tmp_path, monkeypatch):
    cli("target", "add", "office", tmp_path / "old", archive=archive)
    cli("backup", archive=archive)

    class KilledError(BaseException):
        pass

    def killed(*_, **__):
        raise KilledError

    steps = (
        "catalog.keeping.Keeping.retire_place",
        "office.targets.remove_record",
        "office.targets.write_settings",
    )
    for step in steps:
        with monkeypatch.context() as patch:
            patch.setattr(f"evidence.{step}", killed)
            with pytest.raises(KilledError):
                cli("target", "replace", "office", tmp_path / "new", archive=archive)
    assert cli("target", "replace", "office", tmp_path / "new", archive=archive).status == 0
    assert [one["path"] for one in targets(archive)] == [str(tmp_path / "new")]
    assert listed(archive)["office"]["held"]["copies"] == 0
    assert cli("backup", archive=archive).status == 0
    assert len(holding(tmp_path / "new", set(filed(archive)))) == 9
