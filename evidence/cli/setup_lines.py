"""Setting up an archive in a terminal: what is asked, and what comes next."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from evidence.office.target_list import TargetView


def ask(backup: Path | None, off_computer: bool | None, *, ask: bool) -> tuple[Path | None, bool | None]:
    """The backup folder and whether its disk is kept away: as given, or as a person answers on a terminal."""
    if not (ask and sys.stdin.isatty() and sys.stderr.isatty()):
        return backup, off_computer
    if backup is None:
        answer = typer.prompt(
            "Folder on a backup disk (Enter for none yet)", default="", show_default=False, err=True
        )
        backup = Path(answer.strip()) if answer.strip() else None
    if backup is not None and off_computer is None:
        off_computer = typer.confirm("Will that disk be kept away from this computer?", err=True)
    return backup, off_computer


def made(root: Path, name: str, view: TargetView | None, *, told: bool) -> Iterable[str]:
    """What was made, what the program cannot know, and the next command."""
    yield f"Archive created in {root}."
    if view is None:
        yield "Name a backup disk: evidence target add NAME PATH"
    else:
        yield f"Backup target {view.name} added at {view.path}, on another disk than the archive."
        if not view.off_computer:
            if not told:
                yield "The program cannot tell whether that disk is kept away from this computer."
            yield "A card is safe to erase only with a copy on a disk that is kept away. If this one is:"
            yield f"  evidence target replace {name} {view.path} --off-computer"
    yield "Then load the claims: evidence assignments FILE"
