"""The lists at the end of a photo report: index by required shot, and the SHA-256 of each original."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from evidence.coverage.report import Item, Status
from evidence.coverage.shots import FACES, Area
from evidence.model import PICTURE_KINDS, PhotoRecord, Sha256
from evidence.paper.captions import corrected_text
from evidence.paper.dates import offset_text
from evidence.paper.page_writer import (
    ACCENT,
    BOTTOM,
    GREY,
    INK,
    LEADING,
    MARGIN,
    PALE,
    WARN,
    WIDTH,
    LinePiece,
    Mark,
    printable_line,
)
from evidence.paper.report_document import ReportDocument
from evidence.paper.report_summary import number_piece
from evidence.paper.typesetting import BOLD, POINTS

INDENT = 2.35
"""Inches from the margin to the places of a required shot."""
INDEX_ROOM = 2.0
"""Inches that the index needs below the last photos; with less it starts a new page."""
LINE = 0.19
"""Inches of a line at 10 points."""
SMALL = 6.2
"""Points of the list of originals: 64 digits fit its column."""
SMALL_LINE = SMALL * LEADING / POINTS
COLUMN_GAP = 0.25
COLUMN = (WIDTH - COLUMN_GAP) / 2
NUMBER = 0.26
"""Inches for the number of a photo."""

STATES = {
    Status.MET: "shown",
    Status.GUESSED: "only guessed",
    Status.MISSING: "missing",
    Status.WAIVED: "set aside",
    Status.NOT_NEEDED: "not needed",
}


# --- index by required shot --------------------------------------------------------------


def index(document: ReportDocument) -> None:
    """Print every required shot with its places, their status and their photos, guesses apart."""
    document.section_here("Index by required shot", room=INDEX_ROOM)
    writer, report = document.writer, document.content.coverage
    asked = [item for item in report.items if item.status is not Status.NOT_NEEDED]
    if not asked:
        writer.flow("The list requires no shots for this claim.")
    shots: dict[str, list[Item]] = {}
    for item in sorted(asked, key=_walk):
        shots.setdefault(item.title, []).append(item)
    for title, items in shots.items():
        writer.ensure_room(2 * LINE + 0.05)
        writer.rule(MARGIN, writer.y, WIDTH, weight=0.006, colour=PALE)
        writer.y += 0.03
        page = writer.pdf.page
        first = writer.paragraph(title, MARGIN, writer.y, width=INDENT - 0.1, size=10, style=BOLD, most=3)
        pieces = [
            piece
            for place, item in enumerate(items)
            for piece in (*([_BETWEEN] if place else []), *_item_pieces(document, item))
        ]
        writer.pieces(pieces, x=MARGIN + INDENT, width=WIDTH - INDENT)
        for item in items:
            if item.status is not Status.MET:
                why = f"{item.place or STATES[item.status]}: {item.why}"
                writer.flow(why, x=MARGIN + INDENT, width=WIDTH - INDENT, colour=GREY)
        writer.y = (max(writer.y, first) if writer.pdf.page == page else writer.y) + 0.03
    spare = [item.title for item in report.not_needed]
    if spare:
        writer.heading("Not required for this house")
        writer.flow("; ".join(dict.fromkeys(spare)), colour=GREY)


def _walk(item: Item) -> tuple[int, str, int, str]:
    face = FACES.index(item.face) if item.face in FACES else len(FACES)
    return list(Area).index(item.area), item.title, face, item.structure


_BETWEEN = LinePiece(text="\N{MIDDLE DOT} ", colour=GREY)


def _item_pieces(document: ReportDocument, item: Item) -> Iterator[LinePiece]:
    """The place, its status unless it is shown, and the numbers of its photos; a signed claim prints no guesses."""
    guesses = [] if document.content.sign_off else [sha for sha in item.guesses if sha not in item.photos]
    if item.place:
        yield LinePiece(text=f"{item.place} ")
    met = item.status is Status.MET
    colour = {Status.MET: ACCENT, Status.MISSING: WARN}.get(item.status, INK)
    yield LinePiece(text=f"{STATES[item.status]} ", style="" if met else BOLD, colour=colour)
    yield from _number_pieces(document, item.photos)
    if guesses:
        yield LinePiece(text="guess: ")
        yield from _number_pieces(document, guesses)


def _number_pieces(document: ReportDocument, photos: Sequence[Sha256]) -> Iterator[LinePiece]:
    for place, sha in enumerate(photos):
        yield number_piece(document, sha, "{}, " if place < len(photos) - 1 else "{} ")


# --- appendix ----------------------------------------------------------------------------


def appendix(document: ReportDocument) -> None:
    """Print each original's path on the card, its times and its SHA-256, in two columns of small print."""
    document.section_here("Appendix: the originals", room=2.2)
    writer = document.writer
    writer.flow(
        "SHA-256 (FIPS 180-4) of each file as it was on the card. To prove that a file is the original, compute its "
        "SHA-256 with any program (for example: sha256sum NAME) and compare. One changed bit gives another value.",
        colour=GREY, after=0.05,
    )  # fmt: skip
    if document.others:
        first = document.numbers[document.others[0].sha256]
        writer.flow(f"Files from number {first} on are listed and not printed.", colour=GREY, after=0.05)
    if document.content.log_head:
        said = f"Custody log when this report was made: {printable_line(document.content.log_head, 300)}."
        writer.flow(said, size=SMALL, colour=GREY, after=0.1)
    top, column = writer.y, 0
    for number, record in document.numbered():
        lines = _original_lines(document, record)
        height = (1 + len(lines)) * SMALL_LINE + 0.04
        if writer.y + height > BOTTOM:
            if column == 0:
                column, writer.y = 1, top
            else:
                writer.new_page()
                column, top = 0, writer.y
        _original(document, number, record, lines, MARGIN + column * (COLUMN + COLUMN_GAP))


def _original_lines(document: ReportDocument, record: PhotoRecord) -> list[str]:
    """The lines below a file's path: its digest, its correction, and why it is not printed."""
    wanted: list[str] = [record.sha256]
    if corrected := corrected_text(record):
        wanted.append(corrected)
    if record in document.left_out:
        wanted.append("left out: a nearly equal photo is printed")
    fit = document.writer.fit_lines
    return [line for text in wanted for line in fit(text, width=COLUMN - NUMBER, size=SMALL, most=4)]


def _original(
    document: ReportDocument, number: int, record: PhotoRecord, lines: list[str], left: float
) -> None:
    writer, link = document.writer, document.links[record.sha256]
    if record in document.others:
        writer.pdf.set_link(link, y=max(0.0, writer.y - 0.2))
    where = printable_line(record.card_path or record.name, 400)
    if record.kind not in PICTURE_KINDS:
        where += f" ({record.kind.value})"
    facts = record.facts
    taken = f"{facts.taken_local:%Y-%m-%d %H:%M:%S}" if facts.taken_local else "no time"
    zone = "" if facts.offset_minutes is None else f" {offset_text(facts.offset_minutes)}"
    with writer.marked(Mark.TEXT):
        writer.text(str(number), left, writer.y, size=SMALL, style=BOLD, colour=ACCENT, link=link)
        end = left + COLUMN - writer.width_of(taken + zone, size=SMALL)
        (path,) = writer.fit_lines(where, width=end - left - NUMBER - 0.08, size=SMALL, style=BOLD, most=1)
        writer.text(path, left + NUMBER, writer.y, size=SMALL, style=BOLD)
        writer.text(taken + zone, end, writer.y, size=SMALL, colour=GREY)
        writer.y += SMALL_LINE
        for line in lines:
            writer.text(line, left + NUMBER, writer.y, size=SMALL)
            writer.y += SMALL_LINE
    writer.y += 0.04
