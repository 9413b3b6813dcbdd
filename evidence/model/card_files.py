"""The files of a card, before and after they are copied."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from evidence.model.ids import Sha256


class MediaKind(StrEnum):
    """The kind of a file, by its name; its content is checked later."""

    PHOTO = "photo"
    RAW = "raw"
    VIDEO = "video"
    SOUND = "sound"
    OTHER = "other"


PICTURE_KINDS = frozenset({MediaKind.PHOTO, MediaKind.RAW})
"""Kinds of file that are analysed and tagged; other files are kept beside their photo."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DcfName:
    """A file's folder and file number by the Design rule for Camera File system (JEITA CP-3461)."""

    folder_number: int
    """100 to 999."""
    file_number: int
    """1 to 9999."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A file seen on a card, not yet read."""

    card_path: str
    """Relative to the card's root, with forward slashes, spelled as on the card."""
    size: int
    """Bytes."""
    modified: datetime | None
    """The card's own time stamp for the file, aware, UTC; None where it is impossible."""
    kind: MediaKind
    dcf: DcfName | None
    object_key: str
    """Files with the same key belong together (RAW+JPEG, a sound note); a single file has its own."""


class Outcome(StrEnum):
    """The result for one file of a card (rule 3)."""

    KEPT = "kept"
    ALREADY_KEPT = "already_kept"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """A file that was not kept, and why."""

    path: str
    """Relative to the card's root."""
    code: str
    """A short word for programs: `system_litter`, `symlink`, `device`, `unsafe_name`, `unreadable`, ..."""
    reason: str
    """A sentence for people."""
    blocks_erase: bool = True
    """False only for files that the operating system leaves on a card."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Copied:
    """A file that was copied to the archive, read back and compared."""

    found: Found
    sha256: Sha256
    outcome: Outcome
