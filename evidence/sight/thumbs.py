"""Stores thumbnails: each file completely or not at all. Loads no imaging library."""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Mapping
from pathlib import Path

from evidence.model import Finding, Sha256
from evidence.sight.request import thumb_path


def keep_thumbs(thumbs: Mapping[int, bytes], thumb_dir: Path, sha256: Sha256) -> tuple[Finding, ...]:
    """Write the JPEG of each side (pixels), and remove what a killed run left; a flag when that fails."""
    try:
        for side in thumbs:
            for left in (thumb_dir / sha256[:2]).glob(f"{sha256}_{side}.jpg.*.part"):
                left.unlink(missing_ok=True)
        for side, data in thumbs.items():
            _write_whole(data, thumb_path(thumb_dir, sha256, side))
    except OSError as problem:
        return (Finding(code="no_thumbnail", message=f"No thumbnail could be written: {problem.strerror}."),)
    return ()


def _write_whole(data: bytes, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    part = target.with_name(f"{target.name}.{secrets.token_hex(4)}.part")
    try:
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o640)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        part.replace(target)
    except OSError:
        with contextlib.suppress(OSError):
            part.unlink()
        raise
