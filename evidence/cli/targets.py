"""The office admin's commands for backup targets."""

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
    require_reason_or_confirm,
    table,
)
from evidence.plain_words import size_text

if TYPE_CHECKING:
    from evidence.archive.backup_rule import BackupCount
    from evidence.office.target_list import TargetView

target = typer.Typer(
    help="Add, list and replace backup targets, and declare them lost.", no_args_is_help=True
)
Name = Annotated[str, typer.Argument(metavar="NAME")]
Place = Annotated[
    Path, typer.Argument(metavar="PATH", help="A folder on the disk; it is made if it is missing.")
]


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.add_typer(target, name="target", rich_help_panel=OFFICE)


@target.command("add")
def target_add(
    name: Name,
    path: Place,
    off_computer: Annotated[
        bool,
        typer.Option("--off-computer/--here", help="Whether the disk is kept away from this computer."),
    ] = False,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Add a backup target and prepare its folder."""
    from evidence.office import targets

    with opened(archive, actor) as here:
        view = targets.add(here, name, path, off_computer=off_computer)
    _emit_target(as_json, view, "added at")


@target.command("list")
def target_list(archive: Archive = None, as_json: Json = False) -> None:
    """List the places of copies, and whether the 3-2-1 rule is met.

    The rule: three copies, on two kinds of media, one of them away from this computer.
    """
    from evidence.office.target_list import list_targets

    with opened(archive) as here:
        found = list_targets(here)
    emit(
        as_json,
        {"places": found.places, "originals": found.originals, "rule": _rule(found.rule)},
        lambda: [
            table(_HEADINGS, (_line(one) for one in found.places)),
            *(f"{one.name}: {one.why}" for one in found.places if one.why),
            _rule_line(found.originals, found.rule),
        ],
    )


@target.command("replace")
def target_replace(
    name: Name,
    path: Place,
    off_computer: Annotated[
        bool | None,
        typer.Option("--off-computer/--here", help="Whether the disk is kept away; as before by default."),
    ] = None,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Use a new disk under a target's name. The old disk's copies no longer count."""
    from evidence.office import targets

    with opened(archive, actor) as here:
        view = targets.replace(here, name, path, off_computer=off_computer)
    _emit_target(as_json, view, "is now at")


@target.command("lost")
def target_lost(
    name: Name,
    reason: Annotated[str | None, typer.Option("--reason", help="What happened to the disk.")] = None,
    confirm: Annotated[bool, typer.Option("--confirm", help="Confirm it, as another person.")] = False,
    password_stdin: PasswordStdin = False,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Declare a target's disk lost. Another person confirms it with --confirm.

    Then it no longer counts and blocks no purge. Purges list it as a disk whose copies must still be deleted.
    """
    from evidence.office import targets

    require_reason_or_confirm(reason, confirm=confirm)
    with opened_by_person(archive, actor, password_stdin=password_stdin) as here:
        if confirm:
            targets.confirm_lost(here, name)
        else:
            targets.declare_lost(here, name, reason=reason or "")
    emit(
        as_json,
        {"target": name, "confirmed": confirm},
        lambda: [
            f"Backup target {name} is lost. It no longer counts."
            if confirm
            else f"Declared lost. To confirm it, as another person: evidence target lost {name} --confirm --actor NAME"
        ],
    )


_RETIRED = frozenset({"lost", "replaced"})
"""States of a disk whose copies do not count, so that no more is shown of them."""
_HEADINGS = [
    "name",
    "path",
    "state",
    "copies",
    "size",
    "bad",
    "medium",
    "off this computer",
    "free",
    "last read back",
]


def _emit_target(as_json: bool, view: TargetView, done: str) -> None:
    lines = [f"Backup target {view.name} {done} {view.path}.", "To fill it: evidence backup"]
    emit(as_json, view, lambda: lines)


def _line(view: TargetView) -> list[object]:
    return [
        view.name,
        view.path or "",
        view.state.value,
        view.held.copies,
        size_text(view.held.octets),
        "" if view.state in _RETIRED else view.held.bad,
        view.medium,
        "yes" if view.off_computer else "no",
        "" if view.free is None else size_text(view.free),
        view.held.newest_read.date() if view.held.newest_read else "" if view.state in _RETIRED else "never",
    ]


def _rule(rule: BackupCount) -> dict[str, object]:
    return {"copies": rule.copies, "media": rule.media, "off_site": rule.off_site, "met": rule.met}


def _rule_line(originals: int, rule: BackupCount) -> str:
    if not originals:
        return "3-2-1 rule: the archive holds no originals yet."
    return (
        f"3-2-1 rule: {'met' if rule.met else 'NOT met'}. Every original has at least {rule.copies} of 3 copies, "
        f"on {rule.media} of 2 kinds of media, {rule.off_site} of 1 off this computer."
    )
