"""The commands that run `evidence watch` in the background."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from evidence.cli.common import ADJUSTER, Archive, Json, emit, opened, say
from evidence.cli.json_logs import LogJson
from evidence.errors import BadInputError

service = typer.Typer(help="Run the watch for cards in the background.", no_args_is_help=True)
Yes = Annotated[bool, typer.Option("--yes", help="Do it without asking.")]


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.add_typer(service, name="service", rich_help_panel=ADJUSTER)


@service.command("install")
def service_install(
    folders: Annotated[list[Path] | None, typer.Argument(metavar="FOLDER", show_default=False)] = None,
    yes: Yes = False,
    log_json: LogJson = False,
    archive: Archive = None,
    as_json: Json = False,
) -> None:
    """Start the watch at every login. Shows what it would write and run, and asks."""
    from evidence.cards.watch import check_folders
    from evidence.intake.service import install, service_plan

    with opened(archive) as here:
        check_folders(tuple(folders or ()))
        plan = service_plan(here.root, tuple(folders or ()), log_json=log_json)
    say(f"This file is written: {plan.file}")
    for line in plan.text.splitlines():
        say(f"  {line}" if line else "")
    for command in plan.install:
        say(f"Then this is run: {' '.join(command)}")
    if not yes:
        if not sys.stdin.isatty():
            raise BadInputError("Nobody can be asked here.", "Add --yes to install the service.")
        if not typer.confirm("Install it?", err=True):
            raise typer.Exit(1)
    install(plan)
    emit(
        as_json,
        {"installed": plan.name, "file": str(plan.file)},
        lambda: [f"{plan.name} is installed and runs."],
    )


@service.command("remove")
def service_remove(archive: Archive = None, as_json: Json = False) -> None:
    """Stop the watch in the background and remove it."""
    from evidence.intake.service import remove, service_plan

    with opened(archive) as here:
        plan = service_plan(here.root, ())
        done = remove(plan)
    emit(
        as_json,
        {"removed": plan.name if done else None},
        lambda: [f"{plan.name} is removed." if done else "No service is installed for this archive."],
    )


@service.command("status")
def service_status(archive: Archive = None, as_json: Json = False) -> None:
    """Show whether the watch is installed, and whether one runs now."""
    from evidence.intake.service import service_plan
    from evidence.intake.watching import is_watched

    with opened(archive) as here:
        plan = service_plan(here.root, ())
        installed, runs = plan.file.exists(), is_watched(here)
    emit(
        as_json,
        {"installed": installed, "file": str(plan.file), "watching": runs},
        lambda: [
            f"Installed: {plan.file}" if installed else "No service is installed for this archive.",
            "A watch runs now." if runs else "No watch runs now.",
        ],
    )
