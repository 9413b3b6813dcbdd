"""The catalog made anew from the bags, the record files and the custody log."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from evidence.archive import bags as bag_states
from evidence.catalog.leases import OFFICE
from evidence.catalog.store import Catalog
from evidence.disk.durable import discard, make_folder, sync_folder
from evidence.disk.faults import writing
from evidence.errors import BadInputError, CatalogError
from evidence.filing.gathering import ArchiveSource, Gathered, as_rows, gather
from evidence.filing.record_files import keep_records
from evidence.filing.station_sources import other_stations, station_rows
from evidence.model import Finding
from evidence.progress import Progress, quiet
from evidence.workspace import CATALOG, DAMAGED, HASH_INDEX, LOCK_WAIT_S, Workspace, utc_now

FRESH = "catalog-rebuilt.sqlite"
"""The new catalog until it takes the place of the old one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RebuildReport:
    """What a rebuild found."""

    bags: int
    claims: int
    photos: int
    """Kept files in bags or in the intake area."""
    people: int
    old_catalog: str
    """Where the replaced catalog is kept, below the archive; empty when there was none."""
    stations: tuple[str, ...]
    """The other stations whose folders were read."""
    findings: tuple[Finding, ...]


def rebuild(
    root: Path,
    *,
    actor: str | None = None,
    now: Callable[[], datetime] = utc_now,
    progress: Progress = quiet,
    arrived: bool = False,
    stations: Sequence[Path] = (),
) -> RebuildReport:
    """Make the catalog of the archive at `root` anew; the old one is kept aside, and the bags are only read.

    Where several stations share the catalog, the folders of the others are read too; `stations` names those that are
    not where the catalog says. With `arrived` every file of the bags was copied here and verified just now, see `restore`; a PostgreSQL
    catalog that holds rows is then left alone. Raises BadInputError, CatalogError,
    CatalogWriteError, CustodyError, DestinationError, LockedError.
    """
    with writing(root):
        _discard_catalog(root / FRESH)
    fresh = f"sqlite:///{root.absolute() / FRESH}"
    with Workspace(root, actor=actor, now=now, catalog_url=fresh) as workspace, workspace.locked():
        bag_states.recover(workspace.claims)
        bag_states.recover(workspace.root)
        names: list[str] = []
        if workspace.settings.catalog.url:
            found, names = _fill_server(workspace, stations, progress, arrived=arrived)
            _discard_after(workspace, root / FRESH)
            aside = ""
        else:
            if stations:
                raise BadInputError("This archive has a catalog of its own.", "Leave out --station.")
            found = gather([ArchiveSource(root=workspace.root)], workspace.now(), progress, arrived=arrived)
            workspace.catalog.records.replace_all(as_rows(found))
            keep_records(workspace)
            workspace.close()
            aside = _put_in_place(workspace)
        workspace.record(
            "catalog_rebuilt",
            "catalog",
            bags=len(found.bags),
            photos=len(found.originals),
            kept_at=aside,
            **({"stations": names} if names else {}),
        )
        discard(root / HASH_INDEX)
    return RebuildReport(
        bags=len(found.bags),
        claims=len(found.claims),
        photos=len(found.originals),
        people=len(found.users),
        old_catalog=aside,
        stations=tuple(names),
        findings=tuple(found.findings),
    )


def _fill_server(
    workspace: Workspace, stations: Sequence[Path], progress: Progress, *, arrived: bool
) -> tuple[Gathered, list[str]]:
    """Replace the rows of a catalog on a database server, in one transaction; returns what was read, and whose it was."""
    owner = workspace.owner()
    assert owner is not None, "an archive with a catalog on a server has an id"
    catalog = Catalog(workspace.catalog_url, owner=owner)
    try:
        if arrived and not catalog.records.is_empty():
            raise CatalogError(
                "The catalog's database already holds rows, perhaps of the archive that was lost.",
                "If they may be replaced, run `evidence rebuild` on the new archive.",
            )
        with catalog.leases.held(OFFICE, wait_s=LOCK_WAIT_S):
            others = other_stations(workspace, catalog, stations)
            sources = [ArchiveSource(root=workspace.root, archive=owner.archive), *others]
            found = gather(sources, workspace.now(), progress, arrived=arrived)
            with catalog.transaction():
                catalog.records.replace_all(as_rows(found))
                catalog.stations.put_back(station_rows(sources, catalog), found.waiting)
                catalog.own_all()
        return found, [catalog.stations.name(one.archive) for one in others]
    finally:
        catalog.close()


def _discard_after(workspace: Workspace, path: Path) -> None:
    workspace.close()
    with writing(path):
        _discard_catalog(path)


def _put_in_place(workspace: Workspace) -> str:
    """Keep the old catalog aside and give the new one its name; returns where the old one is."""
    root, old = workspace.root, workspace.root / CATALOG
    aside = root / DAMAGED / f"catalog-{workspace.now():%Y%m%d-%H%M%S-%f}"
    kept = ""
    with writing(root):
        for path in _files_of(old):
            make_folder(aside)
            path.rename(aside / path.name)
            kept = aside.relative_to(root).as_posix()
        if kept:
            sync_folder(aside)
        (root / FRESH).rename(old)
        sync_folder(root)
    return kept


def _files_of(catalog: Path) -> list[Path]:
    """An SQLite database and the files of its write-ahead log that exist."""
    names = [catalog, *(catalog.with_name(catalog.name + end) for end in ("-wal", "-shm", "-journal"))]
    return [path for path in names if path.exists()]


def _discard_catalog(path: Path) -> None:
    for each in _files_of(path):
        discard(each)
