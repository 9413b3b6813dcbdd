"""What a target's copy of a bag is to hold: the local bag's payload, and files of the copy that stay in it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from evidence.archive.assembly import PayloadFile
from evidence.archive.bagread import DATA, SHA256_MANIFEST, parse_manifest
from evidence.archive.names import fold
from evidence.errors import BagError
from evidence.model import Sha256


def kept_files(
    bag: Path, payload: Mapping[str, PayloadFile], keep: Mapping[str, Sha256]
) -> dict[str, PayloadFile]:
    """The files of the copy that stay in it, under paths that the new payload leaves free. Raises BagError."""
    taken = {fold(path) for path in payload}
    kept = {}
    for path, digest in sorted(keep.items()):
        source = bag / "data" / path
        free = path if fold(path) not in taken else f"kept/{digest}/{source.name}"
        try:
            kept[free] = PayloadFile(sha256=digest, size=source.lstat().st_size, source=source)
        except OSError as error:
            raise BagError(
                f"{path} is missing from the copy {bag.name} at the target.", "Run `evidence verify`."
            ) from error
    return kept


def payload_of(local: Path, tags: Mapping[str, bytes], *, incomplete: bool = False) -> dict[str, PayloadFile]:
    """The payload that the manifest in `tags` lists, with sizes from the files.

    Raises BagError for a missing file, unless the bag may be `incomplete`; its size is then 0.
    """
    payload = {}
    try:
        manifest = parse_manifest(tags[SHA256_MANIFEST])
    except (KeyError, ValueError) as error:
        raise BagError(
            f"{SHA256_MANIFEST} of the bag {local.name} is missing or is no list of its files.",
            "Run `evidence repair --all`, then run it again.",
        ) from error
    for listed, digest in manifest.items():
        source = local / listed
        try:
            size = source.lstat().st_size
        except OSError as error:
            size = 0
            if not incomplete:
                raise BagError(
                    f"{listed} is missing from the bag {local.name}.",
                    "Run `evidence repair --all`, then run it again.",
                ) from error
        payload[listed.removeprefix(DATA)] = PayloadFile(sha256=digest, size=size, source=source)
    return payload
