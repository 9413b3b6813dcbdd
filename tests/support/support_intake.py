"""Archives with two houses taken in, and what is asked of any archive: valid bags, nothing twice, nothing lost."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, date, datetime
from pathlib import Path

import bagit
from support_card import CardMaker
from support_cli import cli, make_archive
from support_kill import HereExecutor

from evidence.intake.pipeline import take_in
from evidence.workspace import Workspace

PLAIN = "\n[purge]\nquarantine_days = 0\n\n[intake]\nworkers = 1\nread_writing = false\nscene_kinds = false\n"
"""Settings for tests that are not about pixels. A purge deletes at once."""
CLAIMS = """claim,insured,address,loss_date,peril
TC-1001,Ada Moss,1 Larch Way,2026-05-01,hail
TC-1002,Ben Reed,2 Larch Way,2026-05-01,hail
TC-1003,Cy Vale,9 Elm Row,2026-05-01,hail
"""


def set_settings(archive: Path, text: str) -> None:
    """Replace the archive's settings."""
    (archive / "evidence.toml").write_text(text, encoding="utf-8")


def with_target(archive: Path, folder: Path, *, name: str = "office", off: bool = True) -> None:
    """Plain settings and one backup target."""
    said = f"name = '{name}'\npath = '{folder.as_posix()}'\noff_computer = {str(off).lower()}\n"
    set_settings(archive, f"{PLAIN}\n[[target]]\n{said}")


def at_home(archive: Path, actor: str = "Ada Clerk", now: datetime | None = None) -> Workspace:
    """The archive opened by a person, on a day."""
    return Workspace(archive, actor=actor, now=lambda: now or datetime(2026, 6, 1, 12, tzinfo=UTC))


def today(workspace: Workspace) -> date:
    """The workspace's day, to confirm it for a purge of an archive that a test made under several clocks."""
    return workspace.now().astimezone().date()


def taken_in(archive: Path, card: Path):
    """The card through the intake, in this process."""
    with at_home(archive) as workspace:
        return take_in(workspace, card, executor=HereExecutor())


def small_houses(root: Path) -> CardMaker:
    """TC-1001 with a sheet, three scenes and a sound note to the second; TC-1002 with a sheet and three scenes."""
    card = CardMaker(root)
    card.sheet("TC-1001")
    for _ in range(3):
        card.scene()
    (root / "DCIM" / "100TESTC" / "TEST0003.WAV").write_bytes(b"RIFF....WAVE")
    card.wait(minutes=40)
    card.sheet("TC-1002")
    for _ in range(3):
        card.scene()
    return card


def loaded_archive(folder: Path) -> Path:
    """A new archive that knows three claims."""
    archive = make_archive(folder)
    set_settings(archive, PLAIN)
    (folder / "claims.csv").write_text(CLAIMS, encoding="utf-8")
    assert cli("assignments", folder / "claims.csv", archive=archive).status == 0
    return archive


def bags_of(archive: Path) -> list[Path]:
    """Every bag of the archive."""
    places = [*(archive / "claims").iterdir(), archive / "unassigned"]
    return sorted(p for p in places if (p / "bagit.txt").exists())


def filed(archive: Path) -> dict[str, tuple[str, str]]:
    """Digest -> (claim's number or 'unassigned', camera name); every bag valid, no original twice."""
    found: dict[str, tuple[str, str]] = {}
    for bag in bags_of(archive):
        bagit.Bag(str(bag)).validate()
        about = json.loads((bag / "records" / "claim.json").read_text())
        claim = about["claim"]["claim"] if about["claim"] else "unassigned"
        listed = json.loads((bag / "records" / "photos.json").read_text())
        for one in listed:
            path = bag / "data" / one["payload_path"]
            digest = hashlib.sha256(path.read_bytes()).hexdigest()
            assert digest == one["record"]["sha256"]
            assert digest not in found, f"{path.name} stands in two bags"
            found[digest] = (claim, path.name)
    return found


def where(archive: Path) -> dict[str, str]:
    """Camera name -> claim."""
    return {name: claim for claim, name in filed(archive).values()}


def holding(folder: Path, digests: set[str]) -> list[str]:
    """Files below `folder` whose bytes have one of these digests."""
    return sorted(
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.is_file()
        and not path.is_symlink()
        and hashlib.sha256(path.read_bytes()).hexdigest() in digests
    )


def actions(archive: Path) -> list[str]:
    """What the custody log says was done, in order; the log holds together."""
    proved = cli("custody", "--verify", "--last", 0, "--json", archive=archive).data
    assert proved["valid"] is True, proved["findings"]
    return [one["action"] for one in proved["shown"]]


JSON_COLUMNS = {
    "before",
    "after",
    "facts",
    "look",
    "claim_reasons",
    "tag_flags",
    "reasons",
    "refused",
    "part",
}


def rows_of(archive):
    """Every row of every table but caches, JSON text as data; passwords are not kept anywhere else."""
    with at_home(archive) as workspace:
        tables = workspace.catalog.records.every_row()
    out = {}
    for table, rows in tables.items():
        out[table] = [
            {name: json.loads(v) if name in JSON_COLUMNS and v is not None else v for name, v in row.items()}
            for row in rows
        ]
        for row in out[table]:
            row.pop("password", None)
            row.pop("changes", None)  # counts marks of an outdated bag while a run builds it
    return out
