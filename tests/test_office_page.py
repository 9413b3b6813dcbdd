"""The walk-throughs of docs/office.md: every command prints what the page says."""

from __future__ import annotations

from support_walkthrough import PAGE, PLACES, WHO, comparable, new_office, steps, walked

from evidence.errors import PurgeRefusedError

REMEDY = "If that is right, `tests/bench/office_page.py` writes the page anew; then read it."
FINDS = {
    "evidence verify": [1, 0, 0],
    'evidence purge plan --actor "Olive Office"': [PurgeRefusedError.exit_code],
}
"""Exit statuses of commands that may find or refuse something, in the order of the page; every other status is 0."""


def test_every_command_of_the_walk_throughs_prints_what_the_page_says(tmp_path, other_disk, monkeypatch):
    monkeypatch.setenv("LOGNAME", WHO)
    monkeypatch.delenv("COLUMNS", raising=False)
    # The page shows its tables whole; the long paths of a test run must not fold them.
    monkeypatch.setattr("evidence.cli.common.PIPED_WIDTH", 1000)
    places = {
        name: (other_disk if name.startswith("/media/") else tmp_path) / name.rpartition("/")[2]
        for name in PLACES
    }
    (tmp_path / "made").mkdir()
    expected = {command: list(statuses) for command, statuses in FINDS.items()}
    page = PAGE.read_text(encoding="utf-8")
    ran = []
    for step, status, printed in walked(new_office(tmp_path / "made", places), page):
        assert comparable(printed) == comparable(step.printed), (
            f"{step.command} printed:\n{printed}\n{REMEDY}"
        )
        assert status == (expected[step.command].pop(0) if step.command in expected else 0), step.command
        ran.append(step.command.split()[:3])
    assert not any(expected.values())
    assert len(ran) == len(steps(page)) > 20


def test_a_page_that_went_stale_differs():
    page = "```console\n$ evidence verify\n34 files (4.1 MB) read, 1 bad.\n```\n"
    (step,) = steps(page)
    assert step.command == "evidence verify"
    assert comparable(step.printed) == comparable("34 files (9 GB)  read,\n1 bad.\n")
    assert comparable(step.printed) != comparable("34 files (4.1 MB) read, 2 bad.\n")
    assert page[step.start : step.end] == step.printed
