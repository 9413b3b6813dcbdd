"""docs/first_day.md: every command runs as printed, and the card is safe to erase at the end."""

from __future__ import annotations

import re

from support_cli import cli
from support_first_day import FIRST_DAY, PLACES, walk
from support_walkthrough import WHO, comparable, steps


def of_any_machine(text: str) -> str:
    """What is printed, without what each computer has of its own."""
    return re.sub(r"Python: .*?\) |version \S+, \d+ libraries", "", comparable(text))


def test_every_command_of_the_first_day_prints_what_the_page_says_and_the_card_is_safe(
    tmp_path, other_disk, monkeypatch
):
    monkeypatch.setenv("LOGNAME", WHO)
    monkeypatch.delenv("COLUMNS", raising=False)
    monkeypatch.setattr("evidence.cli.common.PIPED_WIDTH", 1000)
    (tmp_path / "work").mkdir()
    monkeypatch.chdir(tmp_path / "work")
    places = {
        name: (other_disk if name == "/media/red" else tmp_path) / name.rpartition("/")[2] for name in PLACES
    }
    page = FIRST_DAY.read_text(encoding="utf-8")
    printed_all = ""
    for step, status, printed in walk(places, page):
        assert status == 0, f"{step.command}: {printed}"
        assert of_any_machine(printed) == of_any_machine(step.printed), (
            f"{step.command} printed:\n{printed}\n"
            "If that is right, `tests/bench/first_day_page.py` writes the page anew; then read it."
        )
        printed_all += printed
    assert "The card is SAFE TO ERASE" in printed_all
    assert len(steps(page)) >= 8


def test_the_shell_can_complete_the_commands(monkeypatch):
    monkeypatch.setenv("_EVIDENCE_COMPLETE", "complete_bash")
    monkeypatch.setenv("COMP_WORDS", "evidence assi")
    monkeypatch.setenv("COMP_CWORD", "1")
    assert cli().out.split() == ["assignments"]
