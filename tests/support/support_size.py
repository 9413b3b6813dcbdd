"""Archives of many claims without pixels, one more claim to file, and how much work that is."""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import event
from support_catalog import copied, placing

from evidence.catalog.intakes import IntakeRow
from evidence.catalog.segments import SegmentRow
from evidence.disk.objects import object_path
from evidence.filing.backup import BackupReport, back_up
from evidence.filing.bags import file_away, recover_bags, require_known_bags
from evidence.filing.card_safety import Judging, judge_and_store
from evidence.model import CameraFacts, Claim, ClaimId, Copied, DcfName, IntakeId, Look, Sha256
from evidence.workspace import Workspace, make_archive

START = datetime(2019, 3, 4, 15, tzinfo=UTC)
"""The first intake; four claims come on every working day."""


@dataclass
class Work:
    """What was done between two moments, in numbers that are the same on every machine."""

    statements: int = 0
    """SQL statements."""
    opened: int = 0
    """Files opened."""
    listed: int = 0
    """Folders listed."""


_counting: list[Work] = []


def _count(name: str, _args: object) -> None:
    """Counts audit events (PEP 578); a hook cannot be removed, so there is one for all."""
    for work in _counting:
        work.opened += name == "open"
        work.listed += name in {"os.listdir", "os.scandir"}


@contextmanager
def counted(workspace: Workspace) -> Iterator[Work]:
    """Count the work on an archive while this is open."""
    if _count not in _HOOKS:
        sys.addaudithook(_count)
        _HOOKS.append(_count)
    work = Work()

    def statement(*_: object) -> None:
        work.statements += 1

    engine = workspace.catalog._database.engine
    event.listen(engine, "before_cursor_execute", statement)
    _counting.append(work)
    try:
        yield work
    finally:
        _counting.remove(work)
        event.remove(engine, "before_cursor_execute", statement)


_HOOKS: list[object] = []


def moment_of(number: int) -> datetime:
    """When the claim of this number was taken in."""
    weeks, of_week = divmod(number, 20)
    return START + timedelta(weeks=weeks, days=of_week // 4, hours=2 * (of_week % 4))


def claim_of(number: int) -> ClaimId:
    return ClaimId(f"HT-{number:05d}")


def intake_of(number: int) -> IntakeId:
    return IntakeId(f"{moment_of(number):%Y%m%d-%H%M%S}-{number:04x}")


def content_of(number: int, photo: int) -> bytes:
    return f"claim {number}, photo {photo}".encode()


def new_archive(folder: Path, claims: int, disks: Sequence[Path]) -> Workspace:
    """An empty archive whose targets were used once, at the time when so many claims have come.

    The first of `disks`, empty folders, is on another file system: it makes cards safe to erase.
    """
    root = folder / "archive"
    make_archive(root).close()
    text = ""
    for number, disk in enumerate(disks):
        off = str(number == 0).lower()
        text += f"\n[[target]]\nname = 'disk-{number}'\npath = '{disk.as_posix()}'\noff_computer = {off}\n"
    (root / "evidence.toml").write_text(text, encoding="utf-8")
    workspace = Workspace(root, actor="Ada Clerk", now=lambda: moment_of(claims))
    assert not back_up(workspace).troubles
    return workspace


def add_claim(workspace: Workspace, number: int, photos: int, look: Look | None = None) -> None:
    """Keep the photos of one claim as an intake leaves them just before filing: analysed, placed, bag outdated."""
    claim, intake, at = claim_of(number), intake_of(number), moment_of(number)
    kept: list[Copied] = []
    for photo in range(photos):
        content = content_of(number, photo)
        sha = Sha256(hashlib.sha256(content).hexdigest())
        path = object_path(workspace.store, sha, ".jpg")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
        name, dcf = f"DCIM/100TESTC/TEST{photo:04d}.JPG", DcfName(folder_number=100, file_number=photo)
        kept.append(copied(name, sha, size=len(content), modified=at, dcf=dcf, object_key=str(photo)))
    shas = [one.sha256 for one in kept]
    catalog = workspace.catalog
    with catalog.transaction():
        catalog.claims.put([Claim(claim=claim, insured="Moss", peril="hail")], at=at)
        catalog.photos.put_intake(
            IntakeRow(
                intake=intake,
                source=f"/media/card-{number}",
                label="card",
                actor="Ada Clerk",
                started_at=at,
                finished_at=at,
                refused=(),
            )
        )
        catalog.photos.add_originals(intake, kept)
        catalog.photos.describe(
            [(sha, CameraFacts(make="Test", model="One"), look or Look()) for sha in shas]
        )
        segment = SegmentRow(
            segment=f"{at:%Y-%m-%d}/{number}",
            claim=claim,
            unknown=False,
            first=shas[0],
            photos=len(shas),
            day=f"{at:%Y-%m-%d}",
            position=0,
            probability=1.0,
            to_confirm=False,
            reasons=(),
        )
        local = at.replace(tzinfo=None)
        placings = [
            placing(sha, claim, k, segment=segment.segment, reasons=("a sheet",), corrected=local, utc=at)
            for k, sha in enumerate(shas)
        ]
        catalog.photos.place(placings, [segment])
        catalog.mark_changed([claim])


def file_and_back_up(workspace: Workspace, intake: IntakeId) -> BackupReport:
    """Everything that an intake does but copying the card, its analysis and the split, with the verdict at its end."""
    recover_bags(workspace)
    require_known_bags(workspace)
    workspace.catalog.photos.unfiled()
    workspace.catalog.photos.sizes({100, 200})
    file_away(workspace)
    report = back_up(workspace)
    assert not report.troubles, report.troubles
    run = workspace.catalog.photos.intake(intake)
    assert run is not None
    workspace.catalog.photos.supersede(run)
    assert judge_and_store(workspace, run, Judging(workspace)).verdict.safe_to_erase
    return report
