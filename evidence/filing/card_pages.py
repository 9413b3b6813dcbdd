"""The folder of pages, one for each card. A purge removes every page that names the claim or one of its photos."""

from __future__ import annotations

from collections.abc import Collection
from html import unescape
from pathlib import Path

from evidence.disk.durable import discard_parts, discard_replaced, make_folder, replace_file, sync_folder
from evidence.disk.faults import writing
from evidence.model import ClaimId, ClaimState, IntakeId, Sha256
from evidence.workspace import Workspace

FOLDER = "cards"
_GONE = {ClaimState.QUARANTINED, ClaimState.PURGED}


def page_path(workspace: Workspace, intake: IntakeId) -> Path:
    """The file of a card's page."""
    return workspace.root / FOLDER / f"{intake}.html"


def write_page(
    workspace: Workspace, intake: IntakeId, claims: Collection[ClaimId], photos: Collection[Sha256], html: str
) -> Path | None:
    """Write a card's page in place of an earlier one; returns its path.

    `claims` and `photos` are those that it names. Returns None when one of them was purged since the page was
    made: then nothing is written. Raises DestinationError.
    """
    path = page_path(workspace, intake)
    with workspace.locked():
        rows = workspace.catalog.claims.of(claims)
        if any(row.state in _GONE for row in rows.values()) or len(rows) < len(claims):
            return None
        if len(workspace.catalog.photos.originals(list(photos))) < len(photos):
            return None
        with writing(path):
            make_folder(path.parent)
            discard_parts(
                path.parent
            )  # a killed intake's page has a name of its own, so nobody else replaces it
            replace_file(path, html.encode("utf-8"))
            sync_folder(path.parent)
    return path


def remove_pages_naming(workspace: Workspace, claim: ClaimId, photos: Collection[Sha256]) -> int:
    """Remove every page that names the claim or one of these photos; returns how many. Raises DestinationError."""
    folder = workspace.root / FOLDER
    removed = 0
    with writing(folder):
        for path in sorted(folder.glob("*.html*")) if folder.is_dir() else ():
            text = unescape(path.read_text(encoding="utf-8", errors="replace"))
            if (
                f'data-claim="{claim}"' in text
                or any(sha in text for sha in photos)
                or path.suffix == ".part"
            ):
                discard_replaced(path)
                removed += 1
        if removed:
            sync_folder(folder)
    return removed
