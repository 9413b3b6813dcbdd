"""The marker of a backup target: a small file that tells the right disk from another one and from an empty mount point."""

from __future__ import annotations

import json
import secrets
from pathlib import Path

import rfc8785

from evidence.disk.durable import replace_file, sync_folder
from evidence.disk.faults import writing
from evidence.errors import BadInputError, DestinationError

MARKER = "backup-target.json"
"""Lies in the folder of a target. Without it, the disk is not the right one or not mounted."""


def write_marker(root: Path, name: str) -> None:
    """Write the marker of the target `name` with a new id. Raises DestinationError."""
    content = rfc8785.dumps({"target": name, "id": secrets.token_hex(16)}) + b"\n"
    with writing(root):
        replace_file(root / MARKER, content)  # whole or absent: a piece would block the target
        sync_folder(root)


def require_marker(root: Path, name: str) -> str:
    """The id in the marker. Raises BadInputError for no marker or another target's, DestinationError."""
    path = root / MARKER
    try:
        content = json.loads(path.read_bytes())
    except FileNotFoundError:
        raise BadInputError(
            f"{root} is not prepared as the backup target {name}: its disk may not be mounted.",
            "Mount the disk, then run it again. For a new disk: `evidence target replace NAME PATH`.",
        ) from None
    except (OSError, ValueError) as error:
        raise DestinationError(f"{path} cannot be read: {error}.", "Check the disk.") from error
    if not isinstance(content, dict) or content.get("target") != name:
        other = content.get("target") if isinstance(content, dict) else None
        owner = f"the backup target {other}" if other else "another program"
        raise BadInputError(
            f"{root} is the folder of {owner}, not of {name}.",
            f"Mount the right disk, or correct the name and path of {name} in the settings. "
            "For an empty disk: `evidence target replace NAME PATH`.",
        )
    return str(content.get("id", ""))


def marked_name(root: Path) -> str | None:
    """The name of the backup target whose marker lies in this folder; None where there is no readable marker."""
    try:
        content = json.loads((root / MARKER).read_bytes())
    except (OSError, ValueError, RecursionError):
        return None
    return (
        str(content["target"]) if isinstance(content, dict) and {"target", "id"} <= content.keys() else None
    )
