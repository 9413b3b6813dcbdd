"""Requests to analyse a photo: plain values that can be sent to another process or machine.

This module imports no imaging library, so that code which only needs a thumbnail's path loads none.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from evidence.model import MediaKind, Sha256

THUMB_SIDES = (1280, 320)
"""Pixels of the long side: one for the review screen and one for its grid. Largest first."""

UNREAD = frozenset({"unreadable", "look_failed", "no_thumbnail"})
"""Flags of a look that a failing disk, or too little memory, may have caused: another try may see more."""

PICTURE_MEMORY_MB = 1200
"""Megabytes that decoding one picture may take: a progressive JPEG of 250 megapixels needs 750, a HEIC of 150 1,200."""


@dataclass(frozen=True, slots=True, kw_only=True)
class QualityLimits:
    """From which measures a flag is raised. Common practice, no source; found on photos (docs/measurements.md)."""

    sharpness: float = 20.0
    """Below it the picture is blurred; grey levels squared at 1,024 pixels."""
    dark: float = 0.12
    """Below this mean grey level (0 to 1) it is dark."""
    bright: float = 0.9
    """Above this one it is bright."""
    clipped: float = 0.5
    """With more than this share of full white or full black it is bright or dark for any mean."""
    pixels: int = 640 * 480
    """Fewer pixels are small: VGA, below which a hail strike in an overview is a few pixels wide."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LookOptions:
    """What to look for, and from which measures a flag is raised."""

    read_writing: bool = True
    """Writing on boards, chalk, and sheets whose code cannot be read."""
    scene_kinds: bool = True
    """The kind of scene, by the image network."""
    memory_mb: int = PICTURE_MEMORY_MB
    """Megabytes that decoding may take; a picture that needs more is flagged and not analysed."""
    limits: QualityLimits = field(default_factory=QualityLimits)


@dataclass(frozen=True, slots=True, kw_only=True)
class LookRequest:
    """One file to analyse."""

    path: Path
    sha256: Sha256
    kind: MediaKind
    orientation: int = 1
    """EXIF orientation, 1 to 8."""
    thumb_dir: Path | None = None
    """Where thumbnails go; None for none."""
    options: LookOptions = field(default_factory=LookOptions)


TILE_SIDE = 512
"""Pixels of a tile's side."""
INFO_NAME = "info.json"
"""The entry of the tiles' ZIP file that gives the photo's width, height and levels."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TileRequest:
    """One photo to cut into tiles of its own pixels."""

    path: Path
    sha256: Sha256
    kind: MediaKind
    orientation: int
    """EXIF orientation, 1 to 8."""
    thumb_dir: Path
    memory_mb: int = PICTURE_MEMORY_MB


@dataclass(frozen=True, slots=True, kw_only=True)
class TilesMade:
    """The tiles of one photo, or why there are none."""

    width: int = 0
    """Upright pixels of the original; 0 when there are no tiles."""
    height: int = 0
    bytes: int = 0
    """Size of the ZIP file."""
    message: str = ""
    """Why there are no tiles, in a sentence; else empty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReduceRequest:
    """A thumbnail to be made into a picture of a report."""

    thumb_dir: Path
    sha256: Sha256
    side: int
    """Most pixels of the picture's long side."""
    quality: int | None = None
    """JPEG quality; None for the ordinary one, and then a thumbnail that is small enough stays as it is."""


def tiles_path(thumb_dir: Path, sha256: Sha256) -> Path:
    """Path of the ZIP file with the photo's tiles. Its name begins with the digest, as a thumbnail's does."""
    return thumb_dir / sha256[:2] / f"{sha256}_tiles.zip"


def tile_levels(width: int, height: int) -> list[int]:
    """The levels that tiles are made for, the full size first.

    Level n of a picture whose full size is level m is reduced 2 ** (m - n) times; m is the smallest number with
    2 ** m at least the longer side. The levels end above the largest thumbnail, which shows the rest.
    """
    side = max(width, height)
    full = max(0, (side - 1).bit_length())
    levels = [full]
    while -(-side // 2 ** (full - levels[-1] + 1)) > THUMB_SIDES[0]:
        levels.append(levels[-1] - 1)
    return levels


def thumb_path(thumb_dir: Path, sha256: Sha256, side: int) -> Path:
    """Path of the thumbnail with that long side (one of THUMB_SIDES)."""
    return thumb_dir / sha256[:2] / f"{sha256}_{side}.jpg"
