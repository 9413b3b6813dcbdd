"""Stations: machines with an archive's folder each that share one catalog on a database server."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from evidence.catalog.stations import MOST_NAME, Counts
from evidence.errors import BadInputError, LockedError
from evidence.filing.originals import station_folder
from evidence.filing.owed import LEFT
from evidence.filing.station_heads import exchange_heads
from evidence.filing.target_records import REPLACED, retired_place
from evidence.model import ClaimId
from evidence.office.people import require_office
from evidence.plain_words import typed_name
from evidence.retention.purge.addresses import station_left
from evidence.settings import load_settings
from evidence.workspace import SETTINGS, Workspace, holds_bags


@dataclass(frozen=True, slots=True, kw_only=True)
class StationView:
    """A station as it is listed."""

    name: str
    archive: str
    """The id of its archive."""
    path: str
    here: bool
    """True for the station that lists."""
    reachable: bool
    """True when its folder can be read from here."""
    at_work: bool
    """True when a program of the station has the catalog open now."""
    cards: int
    bags: int
    waiting: int
    """Originals in its intake area, which are in no bag of it yet."""
    owes: int
    """Purged claims of which it is still to remove its part."""
    left_at: datetime | None
    left_by: str | None
    left_why: str | None


def add(root: Path, name: str, *, path: Path | None = None, actor: str | None = None) -> StationView:
    """Let the archive at `root` share the catalog that its settings name, or give a station another name or path.

    `path` is where the other stations find its folder; by default as here. Raises BadInputError for an archive with
    a catalog file of its own, one that holds photos, and a name that is taken or not printable.
    """
    chosen = typed_name(name, "The station's name", MOST_NAME)
    settings = root / SETTINGS
    if not settings.is_file():
        raise BadInputError(f"No archive at {root}.", "Create one with `evidence init DIR`.")
    if not load_settings(settings.read_text("utf-8-sig"), origin=str(settings)).catalog.url:
        raise BadInputError(
            "This archive has a catalog file of its own, which no other machine can share.",
            f"Write the address of the office's database as [catalog] url in {SETTINGS}, then run this again.",
        )
    new = not holds_bags(root) and not any((root / "ledgers").glob("*.jsonl"))
    with Workspace(root, actor=actor, joins=chosen if new else "") as here:
        stations = here.catalog.stations
        with here.locked():
            if any(one.name == chosen and one.archive != stations.own for one in stations.all()):
                raise BadInputError(
                    f"There is a station named '{chosen}' already.", "Give this one another name."
                )
            where = str((path or here.root).absolute())
            here.record("station_added", chosen, path=where)
            stations.rename(stations.own, chosen, where)
        exchange_heads(here)
        return next(one for one in list_stations(here) if one.here)


def list_stations(workspace: Workspace) -> list[StationView]:
    """Every station of the catalog, the first one first; one for a catalog in a file."""
    stations = workspace.catalog.stations
    counts, every = stations.counts(), stations.all()
    own = stations.own or (every[0].archive if every else "")
    nothing = Counts(cards=0, bags=0, waiting=0)
    owes = Counter(debt.station for debt in workspace.catalog.debts.all())
    return [
        StationView(
            name=one.name,
            archive=one.archive,
            path=one.path,
            here=one.archive == own,
            reachable=one.archive == own or station_folder(one) is not None,
            at_work=one.archive == own or not workspace.catalog.leases.is_free(f"station {one.archive}"),
            cards=counts.get(one.archive, nothing).cards,
            bags=counts.get(one.archive, nothing).bags,
            waiting=counts.get(one.archive, nothing).waiting,
            owes=owes[one.archive],
            left_at=one.left_at,
            left_by=one.left_by,
            left_why=one.left_why,
        )
        for one in every
    ]


def leave(workspace: Workspace, name: str, *, reason: str) -> tuple[ClaimId, ...]:
    """Declare that a station is gone for good; returns the claims of its bags, which are built again from what is left.

    It then blocks nothing, and its archive can no longer open the catalog. Raises BadInputError, LockedError while a
    program of it is at work, PurgeRefusedError for a person without the duty office.
    """
    require_office(workspace, "declare a station gone")
    if not reason.strip():
        raise BadInputError("The reason is empty.", "Say what happened to the station, with --reason TEXT.")
    stations = workspace.catalog.stations
    with workspace.alone(), workspace.locked():
        known = [one for one in stations.all() if one.archive != stations.own]
        found = next((one for one in known if one.name == name), None)
        if found is None or found.left:
            others = ", ".join(one.name for one in known if not one.left) or "none"
            state = "has left already" if found else "is not another station of this catalog"
            raise BadInputError(f"'{name}' {state}.", f"The other stations are: {others}.")
        if not workspace.catalog.leases.is_free(f"station {found.archive}"):
            raise LockedError(
                f"A program of the station {name} has the catalog open, so it is not gone.",
                "Stop it there first.",
            )
        first = next(one.archive for one in stations.all() if not one.left)
        workspace.record("station_left", name, station=found.archive, reason=reason.strip())
        for place, disk in stations.disks_of(found.archive):  # they count no more, and purges list them
            retired = retired_place(place, disk)
            workspace.record(REPLACED, place, id=disk, place=retired, reason=f"the station {name} has left")
            workspace.catalog.keeping.retire_place(place, retired)
        for debt in workspace.catalog.debts.all():
            if debt.station == found.archive:
                workspace.record(
                    LEFT, debt.claim, target=station_left(name), since=debt.since.date().isoformat()
                )
                workspace.catalog.debts.settle(debt)
        claims = stations.leave(found.archive, by=workspace.actor, why=reason.strip(), at=workspace.now())
        if (
            first == found.archive
        ):  # it wrote the record files of the office, which another station writes now
            workspace.catalog.records.mark_all()
    return tuple(claims)
