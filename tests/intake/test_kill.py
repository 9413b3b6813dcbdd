"""Rule 5: killing the program at any instant loses nothing and doubles nothing; the next run finishes the work."""

from __future__ import annotations

import hashlib
import os
import shutil
from pathlib import Path

import bagit
import pytest
from support_card import CardMaker
from support_cli import cli, make_archive

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")

PLAIN = "[intake]\nread_writing = false\nscene_kinds = false\n"
POINTS = 16
"""Instants tried, spread evenly over the whole run."""
SPREAD = 6
"""By how many changes two runs may differ: two threads that copy files may both try to make one folder."""


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
    shutil.copytree(pattern, folder / "archive")
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


def test_a_kill_at_any_step_of_the_intake_is_mended_by_the_next_run(tmp_path):
    from support_kill import changes_of, killed_at

    card = small_card(tmp_path / "card")
    reference = fresh_archive(tmp_path / "reference")
    steps = changes_of(intake(reference, card.root), reference)
    expected = filed(reference)
    assert len(expected) == 6
    assert steps > POINTS
    tried = sorted({round(i * (steps - 1) / (POINTS - 1)) for i in range(POINTS)})
    for step in tried:
        folder = tmp_path / f"killed-{step}"
        archive = fresh_archive(folder)
        killed = killed_at(intake(archive, card.root), archive, step)
        assert killed or step >= steps - SPREAD, f"step {step} of {steps} was not reached"
        for bag in [*(archive / "claims").iterdir(), archive / "unassigned"]:
            if not bag.name.startswith(".") and bag.exists():
                bagit.Bag(str(bag)).validate()
        again = intake(archive, card.root)()
        assert again.kept + again.already_kept == 6, f"killed before step {step}"
        assert filed(archive) == expected, f"killed before step {step}"
        assert not list((archive / "intake").rglob("*.part"))
        assert not (archive / "sidecars").exists(), "sidecars left over from building bags"
        assert not [p for p in (archive / "intake").glob("??/*") if p.is_file()], (
            "originals left in the intake area"
        )
        proved = cli("custody", "--verify", "--json", archive=archive)
        assert proved.data["valid"] is True, f"killed before step {step}: {proved.data['findings']}"
        assert cli("verify", archive=archive).status == 0
        shutil.rmtree(folder)


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
