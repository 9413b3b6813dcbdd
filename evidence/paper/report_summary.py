"""The damage summary of a photo report and the house at a glance: what is stated, place by place, with its photos."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from evidence.errors import counted
from evidence.model import Condition, Face, Sha256
from evidence.paper.page_writer import (
    ACCENT,
    GREY,
    INK,
    MARGIN,
    PALE,
    WARN,
    WIDTH,
    LinePiece,
    Mark,
    PageWriter,
)
from evidence.paper.plan_drawing import draw_plan
from evidence.paper.report_document import ReportDocument
from evidence.paper.typesetting import BOLD
from evidence.plan.surfaces import FACES, ComponentRow, HousePart, State, Surface, TestSquare

PLAN_SIDE = 3.1
"""Inches of the drawing's side."""

HOUSE_ROOM = PLAN_SIDE + 2.6
"""Inches that the section's heading, the drawing with its notes and the hits need; with less it starts a new page."""

ROW = 0.19
"""Inches of a table's line at 10 points."""

ROOF_CAUTION = (
    "Roof photos show what one person saw from where it was safe to stand. Nobody needs to climb for a further "
    "photo: use a pole, a drone or a ladder assist by people who are trained and equipped, and follow local law, "
    "OSHA rules and the carrier's safety rules."
)


def summary(document: ReportDocument) -> None:
    """Print the drawing beside the state of each side, hits, components and measurements."""
    document.section_here("The house at a glance", room=HOUSE_ROOM)
    writer = document.writer
    top = writer.y
    draw_plan(writer, document.plan, MARGIN, top, PLAN_SIDE)
    _surfaces(document, MARGIN + PLAN_SIDE + 0.25, top)
    writer.y = max(writer.y, top + PLAN_SIDE + 0.05)
    writer.flow(document.plan.orientation, colour=GREY)
    writer.flow(f"{document.plan.positions} {document.plan.note}", colour=GREY)
    document.section = "Damage summary"
    _hits(document)
    _components(document)
    _measurements(document)


# --- the eight surfaces ------------------------------------------------------------------


def _surfaces(document: ReportDocument, x: float, y: float) -> None:
    """Print the state of each surface, then the legend of the drawing."""
    writer, width = document.writer, MARGIN + WIDTH - x
    for part, title in ((HousePart.ELEVATION, "Elevations"), (HousePart.SLOPE, "Slopes")):
        writer.text(title, x, y, size=10, style=BOLD, colour=ACCENT)
        y += ROW + 0.02
        for face in FACES:
            surface = document.house.surface(part, face)
            writer.text(surface.state.letter, x, y, size=10, style=BOLD)
            y = 0.02 + writer.paragraph(
                _surface_line(document, surface), x + 0.2, y, width=width - 0.2, size=10, most=2
            )
        y += 0.06
    y += 0.04
    for state in _states(document):
        writer.text(state.letter, x, y, size=10, style=BOLD)
        y = writer.paragraph(
            f"{state}: {state.meaning}", x + 0.2, y, width=width - 0.2, size=10, colour=GREY, most=2
        )
    writer.y = y + 0.1


def _states(document: ReportDocument) -> list[State]:
    """The states that the drawing has, for its legend."""
    drawn = {surface.state for surface in document.house.surfaces}
    return [state for state in State if state in drawn]


def _surface_line(document: ReportDocument, surface: Surface) -> str:
    facing = f" (faces {document.bearing.point(surface.face)})" if document.bearing else ""
    words = f"{surface.face.capitalize()}{facing}: {surface.state}"
    if surface.photos:
        words += f", {counted(len(surface.photos), 'photo')}"
    if surface.missing_shots:
        words += f", {counted(surface.missing_shots, 'required shot missing', 'required shots missing')}"
    return words


# --- hits, components, measurements ------------------------------------------------------


def _hits(document: ReportDocument) -> None:
    """Print the hits of each test square: stated numbers; what the program counted is marked as a proposal."""
    writer = document.writer
    writer.heading("Hits in test squares, as photographed and stated")
    slopes = [document.house.surface(HousePart.SLOPE, face) for face in FACES]
    if not any(slope.squares for slope in slopes):
        writer.flow("No photo is stated to show a test square.")
    for slope in slopes:
        if not slope.squares:
            continue
        pieces = [LinePiece(text=f"{slope.face.capitalize()} slope: ", style=BOLD)]
        for place, square in enumerate(slope.squares):
            end = "." if place == len(slope.squares) - 1 else "; "
            pieces += [
                LinePiece(text=f"{_hits_words(square)}, "),
                number_piece(document, square.photo, f"photo {{}}{end}"),
            ]
        writer.pieces(pieces, x=MARGIN, width=WIDTH)
    if any(slope.photos for slope in slopes):
        writer.y += 0.03
        writer.flow(ROOF_CAUTION, colour=GREY)


def _hits_words(square: TestSquare) -> str:
    if square.hits is not None:
        return counted(square.hits, "hit")
    if square.proposed is not None:
        return f"no number stated (proposal of the program, not reviewed: {square.proposed})"
    return "no number stated"


def _components(document: ReportDocument) -> None:
    """Print a row for each component: at each face its condition and photos. Then what is proved undamaged."""
    writer, rows = document.writer, document.house.components
    writer.heading("Components by face, with photo numbers")
    if not rows:
        writer.flow("No component is stated.")
        return
    _table_head(writer)

    def with_table_head() -> None:
        document.draw_header()
        _table_head(writer)

    writer.draw_header = with_table_head
    by_component: dict[str, list[ComponentRow]] = {}
    for row in rows:
        by_component.setdefault(row.words, []).append(row)
    for words, mine in by_component.items():
        _component(document, words, mine)
    writer.draw_header = document.draw_header
    sound = _proved(rows)
    if sound:
        writer.y += 0.04
        writer.flow(f"Proved undamaged where photographed: {sound}.")


FACE_COLUMN = 1.4
"""Inches from the margin to the first face."""
FACE_WIDTH = (WIDTH - FACE_COLUMN) / 5


def _table_head(writer: PageWriter) -> None:
    writer.text("Component", MARGIN, writer.y, size=10, colour=GREY)
    for place, words in enumerate((*FACES, "no side stated")):
        writer.text(words, MARGIN + FACE_COLUMN + place * FACE_WIDTH, writer.y, size=10, colour=GREY)
    writer.y += ROW
    writer.rule(MARGIN, writer.y, WIDTH, weight=0.006, colour=PALE)
    writer.y += 0.02


def _component(document: ReportDocument, words: str, rows: Sequence[ComponentRow]) -> None:
    writer = document.writer
    cells = {
        face: [line for row in rows if row.face is face for line in _cell_lines(document, row)]
        for face in (*FACES, None)
    }
    title = writer.fit_lines(words[:1].upper() + words[1:], width=FACE_COLUMN - 0.1, size=10, style=BOLD)
    height = max(len(title), *(len(lines) for lines in cells.values())) * ROW
    writer.ensure_room(min(height, 4.0))
    top = writer.y
    writer.paragraph(" ".join(title), MARGIN, top, width=FACE_COLUMN - 0.1, size=10, style=BOLD)
    for place, lines in enumerate(cells.values()):
        y = top
        for condition, numbers in lines:
            x = MARGIN + FACE_COLUMN + place * FACE_WIDTH
            damaged = condition == _DAMAGE
            style, colour = (BOLD, WARN) if damaged else ("", INK)
            with writer.marked(Mark.TEXT):
                if condition:
                    x = writer.text(f"{condition} ", x, y, size=10, style=style, colour=colour)
                for text, sha in numbers:
                    x = writer.text(text, x, y, size=10, colour=ACCENT, link=document.links[sha])
            y += ROW
    writer.y = top + height


_DAMAGE = "damage"


def _cell_lines(document: ReportDocument, row: ComponentRow) -> list[tuple[str, list[tuple[str, Sha256]]]]:
    """The lines of one condition: its words, then photo numbers; words are empty on the lines that follow."""
    writer, room = document.writer, FACE_WIDTH - 0.08
    words = {Condition.UNSTATED: "shown"}.get(row.condition, row.condition_words)
    lines: list[tuple[str, list[tuple[str, Sha256]]]] = [(words, [])]
    used = writer.width_of(f"{words} ", size=10, style=BOLD)
    for place, sha in enumerate(row.photos):
        text = f"{document.numbers[sha]}{', ' if place < len(row.photos) - 1 else ''}"
        width = writer.width_of(text, size=10)
        if used + width > room and lines[-1][1]:
            lines.append(("", []))
            used = 0.0
        lines[-1][1].append((text, sha))
        used += width
    return lines


def _proved(rows: Iterable[ComponentRow]) -> str:
    """`gutter (right, back), siding (left)`: what is stated to be undamaged, and nowhere there damaged."""
    rows = list(rows)
    damaged = {(row.component, row.face) for row in rows if row.condition is Condition.DAMAGE}
    found: dict[str, list[Face]] = {}
    for row in rows:
        if row.condition is Condition.NO_DAMAGE and (row.component, row.face) not in damaged:
            found.setdefault(row.words, []).extend([row.face] if row.face else [])
    return ", ".join(f"{words} ({', '.join(faces)})" if faces else words for words, faces in found.items())


def _measurements(document: ReportDocument) -> None:
    writer, found = document.writer, document.house.measurements
    writer.heading("Measurements")
    if not found:
        writer.flow("No photo is stated to be a measurement.")
        return
    pieces = []
    for place, record in enumerate(found):
        words = document.content.words(record)
        said = words.written or words.stated.removesuffix(": measurement")
        end = "." if place == len(found) - 1 else "; "
        pieces += [LinePiece(text=f"{said}: "), number_piece(document, record.sha256, f"photo {{}}{end}")]
    writer.pieces(pieces, x=MARGIN, width=WIDTH)


def number_piece(document: ReportDocument, sha: Sha256, words: str = "{}") -> LinePiece:
    """A photo's number in these words, with a link to the photo."""
    text = words.format(document.numbers[sha])
    return LinePiece(text=text, colour=ACCENT, link=document.links[sha])
