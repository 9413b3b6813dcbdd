"""Nothing in an archive or at a target is readable to other users, whatever umask a command is started with."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest
from support_cli import CONFIRMED, cli, make_archive
from support_intake import CLAIMS, PLAIN, set_settings, small_houses
from support_retention import reload_assignments

pytestmark = pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX")


@pytest.fixture(params=[0o000, 0o022, 0o077], ids=oct)
def umask(request):
    before = os.umask(request.param)
    yield request.param
    os.umask(before)


def in_original_place(path: Path) -> bool:
    parts = path.parts
    return "data" in parts[1:3] or (parts[0] == "intake" and len(parts) > 2)


def wrong_modes(root: Path) -> list[str]:
    found = (
        [f"{root.name} {stat.S_IMODE(root.stat().st_mode):o}"] if root.stat().st_mode & 0o777 != 0o750 else []
    )
    for path in sorted(root.rglob("*")):
        below = path.relative_to(root)
        wanted = 0o750 if path.is_dir() else 0o440 if in_original_place(below) else 0o640
        if path.name == "signing-key.json":
            wanted = 0o600
        mode = stat.S_IMODE(path.lstat().st_mode)
        if mode != wanted:
            found.append(f"{below} {mode:o}, not {wanted:o}")
    return found


def test_after_intake_backup_and_purge_every_file_has_its_permissions(umask, tmp_path):
    archive, target = make_archive(tmp_path), tmp_path / "target"
    set_settings(archive, PLAIN)
    assert reload_assignments(archive, CLAIMS.replace("2026-05-01", "2015-01-01")).status == 0
    assert cli("target", "add", "office", target, archive=archive).status == 0
    os.umask(umask)  # each command starts with the user's own
    assert cli("intake", small_houses(tmp_path / "card").root, archive=archive).status == 0
    os.umask(umask)
    assert cli("hold", "place", "TC-1002", "--reason", "suit", archive=archive).status == 0
    assert cli("close", "TC-1001", "--on", "2016-01-04", archive=archive).status == 0
    assert cli("report", "TC-1001", archive / "report.pdf", archive=archive).status == 0
    plan = cli("purge", "plan", *CONFIRMED, "--json", archive=archive, actor="Ada Clerk").data["plan"]
    assert cli("purge", "approve", plan, archive=archive, actor="Ben Witness").status == 0
    os.umask(umask)
    assert cli("purge", "run", "--yes", *CONFIRMED, plan, archive=archive, actor="Ada Clerk").status == 0
    assert cli("backup", archive=archive).status == 0
    names = {path.name for path in archive.rglob("*")}
    assert {"custody.jsonl", "catalog.sqlite", "evidence.toml", "plan.json", "report.pdf"} <= names
    assert list(archive.rglob("certificate-*.txt"))
    assert list((archive / "thumbnails").rglob("*.jpg"))
    assert list((archive / "ledgers").iterdir())
    assert wrong_modes(archive) == []
    assert wrong_modes(target) == []


def test_an_archive_and_a_target_of_an_earlier_program_are_brought_over(houses, tmp_path):
    target = tmp_path / "target"
    assert cli("target", "add", "office", target, archive=houses).status == 0
    assert cli("backup", archive=houses).status == 0
    (houses / "permissions.mark").unlink()
    (houses / "targets" / "office").write_bytes(b"")  # as it was left by an earlier program
    for root in (houses, target):
        for path in [root, *root.rglob("*")]:
            path.chmod(0o755 if path.is_dir() else 0o444 if "data" in path.parts else 0o644)
    assert cli("claims", archive=houses).status == 0
    assert wrong_modes(houses) == []
    assert cli("backup", archive=houses).status == 0
    assert wrong_modes(target) == []


def test_a_catalog_in_use_keeps_its_journal_from_others(umask, tmp_path):
    from evidence.workspace import Workspace

    archive = make_archive(tmp_path)
    os.umask(umask)
    with Workspace(archive, actor="Ada Clerk") as workspace, workspace.catalog.transaction():
        workspace.record("noted", "test")
        open_now = sorted(path.name for path in archive.glob("catalog.sqlite*"))
        assert wrong_modes(archive) == []
    assert "catalog.sqlite-wal" in open_now
