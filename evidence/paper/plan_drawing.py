"""Draws the plan of a house on a page, from the shapes of `evidence.plan`."""

from __future__ import annotations

from evidence.paper.page_writer import ACCENT, GREY, INK, Colour, Mark, PageWriter
from evidence.paper.typesetting import BOLD, POINTS
from evidence.plan.shapes import SCALE_WORDS, SQUARE, DrawnArea, HousePlan, Point

LINE = 0.011
"""Inches of an outline."""
FINE = 0.006
"""Inches of a line of a pattern."""
DOT = 0.035
"""Inches of a dot's radius."""
HALO = 0.012
"""Inches of white around a dot, so that it stands out from a pattern."""
WHITE: Colour = (255, 255, 255)


def draw_plan(writer: PageWriter, plan: HousePlan, left: float, top: float, side: float) -> None:
    """Draw the plan in a square of `side` inches, as one picture with its description."""
    canvas = _Canvas(writer, left, top, side)
    with writer.marked(Mark.PICTURE, alt=plan.description):
        for area in plan.areas:
            _area(canvas, area)
        for dot in plan.dots:  # after the areas: most photos are taken close to the walls or on the roof
            if dot.view:
                canvas.line(dot.at, dot.view, FINE * 1.5, ACCENT)
            canvas.disc(dot.at, DOT + HALO, WHITE)
            canvas.disc(dot.at, DOT, ACCENT)
        for area in plan.areas:
            canvas.centred(area.surface.state.letter, area.letter_at, 11, on_white=True)
        for square in plan.squares:
            half = SQUARE / 2
            x, y = square.at
            corners = [(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)]
            canvas.polygon(corners, fill=WHITE)
            canvas.polygon(corners, outline=INK)
            canvas.centred(square.words, square.at, 10)
        for name in plan.names:
            canvas.centred(name.words, name.at, 10, on_white=True)
        if plan.north_up:
            _north(canvas)
        if plan.ten_metres:
            canvas.line((0.02, 0.985), (0.02 + plan.ten_metres, 0.985), LINE * 1.5, INK)
            canvas.start(SCALE_WORDS, (0.02, 0.955), 9)


def _area(canvas: _Canvas, area: DrawnArea) -> None:
    canvas.polygon(area.points, fill=WHITE)
    for start, end in area.lines:
        canvas.line(start, end, FINE, GREY)
    for speck in area.specks:
        canvas.disc(speck, 0.011, GREY)
    canvas.polygon(area.points, outline=INK, dashed=area.dashed)


def _north(canvas: _Canvas) -> None:
    canvas.line((0.95, 0.11), (0.95, 0.02), LINE, ACCENT)
    canvas.polygon([(0.95, 0.005), (0.937, 0.04), (0.963, 0.04)], fill=ACCENT)
    canvas.centred("N", (0.95, 0.155), 10)


class _Canvas:
    """A square of the page, in unit coordinates."""

    def __init__(self, writer: PageWriter, left: float, top: float, side: float) -> None:
        self._writer, self._left, self._top, self._side = writer, left, top, side

    def _at(self, point: Point) -> Point:
        return self._left + point[0] * self._side, self._top + point[1] * self._side

    def polygon(
        self,
        points: list[Point] | tuple[Point, ...],
        *,
        fill: Colour | None = None,
        outline: Colour | None = None,
        dashed: bool = False,
    ) -> None:
        pdf = self._writer.pdf
        if fill:
            pdf.set_fill_color(*fill)
        if outline:
            pdf.set_draw_color(*outline)
            pdf.set_line_width(LINE)
            if dashed:
                pdf.set_dash_pattern(dash=0.06, gap=0.05)
        pdf.polygon([self._at(point) for point in points], style="F" if fill else "D")
        pdf.set_dash_pattern()

    def line(self, start: Point, end: Point, width: float, colour: Colour) -> None:
        pdf = self._writer.pdf
        pdf.set_draw_color(*colour)
        pdf.set_line_width(width)
        pdf.line(*self._at(start), *self._at(end))

    def disc(self, at: Point, radius: float, colour: Colour) -> None:
        """A filled circle; `radius` in inches."""
        x, y = self._at(at)
        self._writer.pdf.set_fill_color(*colour)
        self._writer.pdf.circle(x, y, radius, style="F")

    def centred(self, words: str, at: Point, size: float, *, on_white: bool = False) -> None:
        """Print a short text with its middle at a point."""
        writer, (x, y) = self._writer, self._at(at)
        width = writer.width_of(words, size=size, style=BOLD)
        height = size / POINTS
        if on_white:
            writer.pdf.set_fill_color(*WHITE)
            writer.pdf.rect(x - width / 2 - 0.03, y - height * 0.6, width + 0.06, height * 1.2, style="F")
        writer.text(words, x - width / 2, y - height * 0.66, size=size, style=BOLD)

    def start(self, words: str, at: Point, size: float) -> None:
        """Print a short text that begins at a point."""
        width = self._writer.width_of(words, size=size, style=BOLD)
        self.centred(words, (at[0] + width / self._side / 2, at[1]), size, on_white=True)
