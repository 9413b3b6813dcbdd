"""The archives of the stations whose rows a rebuild reads, and what their logs say of the stations."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from evidence.archive.custody_key import kept_id, log_of
from evidence.catalog.base import to_text
from evidence.catalog.records import Row
from evidence.catalog.store import Catalog
from evidence.errors import BadInputError, LockedError
from evidence.filing.gathering import ArchiveSource
from evidence.filing.originals import station_folder
from evidence.filing.station_heads import NOTED
from evidence.workspace import Workspace

MADE, ADDED, LEFT = "archive_made", "station_added", "station_left"
"""Entries of the custody log: a new archive; its name as a station; another station was declared gone."""


def other_stations(workspace: Workspace, catalog: Catalog, given: Sequence[Path]) -> list[ArchiveSource]:
    """The archives of the other stations that have not left: where they were `given`, else where the catalog has them.

    When the database was lost with the stations in it, this station's log says which there were. Raises BadInputError
    for one that is not found and for a folder of none of them, LockedError for one at work.
    """
    folders = {_archive_in(folder): folder.absolute() for folder in given}
    rows = {one.archive: one for one in catalog.stations.others()}
    names = {archive: one.name for archive, one in rows.items()} or _noted(workspace.root)
    for archive, folder in folders.items():
        if archive == catalog.stations.own or (names and archive not in names):
            raise BadInputError(
                f"{folder} is the folder of no other station of this catalog.",
                f"The other stations are: {', '.join(sorted(names.values())) or 'none'}.",
            )
    for archive, row in rows.items():
        if archive not in folders and (found := station_folder(row)) is not None:
            folders[archive] = found
    if lacking := sorted(names[archive] for archive in names if archive not in folders):
        raise BadInputError(
            f"The folder of the station {' and '.join(lacking)} is not known or cannot be reached, and the catalog "
            "holds its part too. Nothing was changed.",
            "Connect it, and say where it is with --station DIR for each; or declare it gone: `evidence station left`.",
        )
    for archive in sorted(folders):
        if not catalog.leases.is_free(f"station {archive}"):
            raise LockedError(
                f"A program of the station {names.get(archive, archive)} has the catalog open.",
                "Stop the programs of every station first.",
            )
    return [ArchiveSource(root=folder, archive=archive) for archive, folder in sorted(folders.items())]


def station_rows(sources: Sequence[ArchiveSource], catalog: Catalog) -> list[Row]:
    """Rows of table `station` by the logs of these archives, of those that the catalog does not have any more."""
    known = {one.archive for one in catalog.stations.all()}
    own = catalog.stations.own
    anew = known == {own}
    rows = {}
    for source in sources:
        if source.archive not in known or (anew and source.archive == own and len(sources) > 1):
            rows[source.archive] = _row(source)
    for source in sources if anew else ():
        for entry in source.log.about(LEFT):
            archive = str(entry.details.get("station"))
            if entry.action != LEFT or archive in {one.archive for one in sources}:
                continue
            at = to_text(entry.at)
            rows[archive] = {
                "archive": archive,
                "name": entry.subject,
                "path": "",
                "added_by": entry.actor,
                "added_at": at,
                "left_at": at,
                "left_by": entry.actor,
                "left_why": str(entry.details.get("reason", "")),
            }
    return list(rows.values())


def _row(source: ArchiveSource) -> Row:
    """The station by its own log: the first of its names says when it was added, the last one is its name now."""
    entries = [one for one in source.log.about(ADDED, MADE) if one.action in {ADDED, MADE}]
    named = [one for one in entries if one.action == ADDED]
    first = (named or entries)[0]
    return {
        "archive": source.archive,
        "name": named[-1].subject if named else source.root.name,
        "path": str(named[-1].details.get("path", "")) if named else str(source.root),
        "added_by": first.actor,
        "added_at": to_text(first.at),
    }


def _noted(root: Path) -> Mapping[str, str]:
    """The stations that the log of this archive knows and that have not left by it: their names by the archive's id."""
    found: dict[str, str] = {}
    for entry in log_of(root).about(NOTED, LEFT):
        archive = str(entry.details.get("station"))
        if entry.action == NOTED:
            found[archive] = entry.subject
        elif entry.action == LEFT:
            found.pop(archive, None)
    return found


def _archive_in(folder: Path) -> str:
    archive = kept_id(folder)
    if archive is None:
        raise BadInputError(f"There is no station's archive at {folder}.", "Name the folder of an archive.")
    return archive
