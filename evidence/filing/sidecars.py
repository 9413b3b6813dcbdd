"""The XMP sidecars beside the originals in a bag. They repeat what the catalog says and can be made again.

A sidecar is payload of its bag like any other file. Copy records, verdicts and purges go by the originals only.
"""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Iterable, Mapping
from pathlib import Path, PurePosixPath

from evidence.archive.assembly import PayloadFile
from evidence.archive.names import SIDECAR, fold, free_name
from evidence.disk.durable import discard, make_folder, replace_file
from evidence.disk.faults import writing
from evidence.filing.records import ForBag
from evidence.model import PICTURE_KINDS, Sha256
from evidence.paper.xmp import xmp_sidecar
from evidence.workspace import Workspace


def sidecars(
    workspace: Workspace, about: ForBag, paths: Mapping[Sha256, str], bag: Path
) -> dict[str, PayloadFile]:
    """A sidecar for each photo of the bag, keyed by its path below `data/`.

    `paths` holds the path of every original of the bag. A sidecar that the bag already holds
    with the same content is used again; others are written to the archive's sidecar folder.
    Raises DestinationError.
    """
    taken = _used_names(paths.values())
    out = {}
    for record in about.photos:
        if record.kind not in PICTURE_KINDS or record.sha256 not in paths:
            continue
        path = free_name(paths[record.sha256], SIDECAR, taken)
        content = xmp_sidecar(record, about.row.claim if about.row else None, workspace.vocabulary)
        source = bag / "data" / path
        if not _has_content(source, content):
            source = _written(workspace, content)
        out[path] = PayloadFile(
            sha256=_digest(content), size=len(content), source=source, replace=source != bag / "data" / path
        )
    return out


def clear_sidecars(workspace: Workspace) -> None:
    """Remove the sidecars written for builds; the bags have their own."""
    shutil.rmtree(_folder(workspace), ignore_errors=True)


def _folder(workspace: Workspace) -> Path:
    return workspace.root / "sidecars"


def _used_names(paths: Iterable[str]) -> set[str]:
    """Names that are files or folders already, folded so that case-insensitive disks see no clash."""
    taken = set()
    for path in paths:
        taken.add(fold(path))
        taken |= {fold(str(parent)) for parent in PurePosixPath(path).parents}
    return taken


def _has_content(path: Path, content: bytes) -> bool:
    try:
        return path.stat().st_size == len(content) and path.read_bytes() == content
    except OSError:
        return False


def _written(workspace: Workspace, content: bytes) -> Path:
    """The path of a file with this content in the archive's sidecar folder, flushed to the disk."""
    digest = _digest(content)
    path = _folder(workspace) / digest[:2] / f"{digest}{SIDECAR}"
    if not _has_content(path, content):  # after a power failure a name may lack its content
        with writing(path):
            make_folder(path.parent)
            discard(path)
            replace_file(path, content)
    return path


def _digest(content: bytes) -> Sha256:
    return Sha256(hashlib.sha256(content).hexdigest())
