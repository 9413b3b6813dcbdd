"""The content of a photo report, and the report's state while it is made."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from evidence.coverage.report import CoverageReport
from evidence.model import PICTURE_KINDS, Claim, Finding, PhotoRecord, Sha256
from evidence.paper.captions import APART, PhotoGroup, PhotoWords, caption, is_sheet
from evidence.paper.page_writer import BOTTOM, GREY, MARGIN, WIDTH, Mark, PageWriter
from evidence.paper.report_pictures import PictureLoader, PictureSource
from evidence.paper.typesetting import BOLD
from evidence.plan.bearing import FrontBearing
from evidence.plan.shapes import HousePlan
from evidence.plan.surfaces import House
from evidence.tags.vocabulary import Vocabulary

APART_PER_PAGE = 6
"""Photos on which nothing rests are printed small in every layout."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignOff:
    """Who signed the claim off, and when."""

    by: str
    at: datetime
    """Aware, UTC."""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Letterhead:
    """The office whose report it is."""

    name: str = ""
    logo: Path | None = None
    """A picture file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportOptions:
    """What a person chooses for one report."""

    per_page: int = 2
    sheets: bool = False
    """Print the photos of divider sheets and label cards too."""
    max_mb: float | None = None
    """Megabytes (10**6 bytes) that the file may have; its pictures are reduced until it fits."""


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
    left_out: frozenset[Sha256] = frozenset()
    """Photos that a person left out because a nearly equal one stays."""
    letterhead: Letterhead = Letterhead()
    options: ReportOptions = ReportOptions()

    def words(self, record: PhotoRecord) -> PhotoWords:
        """The texts beside a photo."""
        return caption(record, self.vocabulary, signed=self.sign_off is not None)


@dataclass(kw_only=True)
class ReportDocument:
    """One report while it is made."""

    content: ReportContent
    writer: PageWriter
    pictures: PictureLoader
    house: House
    plan: HousePlan
    bearing: FrontBearing | None
    groups: tuple[PhotoGroup, ...]
    others: tuple[PhotoRecord, ...]
    """What is listed and not printed: videos, sound and notes, sheets and label cards, and photos that were left out."""
    numbers: dict[Sha256, int]
    """The number printed for each photo and other file, from 1."""
    links: dict[Sha256, int]
    """The PDF link that leads to each."""
    flags: dict[Sha256, list[Finding]]
    without_picture: list[Sha256] = field(default_factory=list)
    without_logo: bool = False
    """True when the logo's file gave no picture."""
    section: str = ""
    """Title in the header of the present page."""
    _first: bool = False
    """True until the header of a new section is printed."""

    @property
    def photos(self) -> list[PhotoRecord]:
        """Every printed photo, by number."""
        return [record for group in self.groups for record in group.photos]

    @property
    def files(self) -> list[PhotoRecord]:
        """What is no photo."""
        return [one for one in self.others if one.kind not in PICTURE_KINDS]

    @property
    def sheets(self) -> list[PhotoRecord]:
        """Photos of divider sheets and label cards that are not printed."""
        return [one for one in self.others if one.kind in PICTURE_KINDS and is_sheet(one)]

    @property
    def left_out(self) -> list[PhotoRecord]:
        """Photos that a person left out of the report."""
        return [one for one in self.others if one.kind in PICTURE_KINDS and not is_sheet(one)]

    def photos_per_page(self, group: PhotoGroup) -> int:
        """How many photos of the group are printed on one page."""
        return APART_PER_PAGE if group.title in APART else self.content.options.per_page

    def numbered(self) -> Iterable[tuple[int, PhotoRecord]]:
        """Photos and other files, each with its number."""
        return ((self.numbers[record.sha256], record) for record in (*self.photos, *self.others))

    def start_section(self, title: str, *, level: int = 0) -> None:
        """Start a page with that title and bookmark; the following pages repeat the title."""
        self.section, self._first = title, True
        self.writer.draw_header = self.draw_header
        self.writer.new_page()
        self.writer.bookmark(title, level)

    def section_here(self, title: str, *, room: float) -> None:
        """Start a section on this page if `room` inches are left for its heading and what follows, else on a new one."""
        writer = self.writer
        if writer.y + room > BOTTOM:
            self.start_section(title)
            return
        self.section = title
        writer.y += 0.16
        writer.bookmark(title, 0)
        with writer.marked(Mark.SECTION):
            writer.text(title, MARGIN, writer.y, size=14, style=BOLD)
        writer.y += 0.3
        writer.rule(MARGIN, writer.y, WIDTH, weight=0.012)
        writer.y += 0.08

    def draw_header(self) -> None:
        """Print the header of a page: its section and the claim."""
        writer, first = self.writer, self._first
        self._first = False
        with writer.marked(Mark.SECTION) if first else writer.artifact():
            writer.text(self.section, MARGIN, 0.5, size=14, style=BOLD)
        with writer.artifact():
            (claim,) = writer.fit_lines(f"Claim {self.content.claim.claim}", width=2.6, size=9, most=1)
            writer.text_right(claim, MARGIN + WIDTH, 0.55, size=9, colour=GREY)
        writer.rule(MARGIN, 0.82, WIDTH, weight=0.012)
