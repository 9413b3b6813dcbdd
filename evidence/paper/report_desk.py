"""What a photo report is made from, and one report while it is set."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime

from evidence.coverage.report import CoverageReport
from evidence.model import Claim, Finding, PhotoRecord, Sha256
from evidence.paper.captions import CLAIM_SHEETS, Group
from evidence.paper.pen import GREY, MARGIN, WIDTH, Pen
from evidence.paper.report_pictures import PictureBook, PictureSource
from evidence.paper.type import BOLD
from evidence.tags.vocabulary import Vocabulary

SHEETS_A_PAGE = 6
"""Claim sheets and label cards show no damage: they are set small however large the photos are."""


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
    book: PictureBook
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

    def many(self, group: Group) -> int:
        """Photos a page of that group."""
        return SHEETS_A_PAGE if group.title == CLAIM_SHEETS else self.matter.per_page

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
        pen.say(self.section, MARGIN, 0.5, size=14, style=BOLD)
        (claim,) = pen.lines(f"Claim {self.matter.claim.claim}", width=2.6, size=9, most=1)
        pen.say_right(claim, MARGIN + WIDTH, 0.55, size=9, colour=GREY)
        pen.rule(MARGIN, 0.82, WIDTH, weight=0.012)
