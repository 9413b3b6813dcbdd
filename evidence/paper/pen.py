"""A pen that writes lines of text, blocks and rules on pages that follow one another."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable
from contextlib import suppress

from fpdf import FPDF

from evidence.paper.type import BOLD, FAMILY, LETTER, POINTS, REGULAR, printable, wrapped

Colour = tuple[int, int, int]
INK: Colour = (22, 24, 28)
GREY: Colour = (96, 100, 106)
PALE: Colour = (222, 224, 226)
ACCENT: Colour = (28, 84, 88)
WARN: Colour = (150, 44, 32)

MARGIN = 0.6
"""Inches that most printers can reach with room to spare."""
WIDTH = LETTER[0] - 2 * MARGIN
TOP = 0.95
"""Where a page's own matter begins, below its heading."""
BOTTOM = LETTER[1] - 0.75
LEADING = 1.32
"""Distance of lines in sizes of letters."""
MOST = 3000
"""Characters of one text that are set; nothing that is printed here means anything beyond."""


def plain(text: str, most: int = MOST) -> str:
    """The text as it can be set on one line: no control or format characters (a change of direction, for one),
    blanks single, cut with an ellipsis after `most` characters.
    """
    shown = "".join(c for c in text[: most + 1] if unicodedata.category(c) not in ("Cf", "Cs", "Co", "Cn"))
    shown = " ".join(printable(shown).split())
    return shown if len(shown) <= most else f"{shown[: most - 1]}\N{HORIZONTAL ELLIPSIS}"


class Pen:
    """Writes on a PDF in inches; `y` is where the next thing goes, `head` is drawn atop each new page."""

    def __init__(self, pdf: FPDF) -> None:
        self.pdf = pdf
        self.y = TOP
        self.head: Callable[[], None] = lambda: None

    def page(self) -> None:
        """A new page with its heading."""
        self.pdf.add_page()
        self.y = TOP
        self.head()

    def need(self, height: float) -> None:
        """A new page unless so many inches are left on this one."""
        if self.y + height > BOTTOM:
            self.page()

    def say(
        self, text: str, x: float, y: float, *, size: float, style: str = REGULAR, colour: Colour = INK,
        link: int | None = None,
    ) -> float:  # fmt: skip
        """One line with its top at `y`; the x where it ends."""
        pdf = self.pdf
        pdf.set_font(FAMILY, style, size)
        pdf.set_text_color(*colour)
        width = pdf.get_string_width(text)
        pdf.set_xy(x, y)
        pdf.cell(w=width, h=size * LEADING / POINTS, text=text, link=link or "")
        return x + width

    def say_right(self, text: str, right: float, y: float, *, size: float, colour: Colour = INK) -> None:
        """One line that ends at `right`."""
        self.pdf.set_font(FAMILY, REGULAR, size)
        self.say(text, right - self.pdf.get_string_width(text), y, size=size, colour=colour)

    def lines(
        self, text: str, *, width: float, size: float, style: str = REGULAR, most: int | None = None
    ) -> list[str]:
        """The text in lines of that width, the last of `most` cut with an ellipsis when there would be more."""
        found = wrapped(self.pdf, plain(text), width=width, size=size, style=style)
        if most is None or len(found) <= most:
            return found
        last = found[most - 1]
        while last and self.pdf.get_string_width(f"{last}\N{HORIZONTAL ELLIPSIS}") > width:
            last = last[:-1]
        return [*found[: most - 1], f"{last.rstrip()}\N{HORIZONTAL ELLIPSIS}"]

    def block(
        self, text: str, x: float, y: float, *, width: float, size: float, style: str = REGULAR,
        colour: Colour = INK, most: int | None = None,
    ) -> float:  # fmt: skip
        """Wrapped lines with their top at `y`; where the next text begins. Stays on the page."""
        for line in self.lines(text, width=width, size=size, style=style, most=most):
            self.say(line, x, y, size=size, style=style, colour=colour)
            y += size * LEADING / POINTS
        return y

    def flow(
        self, text: str, *, x: float = MARGIN, width: float = WIDTH, size: float = 9.5, style: str = REGULAR,
        colour: Colour = INK, after: float = 0.0,
    ) -> None:  # fmt: skip
        """Wrapped lines from `y` on, over as many pages as they need."""
        for line in self.lines(text, width=width, size=size, style=style):
            self.need(size * LEADING / POINTS)
            self.say(line, x, self.y, size=size, style=style, colour=colour)
            self.y += size * LEADING / POINTS
        self.y += after

    def heading(self, text: str) -> None:
        """A small heading in the flow, kept together with what follows."""
        self.need(0.75)
        self.y += 0.12
        self.say(text, MARGIN, self.y, size=11, style=BOLD, colour=ACCENT)
        self.y += 0.26

    def rule(self, x: float, y: float, width: float, *, weight: float, colour: Colour = INK) -> None:
        """A line as a filled bar, `weight` inches thick."""
        self.pdf.set_fill_color(*colour)
        self.pdf.rect(x, y, width, weight, style="F")

    def box(self, x: float, y: float, width: float, height: float, *, colour: Colour = PALE) -> None:
        """A thin frame."""
        self.pdf.set_draw_color(*colour)
        self.pdf.set_line_width(0.008)
        self.pdf.rect(x, y, width, height)

    def mark(self, name: str, level: int) -> None:
        """A bookmark to this place in the document's outline."""
        with suppress(ValueError):  # an outline that would skip a level
            self.pdf.set_y(max(0.0, self.y - 0.1))
            self.pdf.start_section(plain(name, 120) or "-", level=level)
