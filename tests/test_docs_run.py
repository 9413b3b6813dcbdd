"""The commands in the pages for each kind of user run: the lines that show no output beside the walk-throughs' own.

Lines after a `$` print what their page shows; test_first_day, test_office_page and test_readme_tour hold that.
"""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from support_card import CardMaker
from support_cli import cli, make_archive
from support_intake import with_target
from support_tls import self_signed

DOCS = Path(__file__).parents[1] / "docs"
CLAIMS = """claim,insured,address,loss_date,peril,lat,lon
HR26-004417,Odile Moss,1 Larch Way,2026-05-01,hail,40.015,-105.27
HR26-004463,Caspian Wethering,2 Larch Way,2026-02-01,hail,40.016,-105.27
HR26-004508,Ptolema Rusk,9 Elm Row,2026-05-02,hail,40.017,-105.27
"""
ELSEWHERE = ("evidence people", "evidence purge")
"""They need passwords, or claims whose period has ended: tests/office and tests/retention run them."""


def typed(page: str) -> list[str]:
    """The commands of a page's blocks that are not walk-throughs, without the remark beside each."""
    blocks = re.findall(
        r"^```(?:sh)?\n(.*?)^```$", (DOCS / page).read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL
    )
    lines = [line.split("  #")[0].strip() for block in blocks for line in block.splitlines()]
    return [line for line in lines if line.startswith("evidence ")]


class Card(CardMaker):
    """A card whose files are named as in the pages."""

    def put(self, name: str, content: bytes, *, counts: bool = False) -> str:
        return super().put(name.replace("TEST", "TNDL"), content, counts=counts)


@pytest.fixture
def archive(tmp_path, other_disk):
    """Three houses on one day, and one backup disk, called nas as in the pages."""
    made = make_archive(tmp_path)
    with_target(made, other_disk)
    settings = made / "evidence.toml"
    settings.write_text(settings.read_text().replace("'office'", "'nas'"), encoding="utf-8")
    (tmp_path / "claims.csv").write_text(CLAIMS, encoding="utf-8")
    assert cli("assignments", tmp_path / "claims.csv", archive=made).status == 0
    card = Card(tmp_path / "CARD", number=32)
    for claim in ("HR26-004417", "HR26-004463", "HR26-004508"):
        card.sheet(claim)
        for _ in range(3):
            card.scene()
        card.wait(minutes=50)
    assert cli("intake", card.root, archive=made).status == 0
    return made


def run_page(page: str, archive: Path, places: dict[str, str]) -> list[tuple[str, int, str]]:
    """Run a page's commands in order; each with its exit status and what it printed."""
    ran = []
    for line in (one for one in typed(page) if not one.startswith(ELSEWHERE)):
        words = shlex.split(line)[1:]
        words = [places.get(word, word) for word in words]
        if "--archive" in words:
            del words[words.index("--archive") : words.index("--archive") + 2]
        one = cli(*words, archive=archive)
        ran.append((line, one.status, one.out + one.err))
    return ran


def test_the_commands_of_the_adjusters_page_run(archive, tmp_path):
    third = cli("segments", "--json", archive=archive).data[2]["segment"]
    places = {"/media/CARD": str(tmp_path / "CARD"), "2026-05-14/143207": third}
    ran = run_page("adjuster.md", archive, places)
    assert [(line, said) for line, status, said in ran if status and "coverage" not in line] == []
    assert ran[-1][:2] == ("evidence coverage HR26-004463", 1), "its status says that proof is missing"
    assert len(ran) == 7


def test_the_commands_of_the_reviewers_page_run(archive, tmp_path, monkeypatch):
    monkeypatch.setattr("uvicorn.Server.run", lambda *_args, **_more: None)
    cert, key = self_signed(tmp_path)
    places = {"192.0.2.10": "127.0.0.1", "chain.pem": str(cert), "key.pem": str(key)}
    ran = run_page("reviewer.md", archive, places)
    assert len(ran) == 3
    assert [(line, said) for line, status, said in ran if status] == []


def test_the_commands_of_the_offices_page_run(archive, monkeypatch):
    monkeypatch.setattr("uvicorn.Server.run", lambda *_args, **_more: None)
    ran = run_page("office.md", archive, {})
    assert len(ran) >= 18
    assert [(line, said) for line, status, said in ran if status] == []
