"""Where an original is: in a bag, or in the intake area on its way into one."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Collection, Sequence
from pathlib import Path

from evidence.archive.assembly import PayloadFile
from evidence.catalog.originals import Original
from evidence.disk.copying import link_or_copy
from evidence.disk.durable import discard, make_folder, sync_folder
from evidence.disk.faults import writing
from evidence.disk.objects import damaged_path, find_object, has_sound_object, object_path
from evidence.errors import BagError, CardReadError, CopyMismatchError
from evidence.filing.copies import known_bad
from evidence.model import ClaimId, Sha256
from evidence.workspace import Workspace


def find_original(workspace: Workspace, sha: Sha256) -> Path | None:
    """The path of an original in a bag, else in the intake area; None when it is in neither."""
    held = workspace.catalog.keeping.held_in([sha]).get(sha, ())
    return _in_a_bag(workspace, held) or find_object(workspace.store, sha)


def missing_originals(workspace: Workspace, digests: Sequence[Sha256]) -> set[Sha256]:
    """Those of `digests` that are in no bag and not in the intake area."""
    held = workspace.catalog.keeping.held_in(digests)
    return {
        sha
        for sha in digests
        if _in_a_bag(workspace, held.get(sha, ())) is None and find_object(workspace.store, sha) is None
    }


def has_good_original(workspace: Workspace, sha: Sha256) -> bool:
    """True when a bag or the intake area has the original, and it is not known to be bad."""
    return find_original(workspace, sha) is not None and not known_bad(workspace, [sha])


def bags_to_repair(workspace: Workspace, digests: Sequence[Sha256]) -> set[ClaimId]:
    """Bags in which one of these originals is bad or missing, while the intake area has it."""
    held = workspace.catalog.keeping.held_in(digests)
    bad = known_bad(workspace, digests)
    return {
        claim
        for sha, places in held.items()
        if (sha in bad or _in_a_bag(workspace, places) is None) and find_object(workspace.store, sha)
        for claim, _ in places
    }


def require_original(workspace: Workspace, sha: Sha256) -> Path:
    """The path of an original; raises BagError when it is nowhere."""
    found = find_original(workspace, sha)
    if found is None:
        raise BagError(
            f"The original {sha[:12]} is in no bag and not in the intake area.",
            "Connect a backup target, run `evidence verify` and `evidence repair`, then run this again.",
        )
    return found


def payload_file(workspace: Workspace, original: Original, present: Path | None, *, bad: bool) -> PayloadFile:
    """An original as the payload of a bag, taken from the bag's `present` file unless that is bad and another is there.

    A source that is missing or bad is found out when the bag is built.
    """
    sha = original.sha256
    usable = present is not None and present.is_file()
    if present is not None and usable and not bad and present.stat().st_size == original.size:
        return PayloadFile(sha256=sha, size=original.size, source=present)
    held = workspace.catalog.keeping.held_in([sha]).get(sha, ())
    other = find_object(workspace.store, sha) or _in_a_bag(workspace, held, but=present)
    if other is not None:
        return PayloadFile(sha256=sha, size=original.size, source=other, replace=True)
    left = damaged_path(workspace.store, sha, original.suffix)
    source = present if present is not None and usable else left
    return PayloadFile(sha256=sha, size=original.size, source=source)


def stage_leaving(workspace: Workspace, claim: ClaimId, leaving: Collection[Sha256]) -> None:
    """Put originals that the claim's bag is about to give up into the intake area, unless another bag holds them.

    A file that no longer matches its digest goes there too, as damaged: it follows the photo, so
    that a repair can replace it. Raises DestinationError.
    """
    kept = workspace.catalog.photos.originals(sorted(leaving))
    held = workspace.catalog.keeping.held_in(sorted(kept))
    for sha, original in kept.items():
        here = [one for one in held.get(sha, ()) if one[0] == claim]
        elsewhere = [one for one in held.get(sha, ()) if one[0] != claim]
        source = _in_a_bag(workspace, here)
        if source is None or _in_a_bag(workspace, elsewhere) or has_sound_object(workspace.store, sha):
            continue
        try:
            link_or_copy(source, object_path(workspace.store, sha, original.suffix), sha)
        except (CopyMismatchError, CardReadError):
            _keep_damaged(source, damaged_path(workspace.store, sha, original.suffix))


def _keep_damaged(source: Path, aside: Path) -> None:
    """Give a bad file a second name outside its bag; without hard links, its only one."""
    with writing(aside):
        make_folder(aside.parent)
        with contextlib.suppress(FileExistsError):
            try:
                os.link(source, aside)
            except FileExistsError:
                raise
            except (OSError, NotImplementedError):
                source.rename(aside)
        sync_folder(aside.parent)


def discard_filed_originals(workspace: Workspace) -> None:
    """Remove intake copies whose original is in a bag and not known to be bad there.

    Does nothing while a bag is out of date.
    """
    if workspace.catalog.keeping.dirty():
        return
    folders = list(workspace.store.glob("??"))
    stored = [path for folder in folders for path in folder.iterdir() if path.is_file()]
    digests = [Sha256(path.name.partition(".")[0]) for path in stored]
    held = workspace.catalog.keeping.held_in(digests)
    bad = known_bad(workspace, digests)
    for path, sha in zip(stored, digests, strict=True):
        if sha not in bad and _in_a_bag(workspace, held.get(sha, ())) is not None:
            discard(path)
    for folder in folders:  # else there would be 256 empty ones to list
        with contextlib.suppress(OSError):
            folder.rmdir()


def _in_a_bag(
    workspace: Workspace, held: Sequence[tuple[ClaimId, str]], *, but: Path | None = None
) -> Path | None:
    """The first of these payload paths, each with the claim of its bag, that is a file; not `but`."""
    for claim, path in held:
        row = workspace.catalog.claims.get(claim) if claim else None
        place = workspace.bag_of(claim, row.folder if row else None) / "data" / path
        if place != but and place.is_file():
            return place
    return None
