"""The content of a photo report, and the report's state while it is made."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime

from evidence.coverage.report import CoverageReport
from evidence.model import Claim, Finding, PhotoRecord, Sha256
from evidence.paper.captions import CLAIM_SHEETS, PhotoGroup
from evidence.paper.page_writer import GREY, MARGIN, WIDTH, PageWriter
from evidence.paper.report_pictures import PictureLoader, PictureSource
from evidence.paper.typesetting import BOLD
from evidence.tags.vocabulary import Vocabulary

SHEETS_PER_PAGE = 6
"""Photos of claim sheets and label cards show no damage: they are printed small in every layout."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignOff:
    """Who signed the claim off, and when."""

    by: str
    at: datetime
    """Aware, UTC."""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportContent:
    """Everything that a report is made from."""

    claim: Claim
    records: tuple[PhotoRecord, ...]
    coverage: CoverageReport
    vocabulary: Vocabulary
    pictures: PictureSource
    made_by: str
    made_at: datetime
    """Aware."""
    log_head: str = ""
    """The head of the custody log: entries, Merkle root, signature, key."""
    sign_off: SignOff | None = None
    per_page: int = 2


@dataclass(kw_only=True)
class ReportDocument:
    """One report while it is made."""

    content: ReportContent
    writer: PageWriter
    pictures: PictureLoader
    groups: tuple[PhotoGroup, ...]
    others: tuple[PhotoRecord, ...]
    """Files that are not photos: videos, sound, notes."""
    numbers: dict[Sha256, int]
    """The number printed for each photo and other file, from 1."""
    links: dict[Sha256, int]
    """The PDF link that leads to each."""
    flags: dict[Sha256, list[Finding]]
    without_picture: list[Sha256] = field(default_factory=list)
    section: str = ""
    """Title in the header of the present page."""

    @property
    def photos(self) -> list[PhotoRecord]:
        """Every photo, by number."""
        return [record for group in self.groups for record in group.photos]

    def photos_per_page(self, group: PhotoGroup) -> int:
        """How many photos of the group are printed on one page."""
        return SHEETS_PER_PAGE if group.title == CLAIM_SHEETS else self.content.per_page

    def numbered(self) -> Iterable[tuple[int, PhotoRecord]]:
        """Photos and other files, each with its number."""
        return ((self.numbers[record.sha256], record) for record in (*self.photos, *self.others))

    def start_section(self, title: str, *, level: int = 0) -> None:
        """Start a page with that title and bookmark; the following pages repeat the title."""
        self.section = title
        self.writer.draw_header = self.draw_header
        self.writer.new_page()
        self.writer.bookmark(title, level)

    def draw_header(self) -> None:
        """Print the header of a page: its section and the claim."""
        writer = self.writer
        writer.text(self.section, MARGIN, 0.5, size=14, style=BOLD)
        (claim,) = writer.fit_lines(f"Claim {self.content.claim.claim}", width=2.6, size=9, most=1)
        writer.text_right(claim, MARGIN + WIDTH, 0.55, size=9, colour=GREY)
        writer.rule(MARGIN, 0.82, WIDTH, weight=0.012)
