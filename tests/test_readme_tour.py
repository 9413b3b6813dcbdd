"""The tour of README.md, run line by line on a small archive."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from support_board import facet_value
from support_card import CardMaker
from support_cli import cli
from support_intake import PLAIN

from evidence.model import ClaimId, Facet, TagResult
from evidence.workspace import Workspace

README = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
CLAIMS = ("HR26-004417", "HR26-004463", "HR26-004508")
INSURED = ("Odile Brankmeyer", "Caspian Wethering", "Ptolema Rusk-Ainley")
LITTER = (".DS_Store", "Thumbs.db", "desktop.ini", "._TEST0001.JPG")
"""Files that operating systems leave on a card."""


def tour() -> list[tuple[str, list[str]]]:
    """Each line that the reader types, without the remark beside it, and the lines below it that it prints.

    The page shows some of the lines, and of a table not the last column, the names of photos.
    """
    block = README.split("## A tour")[1].split("```")[1]
    typed: list[tuple[str, list[str]]] = []
    for line in block.strip().splitlines():
        if line.startswith("$ "):
            typed.append((line[2:].split("  #")[0].strip(), []))
        else:
            typed[-1][1].append(line)
    return typed


def plain(text: str) -> str:
    """A line without its numbers, times and columns: those of the tour are of a larger card."""
    text = re.sub(r"\d{4}-\d\d-\d\d \d\d:\d\d", "DATE", text)
    return " ".join(re.sub(r"(?<![\w-])\d+(?![\w-])", "N", text).split())


def tag_two_sides(archive: Path, claim: str) -> None:
    """A person states a photo of the front; a photo of the back is a guess."""
    with Workspace(archive, actor="Tess") as workspace:
        first, second = workspace.catalog.photos.of_claim(ClaimId(claim))[1:3]
        sides = {first.sha256: ("front", None), second.sha256: ("back", 0.9)}
        results = {
            sha: TagResult(
                tags={
                    Facet.ROLE: facet_value(Facet.ROLE, "elevation", guess=guess),
                    Facet.FACE: facet_value(Facet.FACE, face, guess=guess),
                }
            )
            for sha, (face, guess) in sides.items()
        }
        workspace.catalog.photos.put_tags(results)
        workspace.catalog.mark_changed([ClaimId(claim)])


@pytest.fixture(scope="module")
def card(tmp_path_factory) -> CardMaker:
    """Three houses with a sheet each, one file that is there twice, and four files that systems leave."""
    made = CardMaker(tmp_path_factory.mktemp("tour") / "CARD")
    for claim in CLAIMS:
        made.sheet(claim)
        for _ in range(3):
            made.scene()
        made.wait(minutes=40)
    folder = made.root / "DCIM" / "100TESTC"
    last = max(folder.glob("*.JPG"))
    (folder / "TEST0099.JPG").write_bytes(last.read_bytes())
    for name in LITTER:
        (folder / name).write_bytes(b"left by a system")
    return made


@pytest.mark.usefixtures("look_processes")
def test_every_line_of_the_tour_runs_and_prints_what_the_page_shows(card, other_disk, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "120")  # the page shows a wide window; a narrow one stacks the columns
    rows = [
        f"{number},{who},1 Larch Way,2026-05-01,hail" for number, who in zip(CLAIMS, INSURED, strict=True)
    ]
    (tmp_path / "claims.csv").write_text("\n".join(["claim,insured,address,loss_date,peril", *rows]), "utf-8")
    archive: Path | None = None
    served = []
    monkeypatch.setattr("uvicorn.Server.run", lambda *_args, **_more: served.append(True))
    shown_lines = 0
    for typed, shown in tour():
        printed = ""
        for command in typed.split(" && "):
            words = shlex.split(command.replace("/media/CARD", shlex.quote(str(card.root))))
            if words[0] == "export":
                assert words[1] == "EVIDENCE_ARCHIVE=$PWD/archive"
                archive = tmp_path / "archive"
                continue
            assert words[0] == "evidence", command
            if words[1] == "coverage":
                tag_two_sides(archive, words[2])
            more = ["--port", "0"] if words[1] == "board" else []
            ran = cli(*words[1:], *more, archive=archive)
            assert ran.status in ({0, 1} if words[1] in {"intake", "coverage"} else {0}), ran.err
            printed += ran.out
            if words[1] == "init":
                disk = (
                    f"\n[[target]]\nname = 'office'\npath = '{other_disk.as_posix()}'\noff_computer = true\n"
                )
                (tmp_path / words[2] / "evidence.toml").write_text(PLAIN + disk, encoding="utf-8")
        lines = {plain(line) for line in printed.splitlines()}
        missing = [line for line in shown if not any(one.startswith(plain(line)) for one in lines)]
        assert missing == [], f"{typed} printed\n{printed}"
        shown_lines += len(shown)
    assert served == [True]
    assert shown_lines >= 10
    assert {path.name for path in tmp_path.glob("*.pdf")} == {"sheets.pdf", "labels.pdf", "report.pdf"}
