"""The 3-2-1 rule of backups: three copies, on two kinds of media, one of them off-site. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from evidence.archive.places import UNKNOWN_MEDIUM

COPIES, MEDIA, OFF_SITE = 3, 2, 1
"""Ruggiero and Heckathorn, Data Backup Options (US-CERT, 2012; year from memory): 3 copies, 2 media types, 1 off-site."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredCopy:
    """One copy of a file, as the rule sees it."""

    place_id: str
    """The physical disk or service."""
    medium: str
    """Its kind, see `places.medium`."""
    off_site: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class BackupCount:
    """How many copies, kinds of media and off-site copies a file has."""

    copies: int
    """Different disks or services; folders on one disk are one copy."""
    media: int
    """Kinds of media; a medium of unknown kind is never counted as another kind."""
    off_site: int

    @property
    def met(self) -> bool:
        """True when the 3-2-1 rule is met."""
        return self.copies >= COPIES and self.media >= MEDIA and self.off_site >= OFF_SITE


def count_copies(copies: Iterable[StoredCopy]) -> BackupCount:
    """Count the copies of one file by the rule."""
    copies = list(copies)
    known = {copy.medium for copy in copies} - {UNKNOWN_MEDIUM}
    return BackupCount(
        copies=len({copy.place_id for copy in copies}),
        media=max(len(known), 1 if copies else 0),
        off_site=len({copy.place_id for copy in copies if copy.off_site}),
    )


def weakest(counts: Iterable[BackupCount]) -> BackupCount:
    """The smallest of each number over many files: what every file has at least."""
    counts = list(counts)
    return BackupCount(
        copies=min((one.copies for one in counts), default=0),
        media=min((one.media for one in counts), default=0),
        off_site=min((one.off_site for one in counts), default=0),
    )
