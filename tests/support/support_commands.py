"""Every command with its options, and the commands that a text tells the user to type."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache

import typer

from evidence.cli.main import app


@cache
def commands() -> dict[tuple[str, ...], set[str]]:
    """Every command and group as a user types it, with its options."""
    found: dict[tuple[str, ...], set[str]] = {}

    def enter(command, path):
        found[path] = {"--help"} | {
            option
            for parameter in command.params
            for option in [*getattr(parameter, "opts", ()), *getattr(parameter, "secondary_opts", ())]
        }
        for name, sub in getattr(command, "commands", {}).items():
            enter(sub, (*path, name))

    enter(typer.main.get_command(app), ())
    return found


def typed_in(text: str) -> Iterator[tuple[tuple[str, ...], list[str]]]:
    """The commands that a text tells the user to type: the words after `evidence`, and the options."""
    for typed in re.findall(r"(?:`|: |^)evidence ([^`]*)", text):
        words = typed.split()
        path: list[str] = []
        for word in words:
            if not re.fullmatch(r"[a-z]+", word) or ((*path, word) not in commands() and path):
                break
            path.append(word)
        yield tuple(path), re.findall(r"--[a-z][a-z-]*", typed)
