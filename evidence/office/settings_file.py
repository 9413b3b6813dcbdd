"""Changes the backup targets in an archive's `evidence.toml` and keeps its comments and layout."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import tomlkit
from tomlkit import TOMLDocument
from tomlkit.items import AoT

from evidence.disk.durable import replace_file, sync_folder
from evidence.disk.faults import writing
from evidence.errors import BadInputError
from evidence.settings import TargetSettings, load_settings
from evidence.workspace import SETTINGS, Workspace, refuse_overlaps

Edit = Callable[[TOMLDocument], None]
_BOM = b"\xef\xbb\xbf"


def add_target(target: TargetSettings) -> Edit:
    """The edit that adds a [[target]] at the end of the targets, or of the file without any."""

    def edit(document: TOMLDocument) -> None:
        present: Any = document.get("target")
        if present is not None and not isinstance(present, AoT):
            present.append(_fill(tomlkit.inline_table(), target))  # target = [{...}]
            return
        if present is None:
            present = tomlkit.aot()
            document.append("target", present)
        table = _fill(tomlkit.table(), target)
        table.trivia.indent = "\n"  # a blank line before [[target]]
        present.append(table)

    return edit


def change_target(target: TargetSettings) -> Edit:
    """The edit that gives the target of this name another path."""

    def edit(document: TOMLDocument) -> None:
        for table in document["target"]:
            if table["name"].casefold() == target.name.casefold():
                _fill(table, target)

    return edit


def remove_target(name: str) -> Edit:
    """The edit that removes the target of this name."""

    def edit(document: TOMLDocument) -> None:
        present: Any = document.get("target", [])
        numbers = [number for number, one in enumerate(present) if one["name"].casefold() == name.casefold()]
        for number in reversed(numbers):
            del present[number]
        if not len(present) and "target" in document:
            del document["target"]

    return edit


def changed_text(workspace: Workspace, edit: Edit) -> str:
    """The settings with the edit, checked. Raises BadInputError when the program would refuse them."""
    path = workspace.root / SETTINGS
    document = tomlkit.parse(path.read_bytes().removeprefix(_BOM).decode())
    edit(document)
    text = tomlkit.dumps(document)
    refuse_overlaps(workspace.root, load_settings(text, origin=str(path)))
    return text


def write_settings(workspace: Workspace, text: str) -> None:
    """Replace the archive's settings, whole or not at all, and use them from now on. Raises DestinationError."""
    path = workspace.root / SETTINGS
    with writing(path):
        replace_file(path, text.encode())
        sync_folder(path.parent)
    workspace.settings = load_settings(text, origin=str(path))


def target_settings(name: str, path: str, *, off_computer: bool) -> TargetSettings:
    """A backup target as the settings would name it. Raises BadInputError for a name that cannot be used."""
    text = tomlkit.dumps({"target": [{"name": name, "path": path, "off_computer": off_computer}]})
    try:
        (target,) = load_settings(text, origin="the new target").target
    except BadInputError as trouble:
        raise BadInputError(
            f"The target {name!r} cannot be added: {trouble.message}",
            "A name has 1 to 60 letters, digits, spaces, dots, hyphens or underscores; 'archive' is taken.",
        ) from None
    return target


def _fill(table: Any, target: TargetSettings) -> Any:
    for key, value in (
        ("name", target.name),
        ("path", str(target.path)),
        ("off_computer", target.off_computer),
    ):
        if table.get(key) != value:
            table[key] = value
    return table
