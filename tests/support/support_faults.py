"""Spoils originals where the archive keeps them."""

from __future__ import annotations

from pathlib import Path

from evidence.filing.bags import bag_folder
from evidence.model import ClaimId, Sha256
from evidence.workspace import Workspace


def place_of(workspace: Workspace, claim: str, number: int = 1) -> tuple[Sha256, Path]:
    """The digest and the file of one of the claim's photos, in shooting order."""
    sha = workspace.catalog.photos.of_claim(ClaimId(claim))[number].sha256
    path = workspace.catalog.keeping.payload(ClaimId(claim))[sha]
    return sha, bag_folder(workspace, ClaimId(claim)) / "data" / path


def spoil(path: Path, how: str) -> None:
    """Make a kept file bad: `altered` and `shorter` change its bytes, `missing` removes it, `no file` replaces it."""
    path.chmod(0o644)
    content = path.read_bytes()
    path.unlink()  # the file may have a second name elsewhere, which stays good
    if how == "altered":
        path.write_bytes(bytes([content[0] ^ 1]) + content[1:])
    elif how == "shorter":
        path.write_bytes(content[: len(content) // 2])
    elif how == "no file":
        path.mkdir()
