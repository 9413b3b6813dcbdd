"""The pages of photos: two, four or six to a page, in the order of the walk."""

from __future__ import annotations

from evidence.model import PhotoRecord
from evidence.paper.captions import CLAIM_SHEETS, FURTHER, NOT_REVIEWED, UNTAGGED, PhotoGroup
from evidence.paper.page_writer import (
    ACCENT,
    BOTTOM,
    GREY,
    INK,
    LEADING,
    MARGIN,
    TOP,
    WARN,
    WIDTH,
    Colour,
    Mark,
)
from evidence.paper.report_document import ReportDocument
from evidence.paper.report_pictures import size_of
from evidence.paper.typesetting import BOLD, POINTS
from evidence.progress import Progress

PART_GAP = {10.0: 0.35}
"""Space between the parts of a caption, in lines, by letter size; the smaller sizes have none."""

GAP = 0.25
"""Inches between photos."""

HEADING = 0.34
"""Inches of a section's heading between two photos."""

PHOTO_WIDTH = 5.15
"""Inches of a photo at two to a page; its caption is beside it."""

REMARKS = {
    NOT_REVIEWED: "Nobody has stated on which side these photos were taken, or what they show. What is printed as a "
    "guess comes from the program and proves nothing.",
    FURTHER: "Nobody has stated on which side these photos were taken, or what they show.",
    CLAIM_SHEETS: "They name the claim and state tags of the photos after them.",
}
"""Printed under the heading of a section whose photos prove nothing."""


def photo_pages(document: ReportDocument, progress: Progress) -> None:
    """Print every photo in the order of the walk; those on which nothing rests six to a page, after the others."""
    slot, done = _first_half(document), 0
    for group in document.groups:
        per_page = document.photos_per_page(group)
        if per_page == 2:
            slot = _two_a_page(document, group, slot)
        else:
            slot = 0
            _several_a_page(document, group, per_page)
        done += len(group.photos)
        progress("photos of the report", done, len(document.photos))


HALF = (BOTTOM - TOP - GAP) / 2
"""Inches of a page's half."""


def _first_half(document: ReportDocument) -> int:
    """The half where the first photo goes: the lower one (1) of this page while its upper half has all that is printed."""
    return 1 if document.writer.y <= TOP + HALF + GAP else 0


def _two_a_page(document: ReportDocument, group: PhotoGroup, slot: int) -> int:
    """Print a group from the upper (0) or lower (1) half of a page on; returns the half that follows it."""
    writer, height = document.writer, HALF
    for position, record in enumerate(group.photos):
        y, room = TOP + slot * (height + GAP), height
        if slot == 0 and position == 0:
            document.start_section(group.title)
        elif slot == 0:
            writer.new_page()
        elif position == 0:
            document.section = group.title
            writer.y = y
            writer.bookmark(group.title, 0)
            with writer.marked(Mark.SECTION):
                writer.text(group.title, MARGIN, y - 0.04, size=14, style=BOLD)
            y, room = y + HEADING, room - HEADING
        _place(document, record, y)
        _show(document, record, MARGIN, y, PHOTO_WIDTH, room)
        left = MARGIN + PHOTO_WIDTH + 0.2
        _caption(document, record, left, y - 0.03, MARGIN + WIDTH - left, y + room, 10.0)
        slot = 1 - slot
    writer.y = TOP + slot * (height + GAP) if slot else BOTTOM
    return slot


def _several_a_page(document: ReportDocument, group: PhotoGroup, per_page: int) -> None:
    writer = document.writer
    rows, columns = per_page // 2, 2
    top = TOP
    for position, record in enumerate(group.photos):
        if position == 0:
            document.start_section(group.title)
            top = TOP
            if remark := REMARKS.get(group.title):
                writer.flow(remark, colour=GREY, after=0.08)
                top = writer.y
        elif position % per_page == 0:
            writer.new_page()
            top = TOP
        height = (BOTTOM - top - GAP * (rows - 1)) / rows
        width = (WIDTH - GAP * (columns - 1)) / columns
        row, column = divmod(position % per_page, columns)
        x, y = MARGIN + column * (width + GAP), top + row * (height + GAP)
        _place(document, record, y)
        share, size = {4: (0.6, 9.0), 6: (0.58, 9.0)}[per_page]
        used = _show(document, record, x, y, width, height * share)
        _caption(document, record, x, y + used + 0.05, width, y + height, size)
        writer.y = y + height


def _place(document: ReportDocument, record: PhotoRecord, y: float) -> None:
    """The photo's links and bookmark lead here."""
    writer, words = document.writer, document.content.words(record)
    writer.pdf.set_link(document.links[record.sha256], y=max(0.0, y - 0.2))
    writer.y = y
    title = words.written or words.stated or words.guess or record.name
    writer.bookmark(f"{document.numbers[record.sha256]}  {title}", 1)


def _show(
    document: ReportDocument, record: PhotoRecord, x: float, y: float, width: float, height: float
) -> float:
    """Print the picture, or a frame that says that there is none; returns the height used."""
    data = document.pictures.next_large(record)
    if data is not None:
        across, down = size_of(data)
        scale = min(width / across, height / down)
        words = document.content.words(record)
        said = " ".join(filter(None, [words.written, words.stated, words.guess, words.facing]))
        alt = f"Photo {document.numbers[record.sha256]}, {record.name}: {said or UNTAGGED}"
        document.writer.picture(data, x, y, width=across * scale, height=down * scale, alt=alt)
        return down * scale
    document.without_picture.append(record.sha256)
    height = min(height, width * 0.75)
    document.writer.box(x, y, width, height)
    document.writer.paragraph(
        "No picture could be read from this file.", x + 0.2, y + height / 2 - 0.15, width=width - 0.4, size=10,
        colour=GREY,
    )  # fmt: skip
    return height


def _caption(
    document: ReportDocument, record: PhotoRecord, x: float, y: float, width: float, foot: float, size: float
) -> None:
    """Print number, tag, times, compass, file and flags while there is room; the appendix has every time in full."""
    writer = document.writer
    words = document.content.words(record)
    parts: list[tuple[str, str, Colour]] = []
    if words.written:
        parts.append((words.written, BOLD, INK))
    if words.stated:
        parts.append((words.stated, "" if words.written else BOLD, INK))
    if words.guess:
        parts.append((words.guess, "", INK))
    if not words.stated and not words.guess:
        parts.append((UNTAGGED, "", INK))
    parts.append((words.taken, "", INK))
    if words.corrected:
        parts.append((words.corrected, "", WARN))
    if words.facing:
        parts.append((words.facing, "", INK))
    parts += [(flag.message, "", WARN) for flag in document.flags.get(record.sha256, ())]
    line = size * LEADING / POINTS
    end = (
        writer.text(f"Photo {document.numbers[record.sha256]}", x, y, size=size, style=BOLD, colour=ACCENT)
        + 0.08
    )
    (name,) = writer.fit_lines(record.name, width=max(0.3, x + width - end), size=size - 1, most=1)
    writer.text(name, end, y + 0.012, size=size - 1, colour=GREY)
    y += line * (1 + PART_GAP.get(size, 0.0))
    for text, style, colour in parts:
        room = int((foot - y) / line + 1e-6)
        if room < 1:
            return
        y = writer.paragraph(
            text, x, y, width=width, size=size, style=style, colour=colour, most=min(room, 10)
        )
        y += line * PART_GAP.get(size, 0.0)
