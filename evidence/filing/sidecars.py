"""The XMP sidecars that stand beside the originals in a bag: written for a build, taken from there, swept.

A sidecar only repeats what the catalog says, so it may be made again at any time. Copies, verdicts and purges
go by the originals alone; in the bag a sidecar is payload like any other file and its manifest proves it.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import shutil
from collections.abc import Iterable, Mapping
from pathlib import Path, PurePosixPath

from evidence.archive.bags import PayloadFile
from evidence.archive.names import SIDECAR, fold
from evidence.disk.durable import discard, make_folder, writing
from evidence.model import PICTURE_KINDS, ClaimId, Sha256
from evidence.paper.sidecars import sidecar
from evidence.workspace import Workspace


def sidecars(
    workspace: Workspace, claim: ClaimId, paths: Mapping[Sha256, str], bag: Path
) -> dict[str, PayloadFile]:
    """A sidecar for each photo of the bag, by its path below `data/`; `paths` are all originals' own.

    One that stands in the bag as it should is taken from there.

    Raises DestinationError when the disk does not take them.
    """
    row = workspace.catalog.claims.get(claim) if claim else None
    taken = _occupied(paths.values())
    out = {}
    for record in workspace.catalog.photos.of_claim(claim or None):
        if record.kind not in PICTURE_KINDS or record.sha256 not in paths:
            continue
        path = _free(paths[record.sha256], taken)
        content = sidecar(record, row.claim if row else None, workspace.vocabulary)
        out[path] = _present(bag / "data" / path, content) or _stored(workspace, content)
    return out


def sweep(workspace: Workspace) -> None:
    """Let go of what was written for builds; the bags have their own."""
    shutil.rmtree(_store(workspace), ignore_errors=True)


def _store(workspace: Workspace) -> Path:
    return workspace.root / "sidecars"


def _occupied(paths: Iterable[str]) -> set[str]:
    """Names that are files or folders already, as a careless file system takes them."""
    taken = set()
    for path in paths:
        taken.add(fold(path))
        taken |= {fold(str(parent)) for parent in PurePosixPath(path).parents}
    return taken


def _free(original: str, taken: set[str]) -> str:
    """The original's name with our ending, numbered where the card brought such a file itself."""
    candidate, number = f"{original}{SIDECAR}", 2
    while fold(candidate) in taken:
        candidate = f"{original} ({number}){SIDECAR}"
        number += 1
    taken.add(fold(candidate))
    return candidate


def _present(path: Path, content: bytes) -> PayloadFile | None:
    """The file in the bag when it holds just that."""
    try:
        same = path.stat().st_size == len(content) and path.read_bytes() == content
    except OSError:
        return None
    return _payload(path, content) if same else None


def _stored(workspace: Workspace, content: bytes) -> PayloadFile:
    """The content in our own store, on the disk, as the bag will have it."""
    wanted = _payload(_store(workspace), content)
    path = wanted.source / wanted.sha256[:2] / f"{wanted.sha256}{SIDECAR}"
    if _present(path, content) is None:  # a name without its content is what a power failure leaves
        with writing(path):
            make_folder(path.parent)
            part = path.with_name(f"{path.name}.{secrets.token_hex(4)}.part")
            with part.open("xb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            discard(path)
            part.replace(path)
    return _payload(path, content)


def _payload(path: Path, content: bytes) -> PayloadFile:
    digest = Sha256(hashlib.sha256(content).hexdigest())
    return PayloadFile(sha256=digest, size=len(content), source=path)
