"""Rule 5: what a killed intake left is filed by the next run, whichever card it is for.

`tests/faults` kills every command at every step and runs the same command again.
"""

from __future__ import annotations

import hashlib
import os
import signal
import subprocess
import sys
from pathlib import Path

import bagit
import pytest
from support_card import CardMaker
from support_cli import make_archive
from support_copy import copy_tree

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")

PLAIN = "[intake]\nread_writing = false\nscene_kinds = false\n"


def small_card(root: Path) -> CardMaker:
    card = CardMaker(root)
    card.sheet("TC-1001")
    card.scene()
    card.scene()
    card.wait(minutes=40)
    card.sheet("TC-1002")
    card.scene()
    card.put("NOTES.TXT", b"gate code 4410")
    return card


def fresh_archive(folder: Path) -> Path:
    """A new archive, copied from one made once: making its catalog is not what is tried here."""
    pattern = folder.parent / "pattern" / "archive"
    if not pattern.exists():
        make_archive(pattern.parent)
        (pattern / "evidence.toml").write_text(PLAIN, encoding="utf-8")
    copy_tree(pattern, folder / "archive")
    return folder / "archive"


def intake(archive: Path, card: Path):
    from support_kill import HereExecutor

    from evidence.intake.pipeline import take_in
    from evidence.workspace import Workspace

    def work():
        with Workspace(archive, actor="Test") as workspace:
            return take_in(workspace, card, executor=HereExecutor())

    return work


def filed(archive: Path) -> dict[str, tuple[str, str]]:
    """Digest -> (bag, camera name); asserts that every bag is valid and that no original stands twice."""
    found: dict[str, tuple[str, str]] = {}
    for bag in [*(archive / "claims").iterdir(), archive / "unassigned"]:
        if not (bag / "bagit.txt").exists():
            continue
        bagit.Bag(str(bag)).validate()
        for path in (bag / "data").rglob("*"):
            if path.is_file() and not path.name.endswith(".JPG.xmp"):
                assert path.suffix != ".JPG" or path.with_name(f"{path.name}.xmp").is_file()
                digest = hashlib.sha256(path.read_bytes()).hexdigest()
                assert digest not in found, f"{path.name} stands in {found[digest][0]} and in {bag.name}"
                found[digest] = (bag.name, path.name)
    return found


def test_what_a_killed_run_left_is_filed_by_the_next_card_too(tmp_path):
    from support_kill import changes_of, killed_at

    card = small_card(tmp_path / "card")
    reference = fresh_archive(tmp_path / "reference")
    steps = changes_of(intake(reference, card.root), reference)
    other = CardMaker(tmp_path / "other", serial="TC-0002", seed=500)
    other.wait(days=3)
    other.scene()
    for step in (steps * 2 // 3, steps * 4 // 5):
        archive = fresh_archive(tmp_path / f"killed-{step}")
        assert killed_at(intake(archive, card.root), archive, step)
        intake(archive, other.root)()
        kept = {name for _, name in filed(archive).values()}
        assert {
            "TEST0001.JPG",
            "TEST0002.JPG",
            "TEST0003.JPG",
            "TEST0004.JPG",
            "TEST0005.JPG",
            "NOTES.TXT",
        } <= kept


KILLED = """
import os, signal, sys
from pathlib import Path
from evidence.intake.copy_speed import COPYING
from evidence.intake.pipeline import take_in
from evidence.workspace import Workspace

def die_at_the_fourth(what, done, _total):
    if (what, done) == (COPYING, 4):
        os.kill(os.getpid(), signal.SIGKILL)

if __name__ == "__main__":
    with Workspace(Path(sys.argv[1]), actor="Test") as workspace:
        take_in(workspace, Path(sys.argv[2]), progress=die_at_the_fourth)
"""
"""An intake with processes of its own that is killed when four files are copied."""


def test_a_run_killed_while_it_copies_and_analyses_is_finished_by_the_next_one(tmp_path):
    """The files that were entered while others were copied are there, and the card is not called safe for them alone."""
    from evidence.filing.card_safety import all_cards
    from evidence.intake.pipeline import take_in
    from evidence.workspace import Workspace

    card = small_card(tmp_path / "card")
    archive = fresh_archive(tmp_path / "killed")
    (tmp_path / "killed.py").write_text(KILLED, encoding="utf-8")
    ran = subprocess.run(
        [sys.executable, tmp_path / "killed.py", archive, card.root], check=False, timeout=120
    )
    assert ran.returncode == -signal.SIGKILL
    with Workspace(archive, actor="Test") as workspace:
        (stopped,) = all_cards(workspace).cards
        assert 1 <= stopped.files <= 4
        assert not stopped.verdict.safe_as_seen
        assert "did not end" in stopped.verdict.reasons[0]
        report = take_in(workspace, card.root)
        assert (report.kept, report.already_kept, report.refused) == (2, 4, ())
    assert len(filed(archive)) == 6
