"""What an adjuster prints before the inspection: a divider sheet for each claim, and the label cards.

The program reads both in photos (`evidence.sight.codes`). So the codes are large, keep their white margin, and
have nothing dark beside them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Protocol

import numpy as np
from fpdf import FPDF
from numpy.typing import NDArray

from evidence.errors import BadInputError
from evidence.model import Claim
from evidence.paper.dates import day_text
from evidence.paper.typesetting import (
    BOLD,
    FAMILY,
    LETTER,
    POINTS,
    REGULAR,
    SUBSTITUTE,
    fitting_size,
    open_pdf,
    printable,
    save_pdf,
    wrapped,
)
from evidence.sight.codes import divider_qr, label_tag_image

MARGIN = 0.6
"""Inches from the edge; most printers print closer to it."""

QR_BOX = 4.7
"""Inches of the divider's code with its white margin; the code alone is 3.4 inches or more."""

QR_QUIET = 4
"""White margin in modules (ISO/IEC 18004)."""

CARD = (8.5, 5.5)
"""Inches: half a letter sheet."""

TAG_SHARE = 0.28
"""The tag's share of the card's area; `[cards] tag_share` in tags.toml has the same number."""

TAG_SIDE = math.sqrt(TAG_SHARE * CARD[0] * CARD[1])
"""Inches, 3.6: from 8 feet with a phone's wide lens, 45 pixels of a photo reduced to 1,600."""

TAG_CELLS = 8
CARDS_PER_PAGE = 2

GREY = (90, 90, 90)
BLACK = (0, 0, 0)

STEPS = (
    "Photograph this sheet first, before anything else at this house.",
    "Fill the picture with it, flat and without glare.",
    "Check that the code is sharp on the display.",
    "If you come back later, photograph it again.",
)
SAFETY = (
    "Stay safe: follow the local fall-protection rules and your own training on ladders and roofs. "
    "Nobody has to climb for a photo: if you cannot reach something safely, write that down instead."
)
MISSING = f"{SUBSTITUTE} marks a character that could not be printed. The code carries the number in full."

CARD_USE = "A card that fills the picture applies to the photos that follow. A small one applies to its own photo only."
CARD_END = "Ends the effect of the cards before it."
CARD_SAFETY = "Follow the local fall-protection rules. Nobody has to climb for a photo."


class LabelText(Protocol):
    """What is printed on a label card."""

    @property
    def number(self) -> int:
        """AprilTag 36h11 number."""
        ...

    @property
    def words(self) -> str:
        """The large print."""
        ...

    @property
    def ends(self) -> bool:
        """True for the card that ends the effect of the others."""
        ...


def divider_sheets(claims: Sequence[Claim], out: Path, *, replace: bool = True) -> int:
    """Write a PDF with one letter-size sheet for each claim, in the order given; returns the number of pages.

    Raises BadInputError without claims, for a claim number that does not fit a code, and when `out` cannot be
    written; DestinationError when the disk fails.
    """
    if not claims:
        raise BadInputError(
            "There is no claim to print a sheet for.", "Load claims first: evidence assignments FILE"
        )
    texts = [text for claim in claims for text in (claim.claim, *(value for _, value in _facts(claim)))]
    with open_pdf([*texts, *STEPS, SAFETY, MISSING], title="Divider sheets") as pdf:
        for claim in claims:
            pdf.add_page()
            _divider(pdf, claim)
        save_pdf(pdf, out, replace=replace)
        return pdf.pages_count


def label_cards(labels: Sequence[LabelText], out: Path, *, replace: bool = True) -> int:
    """Write a PDF with the label cards, two on a letter page to be cut apart; returns the number of pages.

    Raises BadInputError without cards and when `out` cannot be written; DestinationError when the disk fails.
    """
    if not labels:
        raise BadInputError("There is no label card to print.", "Add [[label]] tables to tags.toml.")
    texts = [label.words for label in labels]
    with open_pdf([*texts, CARD_USE, CARD_END, CARD_SAFETY], title="Label cards") as pdf:
        for place, label in enumerate(labels):
            row = place % CARDS_PER_PAGE
            if row == 0:
                pdf.add_page()
                _cut_line(pdf)
            _card(pdf, label, top=row * CARD[1])
        save_pdf(pdf, out, replace=replace)
        return pdf.pages_count


# --- the divider sheet ---------------------------------------------------------------------


def _divider(pdf: FPDF, claim: Claim) -> None:
    width = LETTER[0] - 2 * MARGIN
    number = printable(claim.claim)
    y = _text(pdf, "CLAIM", MARGIN, 0.55, size=13, style=BOLD, colour=GREY)
    size = fitting_size(pdf, number, width=width, largest=76, style=BOLD)
    if size >= 30:
        y = _text(pdf, number, MARGIN, y + 0.02, size=size, style=BOLD)
    else:
        y = _paragraph(pdf, number, MARGIN, y + 0.05, width=width, size=30, style=BOLD, most=3)
    y = _rule(pdf, max(y + 0.1, 1.75), MARGIN, width, weight=0.03)
    bottom = LETTER[1] - MARGIN - 0.5
    code_top = bottom - QR_BOX
    facts = _facts(claim)
    step = min(0.62, (code_top + 0.35 - y - 0.2) / len(facts))
    y += 0.16
    for name, value in facts:
        _fact(pdf, name, value, y, width)
        y += step
    _code(pdf, claim, code_top, number)
    _rule(pdf, bottom + 0.08, MARGIN, width, weight=0.01)
    _paragraph(pdf, SAFETY, MARGIN, bottom + 0.16, width=width, size=10.5, colour=GREY, most=3)


def _facts(claim: Claim) -> list[tuple[str, str]]:
    given = (
        ("Insured", claim.insured),
        ("Address", claim.address),
        ("Date of loss", day_text(claim.loss_date) if claim.loss_date else ""),
        ("Peril", claim.peril),
    )
    return [(name, printable(value).strip()) for name, value in given]


def _fact(pdf: FPDF, name: str, value: str, y: float, width: float) -> None:
    """Print a name and its value in large letters, smaller for a long value; without a value, a line to write on."""
    column = 1.55
    _text(pdf, name, MARGIN, y + 0.1, size=13, colour=GREY)
    if not value:
        _rule(pdf, y + 0.36, MARGIN + column, width - column, weight=0.008)
        return
    size = fitting_size(pdf, value, width=width - column, largest=23)
    if size >= 15:
        _text(pdf, value, MARGIN + column, y + (23 - size) / POINTS * 0.7, size=size)
    else:
        _paragraph(pdf, value, MARGIN + column, y, width=width - column, size=14, most=2)


def _code(pdf: FPDF, claim: Claim, top: float, number: str) -> None:
    """Print the QR code at the left, and how to photograph the sheet at the right of its white margin."""
    qr = divider_qr(claim.claim)
    cells = np.array([[bool(bit) for bit in row] for row in qr.matrix_iter(border=0)])
    module = QR_BOX / (len(cells) + 2 * QR_QUIET)
    left = MARGIN - 2 * module  # the margin of the paper is white too
    _cells(pdf, cells, left + QR_QUIET * module, top + QR_QUIET * module, module)
    x = left + QR_BOX
    width = LETTER[0] - MARGIN - x
    y = top + QR_QUIET * module
    for place, step in enumerate(STEPS, start=1):
        _text(pdf, str(place), x, y, size=15, style=BOLD)
        y = _paragraph(pdf, step, x + 0.3, y + 0.03, width=width - 0.3, size=12.5, most=6) + 0.16
    if SUBSTITUTE in number:
        _paragraph(pdf, MISSING, x, y, width=width, size=9, colour=GREY, most=4)


# --- the label card ------------------------------------------------------------------------


def _card(pdf: FPDF, label: LabelText, *, top: float) -> None:
    cell = TAG_SIDE / TAG_CELLS
    cells = label_tag_image(label.number, TAG_CELLS) == 0
    left = 0.55
    _cells(pdf, cells, left, top + (CARD[1] - TAG_SIDE) / 2, cell)
    x = left + TAG_SIDE + cell
    width = CARD[0] - 0.45 - x
    lines, size = _large_print(pdf, printable(label.words), width=width, height=TAG_SIDE - 1.0)
    leading = size * 1.12 / POINTS
    y = top + (CARD[1] - TAG_SIDE) / 2 + (TAG_SIDE - 1.0 - leading * len(lines)) / 2
    for line in lines:
        y = _text(pdf, line, x, y, size=size, style=BOLD, leading=leading)
    foot = top + (CARD[1] + TAG_SIDE) / 2
    _paragraph(pdf, CARD_END if label.ends else CARD_USE, x, foot - 0.78, width=width, size=10.5, most=3)
    _paragraph(pdf, CARD_SAFETY, x, foot - 0.1, width=width, size=8.5, colour=GREY, most=2)
    _text(pdf, f"Card {label.number}", left, foot + 0.12, size=8.5, colour=GREY)


def _large_print(pdf: FPDF, text: str, *, width: float, height: float) -> tuple[list[str], float]:
    """The lines and letter size at which the words are largest, without breaking a word."""
    words = text.split() or [" "]
    best: tuple[list[str], float] = ([text], 1.0)
    for cut in _divisions(words):
        size = min(fitting_size(pdf, line, width=width, largest=96, style=BOLD) for line in cut)
        size = min(size, height / len(cut) * POINTS / 1.12)
        if size > best[1] + 0.01:
            best = (cut, size)
    return best


def _divisions(words: list[str]) -> list[list[str]]:
    """Every way to divide the words into one to four lines; words after the sixth count as one."""
    if len(words) > 6:
        words = [*words[:5], " ".join(words[5:])]
    found = []
    for mask in range(1 << (len(words) - 1)):
        lines = [words[0]]
        for place, word in enumerate(words[1:]):
            if mask >> place & 1:
                lines.append(word)
            else:
                lines[-1] += f" {word}"
        if len(lines) <= 4:
            found.append(lines)
    return found


def _cut_line(pdf: FPDF) -> None:
    pdf.set_draw_color(*GREY)
    pdf.set_line_width(0.006)
    with pdf.local_context():
        pdf.set_dash_pattern(dash=0.08, gap=0.08)
        pdf.line(0.2, CARD[1], LETTER[0] - 0.2, CARD[1])


# --- drawing -------------------------------------------------------------------------------


def _cells(pdf: FPDF, dark: NDArray[np.bool_], x: float, y: float, side: float) -> None:
    """Print runs of dark cells as solid bars; rows overlap slightly, so that no printer leaves a white line."""
    pdf.set_fill_color(*BLACK)
    overlap = side * 0.004
    for row, cells in enumerate(dark):
        column = 0
        while column < len(cells):
            if not cells[column]:
                column += 1
                continue
            start = column
            while column < len(cells) and cells[column]:
                column += 1
            pdf.rect(x + start * side, y + row * side, (column - start) * side, side + overlap, style="F")


def _rule(pdf: FPDF, y: float, x: float, width: float, *, weight: float) -> float:
    pdf.set_fill_color(*BLACK)
    pdf.rect(x, y, width, weight, style="F")
    return y + weight


def _text(
    pdf: FPDF, text: str, x: float, y: float, *, size: float, style: str = REGULAR,
    colour: tuple[int, int, int] = BLACK, leading: float | None = None,
) -> float:  # fmt: skip
    """Print one line with its top at `y`; returns the y below it."""
    height = leading or size * 1.25 / POINTS
    pdf.set_font(FAMILY, style, size)
    pdf.set_text_color(*colour)
    pdf.set_xy(x, y)
    pdf.cell(w=0, h=height, text=text)
    return y + height


def _paragraph(
    pdf: FPDF, text: str, x: float, y: float, *, width: float, size: float, most: int, style: str = REGULAR,
    colour: tuple[int, int, int] = BLACK,
) -> float:  # fmt: skip
    """Print wrapped lines, in smaller letters if there were more than `most`; returns the y below them."""
    lines = wrapped(pdf, text, width=width, size=size, style=style)
    while len(lines) > most and size > 5:
        size *= 0.9
        lines = wrapped(pdf, text, width=width, size=size, style=style)
    for line in lines[:most]:
        y = _text(pdf, line, x, y, size=size, style=style, colour=colour)
    return y
