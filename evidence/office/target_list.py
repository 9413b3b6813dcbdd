"""Lists the places of copies: what each holds, its medium and state, and what the 3-2-1 rule says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from evidence.archive.backup_rule import BackupCount, StoredCopy, count_copies, weakest
from evidence.archive.places import UNKNOWN_MEDIUM, medium, place_id
from evidence.catalog.keeping import NOTHING, PlaceTotals
from evidence.disk.durable import free_bytes
from evidence.errors import EvidenceError
from evidence.filing.backup import open_target
from evidence.filing.target_records import open_declaration, read_record, retired_targets
from evidence.settings import ARCHIVE_PLACE, TargetSettings
from evidence.workspace import Workspace


class TargetState(StrEnum):
    """What is known of a target now."""

    READY = "ready"
    NOT_CONNECTED = "not connected"
    OTHER_DISK = "another disk"
    DECLARED_LOST = "declared lost, to be confirmed"
    LOST = "lost"
    REPLACED = "replaced"
    NOT_NAMED = "not in the settings"


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetView:
    """One place of copies, as `evidence target list` shows it."""

    name: str
    path: str | None
    """None when the settings do not name it."""
    state: TargetState
    why: str
    """What keeps it from being used; empty when nothing does."""
    held: PlaceTotals
    medium: str
    place_id: str
    """The physical disk or the service, as it was when it was last connected."""
    off_computer: bool
    free: int | None
    """Bytes free; None when it cannot be told now."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetList:
    """Every place of copies, the archive first, and what every original has at least."""

    places: tuple[TargetView, ...]
    originals: int
    rule: BackupCount
    """What the original with the fewest copies has."""


def list_targets(workspace: Workspace) -> TargetList:
    """Every place of copies: the archive, the targets in the settings, and those that are gone."""
    totals = workspace.catalog.keeping.place_totals()
    archive, *named = _named_places(workspace, totals)
    known = {ARCHIVE_PLACE, *(one.name for one in named)}
    retired = {one.place: one for one in retired_targets(workspace)}
    gone = [
        _plain_view(
            one.name,
            TargetState.LOST if one.lost else TargetState.REPLACED,
            one.reason,
            totals.get(place, NOTHING),
        )
        for place, one in retired.items()
    ]
    gone += [
        _plain_view(place, TargetState.NOT_NAMED, "", found)
        for place, found in sorted(totals.items())
        if place not in known and place not in retired
    ]
    sets = workspace.catalog.keeping.place_sets()
    stored = {
        one.name: StoredCopy(place_id=one.place_id, medium=one.medium, off_site=one.off_computer)
        for one in (archive, *named)
    }
    rule = weakest(count_copies(stored[place] for place in places if place in stored) for places in sets)
    return TargetList(places=(archive, *named, *gone), originals=sum(sets.values()), rule=rule)


def named_places(workspace: Workspace) -> list[TargetView]:
    """The archive and the targets that the settings name, as they are now."""
    return _named_places(workspace, workspace.catalog.keeping.place_totals())


def _named_places(workspace: Workspace, totals: Mapping[str, PlaceTotals]) -> list[TargetView]:
    return [
        _archive_view(workspace, totals.get(ARCHIVE_PLACE, NOTHING)),
        *(_view(workspace, one, totals.get(one.name, NOTHING)) for one in workspace.settings.target),
    ]


def view_target(workspace: Workspace, named: TargetSettings) -> TargetView:
    """One target that the settings name, as it is now."""
    return _view(workspace, named, workspace.catalog.keeping.place_totals().get(named.name, NOTHING))


def _archive_view(workspace: Workspace, totals: PlaceTotals) -> TargetView:
    return TargetView(
        name=ARCHIVE_PLACE,
        path=str(workspace.root),
        state=TargetState.READY,
        why="",
        medium=medium(workspace.root),
        place_id=place_id(workspace.root),
        off_computer=False,
        free=free_bytes(workspace.root),
        held=totals,
    )


def _view(workspace: Workspace, named: TargetSettings, totals: PlaceTotals) -> TargetView:
    target = open_target(workspace, named)
    known = read_record(workspace, named.name)
    state, why, free = TargetState.READY, "", None
    kind = known.medium if known else UNKNOWN_MEDIUM
    where = (known.place_id if known else "") or f"target:{named.name}"
    try:
        if known is not None:
            disk = target.marker_id()
            if known.id and known.id != disk:
                state = TargetState.OTHER_DISK
        elif not target.root.is_dir():
            state = TargetState.NOT_CONNECTED
        if state is TargetState.READY:
            free, kind, where = target.free_space(), target.medium(), target.place_id()
    except EvidenceError as trouble:
        state, why = TargetState.NOT_CONNECTED, trouble.message
    if state is not TargetState.READY and open_declaration(workspace, named.name):
        state = TargetState.DECLARED_LOST
    return TargetView(
        name=named.name,
        path=str(named.path),
        state=state,
        why=why,
        medium=kind,
        place_id=where,
        off_computer=named.off_computer,
        free=free,
        held=totals,
    )


def _plain_view(name: str, state: TargetState, why: str, totals: PlaceTotals) -> TargetView:
    return TargetView(
        name=name,
        path=None,
        state=state,
        why=why,
        medium=UNKNOWN_MEDIUM,
        place_id="",
        off_computer=False,
        free=None,
        held=totals,
    )
