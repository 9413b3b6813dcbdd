"""Write text, rules, pictures and bookmarks on the pages of a PDF, starting new pages where they are needed.

Everything that is written is marked for readers that do not see the page (tagged PDF, ISO 32000-1, 14.7 and 14.8): headings,
paragraphs and pictures in reading order; headers, footers and rules are marked as artifacts.
"""

from __future__ import annotations

import io
import unicodedata
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from enum import StrEnum

from fpdf import FPDF

from evidence.paper.typesetting import BOLD, FAMILY, LETTER, POINTS, REGULAR, printable, text_width, wrapped

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
"""Inches from the top to a page's content, below its header."""
BOTTOM = LETTER[1] - 0.75
LEADING = 1.32
"""Distance of lines, in letter sizes."""
MAX_TEXT = 3000
"""Characters of one text that are printed; no text of ours needs more."""


def printable_line(text: str, most: int = MAX_TEXT) -> str:
    """The text for printing on one line: no control or format characters (such as a change of direction), single
    spaces, cut with an ellipsis after `most` characters.
    """
    shown = "".join(c for c in text[: most + 1] if unicodedata.category(c) not in ("Cf", "Cs", "Co", "Cn"))
    shown = " ".join(printable(shown).split())
    return shown if len(shown) <= most else f"{shown[: most - 1]}\N{HORIZONTAL ELLIPSIS}"


class Mark(StrEnum):
    """What a piece of content is; values are standard structure types (ISO 32000-1, 14.8.4)."""

    TITLE = "H1"
    SECTION = "H2"
    HEADING = "H3"
    TEXT = "P"
    PICTURE = "Figure"


@dataclass(frozen=True, slots=True, kw_only=True)
class LinePiece:
    """A piece of a line that is not broken: its text, and where it leads."""

    text: str
    style: str = REGULAR
    colour: Colour = INK
    link: int | None = None


class PageWriter:
    """Writes on a PDF in inches. `y` is the top of what comes next; `draw_header` is called on each new page."""

    def __init__(self, pdf: FPDF) -> None:
        self.pdf = pdf
        self.y = TOP
        self.draw_header: Callable[[], None] = lambda: None
        self._marks: defaultdict[int, int] = defaultdict(int)
        self._inside = False

    @contextmanager
    def marked(self, mark: Mark, *, alt: str | None = None) -> Iterator[None]:
        """Mark what is written inside, all on one page; within another mark it adds nothing."""
        if self._inside:
            yield
            return
        pdf, page = self.pdf, self.pdf.page
        number = self._marks[page]
        self._marks[page] += 1
        # fpdf2 marks pictures itself; for text it has the same builder, but no public method
        _, parents = pdf.struct_builder.add_marked_content(
            page_number=page, struct_type=f"/{mark}", mcid=number, alt_text=alt
        )
        pdf.pages[page].struct_parents = parents
        with self._sequence(f"/{mark} <</MCID {number}>> BDC"):
            yield

    @contextmanager
    def artifact(self) -> Iterator[None]:
        """Mark what is written inside as no content: headers, footers, rules."""
        if self._inside:
            yield
            return
        with self._sequence("/Artifact BMC"):
            yield

    @contextmanager
    def _sequence(self, begin: str) -> Iterator[None]:
        page = self.pdf.page
        self.pdf._out(begin)  # noqa: SLF001 - fpdf2 has no public way to write an operator
        self._inside = True
        yield
        self._inside = False
        if self.pdf.page != page:
            raise ValueError("a mark ends on another page")
        self.pdf._out("EMC")  # noqa: SLF001 - as above

    def new_page(self) -> None:
        """Start a page with its header."""
        self.pdf.add_page()
        self.y = TOP
        self.draw_header()

    def ensure_room(self, height: float) -> None:
        """Start a new page unless `height` inches are left on this one."""
        if self.y + height > BOTTOM:
            self.new_page()

    def text(
        self, text: str, x: float, y: float, *, size: float, style: str = REGULAR, colour: Colour = INK,
        link: int | None = None,
    ) -> float:  # fmt: skip
        """Print one line with its top at `y`; returns the x where it ends."""
        pdf = self.pdf
        pdf.set_font(FAMILY, style, size)
        pdf.set_text_color(*colour)
        width = text_width(pdf, text)
        pdf.set_xy(x, y)
        with self.marked(Mark.TEXT):
            pdf.cell(w=width, h=size * LEADING / POINTS, text=text, link=link or "")
        return x + width

    def picture(
        self,
        jpeg: bytes,
        x: float,
        y: float,
        *,
        width: float,
        height: float,
        alt: str,
        link: int | None = None,
    ) -> None:
        """Print a picture of that size; `alt` says what it shows."""
        with self.marked(Mark.PICTURE, alt=printable_line(alt, 500)):
            self.pdf.image(io.BytesIO(jpeg), x=x, y=y, w=width, h=height, link=link or "")

    def width_of(self, text: str, *, size: float, style: str = REGULAR) -> float:
        """Inches that a line takes."""
        self.pdf.set_font(FAMILY, style, size)
        return text_width(self.pdf, text)

    def text_right(self, text: str, right: float, y: float, *, size: float, colour: Colour = INK) -> None:
        """Print one line that ends at `right`."""
        self.pdf.set_font(FAMILY, REGULAR, size)
        self.text(text, right - text_width(self.pdf, text), y, size=size, colour=colour)

    def fit_lines(
        self, text: str, *, width: float, size: float, style: str = REGULAR, most: int | None = None
    ) -> list[str]:
        """The text in lines of that width, `most` at most; an ellipsis ends a text that is cut."""
        found = wrapped(self.pdf, printable_line(text), width=width, size=size, style=style)
        if most is None or len(found) <= most:
            return found
        last = found[most - 1]
        while last and text_width(self.pdf, f"{last}\N{HORIZONTAL ELLIPSIS}") > width:
            last = last[:-1]
        return [*found[: most - 1], f"{last.rstrip()}\N{HORIZONTAL ELLIPSIS}"]

    def paragraph(
        self, text: str, x: float, y: float, *, width: float, size: float, style: str = REGULAR,
        colour: Colour = INK, most: int | None = None,
    ) -> float:  # fmt: skip
        """Print wrapped lines with their top at `y`, all on this page; returns the y below them."""
        lines = self.fit_lines(text, width=width, size=size, style=style, most=most)
        if lines:
            with self.marked(Mark.TEXT):
                for line in lines:
                    self.text(line, x, y, size=size, style=style, colour=colour)
                    y += size * LEADING / POINTS
        return y

    def flow(
        self, text: str, *, x: float = MARGIN, width: float = WIDTH, size: float = 10, style: str = REGULAR,
        colour: Colour = INK, after: float = 0.0,
    ) -> None:  # fmt: skip
        """Print wrapped lines from the present `y` on, over as many pages as they need."""
        lines, step = self.fit_lines(text, width=width, size=size, style=style), size * LEADING / POINTS
        while lines:
            self.ensure_room(step)
            fits = max(1, int((BOTTOM - self.y) / step + 1e-6))
            with self.marked(Mark.TEXT):
                for line in lines[:fits]:
                    self.text(line, x, self.y, size=size, style=style, colour=colour)
                    self.y += step
            lines = lines[fits:]
        self.y += after

    def pieces(self, pieces: Iterable[LinePiece], *, x: float, width: float, size: float = 10) -> None:
        """Print pieces one after the other from the present `y` on, with line breaks between them where needed."""
        step, at = size * LEADING / POINTS, x
        self.ensure_room(step)
        for piece in pieces:
            needed = self.width_of(piece.text.rstrip(), size=size, style=piece.style)
            if at > x and at + needed > x + width:
                self.y, at = self.y + step, x
                self.ensure_room(step)
            (text,) = self.fit_lines(piece.text, width=width, size=size, style=piece.style, most=1) or [""]
            at = self.text(
                text, at, self.y, size=size, style=piece.style, colour=piece.colour, link=piece.link
            )
            if piece.text.endswith(" "):
                at += self.width_of(" ", size=size)
        self.y += step

    def heading(self, text: str) -> None:
        """Print a small heading, on the same page as the text that follows."""
        self.ensure_room(0.75)
        self.y += 0.12
        with self.marked(Mark.HEADING):
            self.text(text, MARGIN, self.y, size=11.5, style=BOLD, colour=ACCENT)
        self.y += 0.27

    def rule(self, x: float, y: float, width: float, *, weight: float, colour: Colour = INK) -> None:
        """Draw a line `weight` inches thick."""
        self.pdf.set_fill_color(*colour)
        with self.artifact():
            self.pdf.rect(x, y, width, weight, style="F")

    def box(self, x: float, y: float, width: float, height: float, *, colour: Colour = PALE) -> None:
        """Draw a thin frame."""
        self.pdf.set_draw_color(*colour)
        self.pdf.set_line_width(0.008)
        with self.artifact():
            self.pdf.rect(x, y, width, height)

    def bookmark(self, name: str, level: int) -> None:
        """Add this place to the document's outline."""
        with suppress(ValueError):  # the outline would skip a level
            self.pdf.set_y(max(0.0, self.y - 0.1))
            self.pdf.start_section(printable_line(name, 120) or "-", level=level)
