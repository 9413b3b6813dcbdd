"""What a photo report is made from, and one report while it is set."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime

from evidence.coverage.report import CoverageReport
from evidence.model import Claim, Finding, PhotoRecord, Sha256
from evidence.paper.captions import Group
from evidence.paper.pen import GREY, MARGIN, WIDTH, Pen, plain
from evidence.paper.report_pictures import PictureSource
from evidence.paper.type import BOLD
from evidence.tags.vocabulary import Vocabulary


@dataclass(frozen=True, slots=True, kw_only=True)
class SignOff:
    """Who signed the claim off, when, and with what note."""

    by: str
    at: datetime
    """Aware, UTC."""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportMatter:
    """All that a report says, read before it is set."""

    claim: Claim
    records: tuple[PhotoRecord, ...]
    coverage: CoverageReport
    words: Vocabulary
    pictures: PictureSource
    made_by: str
    made_at: datetime
    """Aware."""
    sign_off: SignOff | None = None
    per_page: int = 2


@dataclass(kw_only=True)
class Desk:
    """One report while it is set."""

    matter: ReportMatter
    pen: Pen
    groups: tuple[Group, ...]
    others: tuple[PhotoRecord, ...]
    """Files that are no photos: videos, sound, notes."""
    numbers: dict[Sha256, int]
    links: dict[Sha256, int]
    flags: dict[Sha256, list[Finding]]
    without_picture: list[Sha256] = field(default_factory=list)
    section: str = ""

    @property
    def photos(self) -> list[PhotoRecord]:
        """Every photo in the order of its number."""
        return [record for group in self.groups for record in group.photos]

    def numbered(self) -> Iterable[tuple[int, PhotoRecord]]:
        """Photos and other files with their numbers."""
        return ((self.numbers[record.sha256], record) for record in (*self.photos, *self.others))

    def begin(self, title: str, *, level: int = 0) -> None:
        """A new page with that heading and bookmark; pages that follow carry the heading on."""
        self.section = title
        self.pen.head = self.head
        self.pen.page()
        self.pen.mark(title, level)

    def head(self) -> None:
        """The heading of a page: its section and the claim."""
        pen = self.pen
        pen.say(plain(self.section, 60), MARGIN, 0.5, size=14, style=BOLD)
        pen.say_right(
            f"Claim {plain(self.matter.claim.claim, 50)}", MARGIN + WIDTH, 0.55, size=9, colour=GREY
        )
        pen.rule(MARGIN, 0.82, WIDTH, weight=0.012)
