"""The office admin's commands for several machines that share one catalog."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from evidence.cli.common import (
    OFFICE,
    Actor,
    Archive,
    Json,
    PasswordStdin,
    emit,
    opened,
    opened_by_person,
    require_archive,
    table,
)
from evidence.errors import counted

if TYPE_CHECKING:
    from evidence.office.stations import StationView

station = typer.Typer(
    help="Let several machines share one catalog on a database server.", no_args_is_help=True
)
Name = Annotated[str, typer.Argument(metavar="NAME")]


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.add_typer(station, name="station", rich_help_panel=OFFICE)


@station.command("add")
def station_add(
    name: Name,
    path: Annotated[
        Path | None,
        typer.Option(
            "--path", help="Where the other stations find this archive's folder; as here by default."
        ),
    ] = None,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Let this archive share the catalog that its settings name, or give the station another name or path."""
    from evidence.office.stations import add

    view = add(require_archive(archive), name, path=path, actor=actor)
    emit(
        as_json,
        view,
        lambda: [f"This archive is the station {view.name}; others find its folder at {view.path}."],
    )


@station.command("list")
def station_list(archive: Archive = None, as_json: Json = False) -> None:
    """List the stations: what each holds and owes, whether it is at work and can be reached, and which left."""
    from evidence.office.stations import list_stations

    with opened(archive) as here:
        found = list_stations(here)
    headings = ["name", "folder", "state", "cards", "bags", "waiting", "purges owed"]
    emit(as_json, {"stations": found}, lambda: [table(headings, (_line(one) for one in found))])


@station.command("left")
def station_left(
    name: Name,
    reason: Annotated[str, typer.Option("--reason", help="What happened to the station.")],
    password_stdin: PasswordStdin = False,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Declare that a station is gone for good. It then blocks nothing and can no longer open the catalog.

    Its bags are built again here from what can be reached.
    """
    from evidence.office.stations import leave

    with opened_by_person(archive, actor, password_stdin=password_stdin) as here:
        claims = leave(here, name, reason=reason)
    emit(
        as_json,
        {"station": name, "claims": claims},
        lambda: [
            f"The station {name} has left. {counted(len(claims), 'bag')} of it will be built again.",
            "To build them: evidence backup. To bring back what is missing: evidence repair",
        ],
    )


def _line(one: StationView) -> list[object]:
    if one.left_at:
        state = f"left {one.left_at:%Y-%m-%d}: {one.left_why}"
    else:
        words = ["this one" if one.here else "at work" if one.at_work else "not at work"]
        words += [] if one.reachable else ["its folder cannot be reached"]
        state = ", ".join(words)
    return [one.name, one.path, state, one.cards, one.bags, one.waiting, one.owes]
