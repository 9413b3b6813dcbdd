"""Where an original is: in a bag, or in the intake area on its way into one."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from pathlib import Path

from evidence.catalog.originals import Original
from evidence.disk.copying import link_or_copy
from evidence.disk.durable import discard
from evidence.disk.objects import find_object, object_path
from evidence.errors import BagError
from evidence.model import ClaimId, Sha256
from evidence.workspace import Workspace


def find_original(workspace: Workspace, sha: Sha256) -> Path | None:
    """The path of an original in a bag, else in the intake area; None when it is in neither."""
    held = workspace.catalog.keeping.held_in([sha]).get(sha, ())
    return _in_a_bag(workspace, held) or find_object(workspace.store, sha)


def require_original(workspace: Workspace, sha: Sha256) -> Path:
    """The path of an original; raises BagError when it is nowhere."""
    found = find_original(workspace, sha)
    if found is None:
        raise _lost(f"The original {sha[:12]}")
    return found


def stage_originals(workspace: Workspace, claim: ClaimId, wanted: Mapping[Sha256, Original]) -> None:
    """Put every original that is to enter the claim's bag into the intake area, from the bag it is in now.

    Raises BagError for an original that is nowhere.
    """
    present = workspace.catalog.keeping.payload(claim)
    elsewhere = workspace.catalog.keeping.held_in([sha for sha in wanted if sha not in present])
    for sha, original in wanted.items():
        if sha in present:
            continue
        stored = object_path(workspace.store, sha, original.suffix)
        if stored.exists():
            continue
        source = _in_a_bag(workspace, elsewhere.get(sha, ()))
        if source is None:
            raise _lost(f"An original of claim {claim or 'unassigned'} ({sha[:12]}{original.suffix})")
        link_or_copy(source, stored, sha)


def discard_filed_originals(workspace: Workspace) -> None:
    """Remove intake copies whose original is in a bag; do nothing while a bag is out of date."""
    if workspace.catalog.keeping.dirty():
        return
    folders = list(workspace.store.glob("??"))
    stored = [path for folder in folders for path in folder.iterdir() if path.is_file()]
    digests = [Sha256(path.name.partition(".")[0]) for path in stored]
    held = workspace.catalog.keeping.held_in(digests)
    for path, sha in zip(stored, digests, strict=True):
        if _in_a_bag(workspace, held.get(sha, ())) is not None:
            discard(path)
    for folder in folders:  # else there would be 256 empty ones to list
        with contextlib.suppress(OSError):
            folder.rmdir()


def _in_a_bag(workspace: Workspace, held: Sequence[tuple[ClaimId, str]]) -> Path | None:
    """The first of these payload paths, each with the claim of its bag, that is a file."""
    for claim, path in held:
        row = workspace.catalog.claims.get(claim) if claim else None
        place = workspace.bag_of(claim, row.folder if row else None) / "data" / path
        if place.is_file():
            return place
    return None


def _lost(what: str) -> BagError:
    return BagError(
        f"{what} is in no bag and not in the intake area.",
        "Connect a backup target, run `evidence verify` and `evidence repair`, then run this again.",
    )
