"""The commands that answer 'how do things stand': `status` for the day's work, `doctor` when something fails."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import typer

from evidence.cli import card_lines
from evidence.cli.common import (
    ADJUSTER,
    FINDINGS,
    Archive,
    Json,
    emit,
    opened,
    progress_shown,
    require_archive,
    table,
)
from evidence.errors import counted

if TYPE_CHECKING:
    from rich.table import Table

    from evidence.archive.backup_rule import BackupCount
    from evidence.filing.card_safety import CardNow
    from evidence.filing.station_debts import OwedPart
    from evidence.progress import Progress
    from evidence.workspace import Workspace

RATE_DAYS = 30
"""Days whose new photos say how fast the disk fills."""
MOST_DAYS = 3650
"""A longer time is no forecast; disks do not live as long."""
MOST_CLAIMS = 10
"""Claims listed on the terminal; `--json` lists all of them."""


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    for command in (status, doctor):
        app.command(rich_help_panel=ADJUSTER)(command)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimNeed:
    """A claim that needs a person, and how many photos or shots."""

    claim: str
    insured: str
    house_to_confirm: int
    guessed: int
    missing: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchiveStatus:
    """How an archive stands. Times are aware, UTC."""

    last_card: CardNow | None
    needs: tuple[ClaimNeed, ...]
    unassigned: int
    copies: BackupCount
    originals: int
    last_read_back: dict[str, datetime | None]
    """Backup target to the newest time when a copy there was read back and matched."""
    free: int
    """Bytes free on the archive's disk."""
    days_left: int | None
    """Days until that disk is full, at the rate of the last 30 days; None when nothing came in."""
    owed_parts: tuple[OwedPart, ...]
    """What stations are still to remove of claims that were purged at another one."""


def status(archive: Archive = None, as_json: Json = False) -> None:
    """Show the last card, who is needed, the copies and the space."""
    with opened(archive) as here, progress_shown() as progress:
        stands = _standing(here, progress)
    emit(as_json, stands, lambda: _status_lines(stands))


def _standing(here: Workspace, progress: Progress) -> ArchiveStatus:
    from evidence.filing.card_safety import Judging
    from evidence.filing.station_debts import owed_parts
    from evidence.lookup import UNASSIGNED
    from evidence.office.target_list import list_targets
    from evidence.reports.views import claim_views
    from evidence.settings import ARCHIVE_PLACE

    runs = here.catalog.photos.own_intakes()
    views = claim_views(here, progress=progress)
    listed = list_targets(here)
    named = {one.name for one in here.settings.target}
    free = next((one.free for one in listed.places if one.name == ARCHIVE_PLACE), None) or 0
    return ArchiveStatus(
        last_card=Judging(here).judge(runs[-1]) if runs else None,
        needs=tuple(
            ClaimNeed(
                claim=one.claim,
                insured=one.insured,
                house_to_confirm=one.to_confirm,
                guessed=one.coverage.guessed,
                missing=one.coverage.missing,
            )
            for one in views
            if one.coverage and (one.to_confirm or one.coverage.guessed or one.coverage.missing)
        ),
        unassigned=next((one.photos for one in views if one.claim == UNASSIGNED), 0),
        copies=listed.rule,
        originals=listed.originals,
        last_read_back={one.name: one.held.newest_read for one in listed.places if one.name in named},
        free=free,
        days_left=days_left(here, free),
        owed_parts=tuple(owed_parts(here)),
    )


def days_left(here: Workspace, free: int) -> int | None:
    """Days until so many free bytes are used, at the rate of the last 30 days; None when nothing came in."""
    came = here.catalog.photos.octets_since(here.now() - timedelta(days=RATE_DAYS))
    return free * RATE_DAYS // came if came else None


def _status_lines(stands: ArchiveStatus) -> Iterable[str | Table]:
    if stands.last_card:
        yield "Last card:"
        yield from (f"  {line}" for line in card_lines.card_lines(stands.last_card))
    else:
        yield "No card was taken in yet. To take one in: evidence intake SOURCE"
    if stands.needs:
        are = counted(len(stands.needs), "claim needs", "claims need")
        yield f"{are} someone:"
        rows = [
            (one.claim, one.insured, one.house_to_confirm or "", one.guessed or "", one.missing or "")
            for one in stands.needs[:MOST_CLAIMS]
        ]
        yield table(["claim", "insured", "house to confirm", "shots guessed", "shots missing"], rows)
        if len(stands.needs) > MOST_CLAIMS:
            yield f"  and {len(stands.needs) - MOST_CLAIMS} more; `evidence claims` lists every claim."
    if stands.unassigned:
        yield f"{counted(stands.unassigned, 'photo fits', 'photos fit')} no claim: evidence photos unassigned"
    yield from _copy_lines(stands)
    yield from _owed_lines(stands)
    left = (
        ""
        if stands.days_left is None
        else f", {_time_left(stands.days_left)} at the rate of the last {RATE_DAYS} days"
    )
    yield f"Space left for the archive: {stands.free // 10**9} GB{left}."


def _time_left(days: int) -> str:
    return counted(days, "day") if days < MOST_DAYS else f"more than {MOST_DAYS // 365} years"


def _copy_lines(stands: ArchiveStatus) -> Iterable[str]:
    if not stands.last_read_back:
        yield "No backup target is named. To add one: evidence target add NAME PATH"
    elif stands.originals:
        off = "one of them" if stands.copies.off_site else "none of them"
        yield f"Every original has at least {counted(stands.copies.copies, 'copy', 'copies')}, {off} off this computer."
    for name, at in stands.last_read_back.items():
        yield f"  {name}: last read back {card_lines.moment(at) if at else 'never'}"


def _owed_lines(stands: ArchiveStatus) -> Iterable[str]:
    from evidence.filing.station_debts import by_station

    for one in by_station(stands.owed_parts):
        yield f"{one.words}."
        if one.here and not one.held:
            yield "  The next intake or backup here removes it; at once: evidence purge finish"


def doctor(archive: Archive = None, as_json: Json = False) -> None:
    """Check settings, catalog, disks, clock and versions.

    It checks the permissions too. Each problem says what to do. The exit status is 1 when something is bad.
    """
    from evidence.office.health import Health, check_health

    checks = check_health(require_archive(archive))
    emit(
        as_json,
        {"checks": checks, "good": all(one.outcome is not Health.BAD for one in checks)},
        lambda: [
            line
            for one in checks
            for line in (
                f"{one.outcome.value:8}{one.about}: {one.found}",
                *([f"        {one.to_do}"] if one.to_do else []),
            )
        ],
    )
    if any(one.outcome is Health.BAD for one in checks):
        raise typer.Exit(FINDINGS)
