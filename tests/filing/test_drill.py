"""A drill restores a sample from each target, finds what a target lost or altered, and leaves nothing behind."""

from __future__ import annotations

import tempfile
from datetime import UTC, datetime
from pathlib import Path

import pytest
from support_cards import flip
from support_cli import cli
from support_intake import actions, at_home, with_target

from evidence.catalog.keeping import CopyRow
from evidence.filing.backup import back_up
from evidence.filing.bags import bag_folder
from evidence.filing.drill import Sample, drill
from evidence.model import ClaimId, Finding, Look

CLAIM = ClaimId("TC-1001")
FILES = 9
LATER = datetime(2026, 7, 1, tzinfo=UTC)


@pytest.fixture
def backed_up(kept, request, tmp_path, other_disk):

    def make():
        houses = request.getfixturevalue("houses")
        with_target(houses, other_disk)
        with at_home(houses) as workspace:
            back_up(workspace)

    kept.put("backed up in process", {"archive": tmp_path / "archive", "disk": other_disk}, make)
    return tmp_path / "archive"


@pytest.fixture
def temporary(tmp_path, monkeypatch):
    """The folder in which the drill makes its own."""
    folder = tmp_path / "temporary"
    folder.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(folder))
    return folder


def copy_of(workspace, other_disk) -> tuple[str, Path]:
    """A photo of the first claim, and its copy at the target."""
    sha, path = next(iter(workspace.catalog.keeping.payload(CLAIM).items()))
    return sha, other_disk / bag_folder(workspace, CLAIM).name / "data" / path


def office(workspace, sha) -> CopyRow:
    return next(row for row in workspace.catalog.keeping.copies([sha])[sha] if row.place == "office")


@pytest.mark.parametrize("what", [{"photos": 100}, {"claims": 100}], ids=["files", "claims"])
def test_a_sound_target_passes_and_the_copies_count_as_read_back(backed_up, temporary, what, look_processes):
    with at_home(backed_up, now=LATER) as workspace:
        report = drill(workspace, Sample(seed=1, **what))
        (one,) = report.targets
        assert (one.target, one.files, one.failures) == ("office", FILES, ())
        assert bool(one.claims) == ("claims" in what)
        sha = next(iter(workspace.catalog.keeping.payload(CLAIM)))
        assert office(workspace, sha).verified_at == LATER
    assert list(temporary.iterdir()) == []
    assert actions(backed_up)[-1] == "drill"


@pytest.mark.parametrize("what", [{"photos": 100}, {"claims": 100}], ids=["files", "claims"])
@pytest.mark.parametrize("fault", ["flipped", "lost"])
def test_a_target_that_flipped_a_bit_or_lost_a_file_fails(backed_up, other_disk, temporary, what, fault):
    with at_home(backed_up, now=LATER) as workspace:
        sha, copy = copy_of(workspace, other_disk)
        copy.chmod(0o644)
        flip(copy) if fault == "flipped" else copy.unlink()
        report = drill(workspace, Sample(seed=1, **what))
        assert report.failed
        messages = [one.message for one in report.targets[0].failures]
        assert any(
            copy.name in one and ("changed" if fault == "flipped" else "missing") in one for one in messages
        )
        assert office(workspace, sha).found_bad_at == LATER
        others = [one for one in workspace.catalog.keeping.payload(CLAIM) if one != sha]
        assert all(office(workspace, one).found_bad_at is None for one in others)
        assert all(office(workspace, one).verified_at == LATER for one in others)
    assert list(temporary.iterdir()) == []
    assert actions(backed_up)[-1] == "drill"


def test_a_manifest_rewritten_to_fit_an_altered_photo_does_not_pass(backed_up, other_disk, temporary):
    with at_home(backed_up) as workspace:
        sha, _copy = copy_of(workspace, other_disk)
        manifest = other_disk / bag_folder(workspace, CLAIM).name / "manifest-sha256.txt"
        manifest.chmod(0o644)
        manifest.write_text(manifest.read_text().replace(sha, "0" * 64))
        assert [one.code for one in drill(workspace, Sample(seed=1, photos=100)).targets[0].failures] == [
            "not_restored"
        ]


def stand_in(monkeypatch, look):
    """Replaces the process that opens the restored pictures."""

    class Process:
        def __init__(self, **_kwargs):
            pass

        def close(self):
            pass

        def look(self, request):
            return look(request)

    monkeypatch.setattr("evidence.filing.drill.LookProcess", Process)


@pytest.mark.parametrize("code", ["undecodable", "truncated", "look_crashed", "look_timed_out"])
def test_a_picture_that_opened_at_the_intake_and_does_not_now_fails(backed_up, monkeypatch, code):
    stand_in(
        monkeypatch,
        lambda _: Look(flags=(Finding(code="dark", message=""), Finding(code=code, message="No."))),
    )
    with at_home(backed_up) as workspace:
        failures = drill(workspace, Sample(seed=1, photos=100)).targets[0].failures
        assert {one.code for one in failures} == {code}
        assert len(failures) == FILES - 1, "the sound note is no picture"


def test_a_picture_above_the_memory_limit_is_no_failure_and_the_limit_is_the_setting(backed_up, monkeypatch):
    asked = []

    def too_large(request):
        asked.append(request.options.memory_mb)
        return Look(flags=(Finding(code="too_large", message="The picture was not analysed."),))

    stand_in(monkeypatch, too_large)
    with at_home(backed_up) as workspace:
        assert not drill(workspace, Sample(seed=1, photos=100)).failed
        assert set(asked) == {workspace.settings.intake.picture_memory_mb}


def test_the_drill_decodes_no_picture_in_its_own_process(backed_up, monkeypatch, look_processes):
    def decoded_here(*_args, **_kwargs):
        raise AssertionError("a picture was decoded in the drill's process")

    monkeypatch.setattr("PIL.Image.open", decoded_here)
    with at_home(backed_up) as workspace:
        assert not drill(workspace, Sample(seed=1, photos=3)).failed


def test_the_same_seed_chooses_the_same_files_and_another_seed_others(backed_up):
    read = {}
    for number, seed in enumerate((7, 7, 8)):
        now = LATER.replace(day=2 + number)
        with at_home(backed_up, now=now) as workspace:
            assert drill(workspace, Sample(seed=seed, photos=3)).targets[0].files == 3
            held = workspace.catalog.keeping.copies(
                [
                    sha
                    for claim in workspace.catalog.keeping.bags()
                    for sha in workspace.catalog.keeping.payload(claim)
                ]
            )
            read[number] = {
                sha
                for sha, rows in held.items()
                if any(r.place == "office" and r.verified_at == now for r in rows)
            }
    assert len(read[0]) == 3
    assert read[0] == read[1] != read[2]


def test_the_command_prints_the_seed_and_its_status_tells_of_failures(backed_up, other_disk):
    ran = cli("drill", "--photos", 3, "--seed", 41, archive=backed_up)
    assert ran.status == 0, ran.err
    assert "office: 3 files" in ran.out
    assert "--seed 41 chooses the same files again" in ran.out
    with at_home(backed_up) as workspace:
        copy_of(workspace, other_disk)[1].unlink()
    ran = cli("drill", "--claims", 9, "--json", archive=backed_up)
    assert ran.status == 1
    assert ran.data["targets"][0]["failures"]
    assert isinstance(ran.data["seed"], int)


def test_a_target_that_is_away_or_empty_fails_and_an_unknown_one_is_refused(backed_up, other_disk):
    (other_disk / "backup-target.json").rename(other_disk / "away.json")
    ran = cli("drill", "--json", archive=backed_up)
    assert ran.status == 1
    assert [one["code"] for one in ran.data["targets"][0]["failures"]] == ["unreachable"]
    (other_disk / "away.json").rename(other_disk / "backup-target.json")
    with at_home(backed_up) as workspace:
        for claim in workspace.catalog.keeping.bags():
            workspace.catalog.keeping.drop_copies("office", claim)
    ran = cli("drill", "--json", archive=backed_up)
    assert ran.status == 1
    assert [one["code"] for one in ran.data["targets"][0]["failures"]] == ["no_copies"]
    ran = cli("drill", "--target", "attic", archive=backed_up)
    assert ran.status == 2
    assert "There is no backup target attic." in ran.err
    assert cli("drill", "--photos", 1, "--claims", 1, archive=backed_up).status == 2
