"""Runs every command of docs/first_day.md, from nothing to the first safe card, on a small card."""

from __future__ import annotations

import os
import shlex
from collections.abc import Iterator
from pathlib import Path

import tomlkit
from support_cli import cli
from support_intake import small_houses
from support_walkthrough import Office, Step, steps

FIRST_DAY = Path(__file__).resolve().parents[2] / "docs" / "first_day.md"
PLACES = ("/evidence", "/media/red", "/media/CARD")
"""Folders that the page names: the archive, the backup disk, the camera card."""
LIST = """Claim #;Named Insured;Loss Address;Date of Loss;Cause of Loss;Desk
TC-1001;Ada Moss;1 Larch Way;05/01/2026;hail;4
TC-1002;Ben Reed;2 Larch Way;04/28/2026;hail;4
"""


def walk(places: dict[str, Path], page: str) -> Iterator[tuple[Step, int, str]]:
    """Run the page in the present folder: each step with its exit status and what it printed."""
    Path("claims.csv").write_text(LIST, encoding="utf-8")
    small_houses(places["/media/CARD"])
    office = Office(places, archive="")
    for step in steps(page):
        words = shlex.split(step.command)
        if words[0] == "export":
            office.archive = words[1].removeprefix("EVIDENCE_ARCHIVE=")
            yield step, 0, ""
            continue
        assert words[0] == "evidence", step.command
        needs_none = words[1] in {"init", "--version"}
        archive = None if needs_none else places[office.archive]
        ran = cli(*(office.real(word) for word in words[1:]), archive=archive)
        if words[1] == "init" and not ran.status:
            _look_at_nothing(places["/evidence"])
        yield step, ran.status, office.as_on_page(ran.out if ran.out or not ran.status else ran.err)


def _look_at_nothing(archive: Path) -> None:
    """Leave out the slow steps that the page is not about: reading writing and recognising scenes."""
    path = archive / "evidence.toml"
    settings = tomlkit.parse(path.read_text(encoding="utf-8"))
    settings["intake"].update({"workers": 1, "read_writing": False, "scene_kinds": False})
    path.write_text(tomlkit.dumps(settings), encoding="utf-8")
    os.utime(path)
