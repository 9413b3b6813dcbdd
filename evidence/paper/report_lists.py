"""The lists at the end of a photo report: contact sheet, index by required shot, and the SHA-256 of each original."""

from __future__ import annotations

import io

from evidence.coverage.report import Item, Status
from evidence.coverage.shots import FACES, Area
from evidence.model import PhotoRecord, Sha256
from evidence.paper.captions import caption
from evidence.paper.page_writer import (
    ACCENT,
    BOTTOM,
    GREY,
    INK,
    MARGIN,
    PALE,
    TOP,
    WARN,
    WIDTH,
    printable_line,
)
from evidence.paper.report_document import ReportDocument
from evidence.paper.report_pictures import size_of
from evidence.paper.typesetting import BOLD

TILES = (6, 7)
"""Photos in a row and in a column of a contact sheet."""

STATES = {
    Status.MET: "shown",
    Status.GUESSED: "only guessed",
    Status.MISSING: "missing",
    Status.WAIVED: "set aside",
    Status.NOT_NEEDED: "not needed",
}


# --- contact sheet -----------------------------------------------------------------------


def contact_sheet(document: ReportDocument) -> None:
    """Print small pictures of all photos in the order in which they were taken, each with a link to the large one."""
    across, down = TILES
    step_x, step_y = WIDTH / across, (BOTTOM - TOP) / down
    shown = sorted(document.photos, key=lambda record: record.order)
    for place, record in enumerate(shown):
        if place == 0:
            document.start_section("Contact sheet, as the photos were taken")
        elif place % (across * down) == 0:
            document.writer.new_page()
        row, column = divmod(place % (across * down), across)
        _tile(document, record, MARGIN + column * step_x, TOP + row * step_y, step_x - 0.1, step_y - 0.12)


def _tile(
    document: ReportDocument, record: PhotoRecord, x: float, y: float, width: float, height: float
) -> None:
    writer, link = document.writer, document.links[record.sha256]
    room = height - 0.3
    data = document.pictures.tile(record.sha256)
    if data is None:
        writer.box(x, y, width, room)
    else:
        across, down = size_of(data)
        scale = min(width / across, room / down)
        wide, tall = across * scale, down * scale
        writer.pdf.image(io.BytesIO(data), x=x, y=y + room - tall, w=wide, h=tall, link=link)
    end = writer.text(
        str(document.numbers[record.sha256]), x, y + room + 0.02, size=8, style=BOLD, colour=ACCENT, link=link
    )
    name = writer.fit_lines(record.name, width=max(0.3, x + width - end - 0.06), size=6.5, most=1)[0]
    writer.text(name, end + 0.06, y + room + 0.035, size=6.5, colour=GREY)
    taken = record.facts.taken_local
    writer.text(f"{taken:%H:%M:%S}" if taken else "no time", x, y + room + 0.15, size=6.5, colour=GREY)


# --- index by required shot --------------------------------------------------------------


def index(document: ReportDocument) -> None:
    """Print every required shot with its status and its photos, guesses apart."""
    document.start_section("Index by required shot")
    writer, report = document.writer, document.content.coverage
    asked = [item for item in report.items if item.status is not Status.NOT_NEEDED]
    if not asked:
        writer.flow("The list requires no shots for this claim.")
    title, page = "", 0
    for item in sorted(asked, key=_walk):
        writer.ensure_room(0.5)
        if item.title != title or writer.pdf.page != page:  # a new page repeats the title
            page = writer.pdf.page
            writer.rule(MARGIN, writer.y, WIDTH, weight=0.006, colour=PALE)
            writer.y += 0.05
            title = item.title
            writer.flow(title, size=9.5, style=BOLD)
        _indexed(document, item)
    spare = [item.title for item in report.not_needed]
    if spare:
        writer.heading("Not required for this house")
        writer.flow("; ".join(dict.fromkeys(spare)), size=9, colour=GREY)


def _walk(item: Item) -> tuple[int, str, int, str]:
    face = FACES.index(item.face) if item.face in FACES else len(FACES)
    return list(Area).index(item.area), item.title, face, item.structure


def _indexed(document: ReportDocument, item: Item) -> None:
    writer = document.writer
    writer.ensure_room(0.2)
    place = writer.fit_lines(item.place or "once", width=1.75, size=9, most=1)[0]
    writer.text(place, MARGIN + 0.15, writer.y, size=9)
    colour = {Status.MET: ACCENT, Status.MISSING: WARN}.get(item.status, INK)
    style = "" if item.status is Status.MET else BOLD
    writer.text(STATES[item.status], MARGIN + 2.0, writer.y, size=9, style=style, colour=colour)
    _numbers(document, item.photos, "", MARGIN + 3.05)
    guesses = [sha for sha in item.guesses if sha not in item.photos]
    if guesses:
        if item.photos:
            writer.y += 0.17
            writer.ensure_room(0.2)
        _numbers(document, guesses, "guess: ", MARGIN + 3.05)
    if item.photos or item.guesses or item.status is Status.MET:
        writer.y += 0.17
    if item.status is not Status.MET:
        writer.flow(item.why, x=MARGIN + 3.05, width=WIDTH - 3.05, size=8.5, colour=GREY)
    writer.y += 0.02


def _numbers(
    document: ReportDocument, photos: tuple[Sha256, ...] | list[Sha256], lead: str, left: float
) -> None:
    """Print photo numbers with links to the photos, on as many lines as they need."""
    writer = document.writer
    x = writer.text(lead, left, writer.y, size=9) if lead else left
    for place, sha in enumerate(photos):
        text = f"{document.numbers[sha]}{',' if place < len(photos) - 1 else ''}"
        if x > MARGIN + WIDTH - 0.35:
            writer.y += 0.17
            writer.ensure_room(0.2)
            x = left
        x = writer.text(text, x, writer.y, size=9, link=document.links[sha]) + 0.06


# --- appendix ----------------------------------------------------------------------------


def appendix(document: ReportDocument) -> None:
    """Print each original's path on the card, its SHA-256 and its times in full."""
    document.start_section("Appendix: the originals")
    writer = document.writer
    writer.flow(
        "SHA-256 (FIPS 180-4) of each file as it was on the card. To prove that a file is the original, compute its "
        "SHA-256 with any program (for example: sha256sum NAME) and compare. One changed bit gives another value.",
        size=9, colour=GREY, after=0.1,
    )  # fmt: skip
    if document.content.log_head:
        said = f"Custody log when this report was made: {printable_line(document.content.log_head, 300)}."
        writer.flow(said, size=8, colour=GREY, after=0.1)
    for number, record in document.numbered():
        _original(document, number, record)


def _original(document: ReportDocument, number: int, record: PhotoRecord) -> None:
    writer = document.writer
    words = caption(record, document.content.vocabulary)
    writer.ensure_room(0.46)
    link = document.links[record.sha256]
    if record in document.others:
        writer.pdf.set_link(link, y=max(0.0, writer.y - 0.2))
    writer.rule(MARGIN, writer.y, WIDTH, weight=0.005, colour=PALE)
    writer.y += 0.03
    writer.text(str(number), MARGIN, writer.y, size=8, style=BOLD, colour=ACCENT, link=link)
    where = printable_line(record.card_path or record.name, 400)
    kind = f" ({record.kind.value})" if record in document.others else ""
    writer.flow(where + kind, x=MARGIN + 0.4, width=WIDTH - 0.4, size=8, style=BOLD)
    writer.flow(record.sha256, x=MARGIN + 0.4, width=WIDTH - 0.4, size=8)
    times = ". ".join(filter(None, [words.taken, words.corrected, words.facing]))
    writer.flow(times, x=MARGIN + 0.4, width=WIDTH - 0.4, size=8, colour=GREY, after=0.03)
