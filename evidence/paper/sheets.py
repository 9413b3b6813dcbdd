"""What an adjuster prints before driving out: a divider sheet for each claim, and the label cards.

Both are read back from photographs (`evidence.sight.codes`), so the codes come first and the page is
built around them: large, with their white margin, and with nothing else dark beside them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Protocol

import numpy as np
from fpdf import FPDF
from numpy.typing import NDArray

from evidence.errors import BadInputError
from evidence.model import Claim
from evidence.paper.type import (
    BOLD,
    FAMILY,
    LETTER,
    POINTS,
    REGULAR,
    SUBSTITUTE,
    fitting_size,
    open_paper,
    printable,
    save,
    wrapped,
)
from evidence.sight.codes import divider_qr, label_tag_image

MARGIN = 0.6
"""Inches that most printers can reach with room to spare."""

QR_BOX = 4.7
"""Inches of the divider's code with its white margin; the smallest code itself is then 3.4."""

QR_QUIET = 4
"""Modules of white margin (ISO/IEC 18004)."""

CARD = (8.5, 5.5)
"""Inches: half a letter sheet, held in one hand."""

TAG_SHARE = 0.28
"""Area of the tag as a share of its card's. `[cards] tag_share` in tags.toml tells the reader the same."""

TAG_SIDE = math.sqrt(TAG_SHARE * CARD[0] * CARD[1])
"""Inches, 3.6: at 8 feet with a phone's wide lens still 45 pixels of a photo reduced to 1,600."""

TAG_CELLS = 8
CARDS_A_PAGE = 2

GREY = (90, 90, 90)
BLACK = (0, 0, 0)

MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip

STEPS = (
    "Photograph this sheet first, before anything else at this house.",
    "Let it fill the picture, flat and out of the glare.",
    "Check that the code is sharp on the display.",
    "Coming back later? Photograph it again: the claim goes on.",
)
SAFETY = (
    "Stay safe: follow the local fall-protection rules and your own training on ladders and roofs. "
    "Nobody has to climb for a photo; what cannot be reached safely is written down instead."
)
MISSING = f"{SUBSTITUTE} marks a character that could not be printed. The code carries the number in full."

CARD_USE = "Fills the picture: holds for the photos that follow. Held small: for its own photo only."
CARD_END = "Ends what the cards before it said."
CARD_SAFETY = "Follow the local fall-protection rules. Nobody has to climb for a photo."


class LabelWords(Protocol):
    """What is printed of a label card; `evidence.tags.vocabulary.LabelCard` is one."""

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
        """True for the card that ends the others."""
        ...


def divider_sheets(claims: Sequence[Claim], out: Path) -> int:
    """Write a PDF with one letter-size sheet a claim, in the order given; the number of pages.

    Raises BadInputError when there is no claim, when a number does not fit a code or when `out` cannot
    be written, DestinationError when the disk fails.
    """
    if not claims:
        raise BadInputError("There is no claim to print a sheet for.", "Load assignments first.")
    texts = [text for claim in claims for text in (claim.claim, *(value for _, value in _facts(claim)))]
    with open_paper([*texts, *STEPS, SAFETY, MISSING], title="Divider sheets") as pdf:
        for claim in claims:
            pdf.add_page()
            _divider(pdf, claim)
        save(pdf, out)
        return pdf.pages_count


def label_cards(labels: Sequence[LabelWords], out: Path) -> int:
    """Write a PDF with the label cards, two a letter page to be cut apart; the number of pages.

    Raises BadInputError when there is no card or when `out` cannot be written, DestinationError when
    the disk fails.
    """
    if not labels:
        raise BadInputError("There is no label card to print.", "Add [[label]] tables to tags.toml.")
    texts = [label.words for label in labels]
    with open_paper([*texts, CARD_USE, CARD_END, CARD_SAFETY], title="Label cards") as pdf:
        for place, label in enumerate(labels):
            row = place % CARDS_A_PAGE
            if row == 0:
                pdf.add_page()
                _cut_line(pdf)
            _card(pdf, label, top=row * CARD[1])
        save(pdf, out)
        return pdf.pages_count


# --- the divider sheet ---------------------------------------------------------------------


def _divider(pdf: FPDF, claim: Claim) -> None:
    width = LETTER[0] - 2 * MARGIN
    number = printable(claim.claim)
    y = _say(pdf, "CLAIM", MARGIN, 0.55, size=13, style=BOLD, colour=GREY)
    size = fitting_size(pdf, number, width=width, largest=76, style=BOLD)
    if size >= 30:
        y = _say(pdf, number, MARGIN, y + 0.02, size=size, style=BOLD)
    else:
        y = _block(pdf, number, MARGIN, y + 0.05, width=width, size=30, style=BOLD, most=3)
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
    _block(pdf, SAFETY, MARGIN, bottom + 0.16, width=width, size=10.5, colour=GREY, most=3)


def _facts(claim: Claim) -> list[tuple[str, str]]:
    given = (
        ("Insured", claim.insured),
        ("Address", claim.address),
        ("Date of loss", _day(claim.loss_date) if claim.loss_date else ""),
        ("Peril", claim.peril),
    )
    return [(name, printable(value).strip()) for name, value in given]


def _day(day: date) -> str:
    return f"{MONTHS[day.month - 1]} {day.day}, {day.year}"


def _fact(pdf: FPDF, name: str, value: str, y: float, width: float) -> None:
    """A name in grey and its value in large print, smaller when long; a line to write on when there is none."""
    column = 1.55
    _say(pdf, name, MARGIN, y + 0.1, size=13, colour=GREY)
    if not value:
        _rule(pdf, y + 0.36, MARGIN + column, width - column, weight=0.008)
        return
    size = fitting_size(pdf, value, width=width - column, largest=23)
    if size >= 15:
        _say(pdf, value, MARGIN + column, y + (23 - size) / POINTS * 0.7, size=size)
    else:
        _block(pdf, value, MARGIN + column, y, width=width - column, size=14, most=2)


def _code(pdf: FPDF, claim: Claim, top: float, number: str) -> None:
    """The QR code at the left, how to photograph the sheet at the right of its white margin."""
    qr = divider_qr(claim.claim)
    cells = np.array([[bool(bit) for bit in row] for row in qr.matrix_iter(border=0)])
    module = QR_BOX / (len(cells) + 2 * QR_QUIET)
    left = MARGIN - 2 * module  # the paper's own margin is white too
    _cells(pdf, cells, left + QR_QUIET * module, top + QR_QUIET * module, module)
    x = left + QR_BOX
    width = LETTER[0] - MARGIN - x
    y = top + QR_QUIET * module
    for place, step in enumerate(STEPS, start=1):
        _say(pdf, str(place), x, y, size=15, style=BOLD)
        y = _block(pdf, step, x + 0.3, y + 0.03, width=width - 0.3, size=12.5, most=6) + 0.16
    if SUBSTITUTE in number:
        _block(pdf, MISSING, x, y, width=width, size=9, colour=GREY, most=4)


# --- the label card ------------------------------------------------------------------------


def _card(pdf: FPDF, label: LabelWords, *, top: float) -> None:
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
        y = _say(pdf, line, x, y, size=size, style=BOLD, leading=leading)
    foot = top + (CARD[1] + TAG_SIDE) / 2
    _block(pdf, CARD_END if label.ends else CARD_USE, x, foot - 0.78, width=width, size=10.5, most=3)
    _block(pdf, CARD_SAFETY, x, foot - 0.1, width=width, size=8.5, colour=GREY, most=2)
    _say(pdf, f"Card {label.number}", left, foot + 0.12, size=8.5, colour=GREY)


def _large_print(pdf: FPDF, text: str, *, width: float, height: float) -> tuple[list[str], float]:
    """The words in as few lines and as large as the room allows, never breaking inside a word."""
    words = text.split() or [" "]
    best: tuple[list[str], float] = ([text], 1.0)
    for cut in _divisions(words):
        size = min(fitting_size(pdf, line, width=width, largest=96, style=BOLD) for line in cut)
        size = min(size, height / len(cut) * POINTS / 1.12)
        if size > best[1] + 0.01:
            best = (cut, size)
    return best


def _divisions(words: list[str]) -> list[list[str]]:
    """Every way to put the words on one to four lines in order; words past the sixth stay together."""
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


# --- strokes -------------------------------------------------------------------------------


def _cells(pdf: FPDF, dark: NDArray[np.bool_], x: float, y: float, side: float) -> None:
    """Dark cells as solid runs; neighbours overlap by a hair, so that no printer leaves a seam."""
    pdf.set_fill_color(*BLACK)
    hair = side * 0.004
    for row, cells in enumerate(dark):
        column = 0
        while column < len(cells):
            if not cells[column]:
                column += 1
                continue
            start = column
            while column < len(cells) and cells[column]:
                column += 1
            pdf.rect(x + start * side, y + row * side, (column - start) * side, side + hair, style="F")


def _rule(pdf: FPDF, y: float, x: float, width: float, *, weight: float) -> float:
    pdf.set_fill_color(*BLACK)
    pdf.rect(x, y, width, weight, style="F")
    return y + weight


def _say(
    pdf: FPDF, text: str, x: float, y: float, *, size: float, style: str = REGULAR,
    colour: tuple[int, int, int] = BLACK, leading: float | None = None,
) -> float:  # fmt: skip
    """One line with its top at `y`; where the next one begins."""
    height = leading or size * 1.25 / POINTS
    pdf.set_font(FAMILY, style, size)
    pdf.set_text_color(*colour)
    pdf.set_xy(x, y)
    pdf.cell(w=0, h=height, text=text)
    return y + height


def _block(
    pdf: FPDF, text: str, x: float, y: float, *, width: float, size: float, most: int, style: str = REGULAR,
    colour: tuple[int, int, int] = BLACK,
) -> float:  # fmt: skip
    """Wrapped lines, smaller when they would be more than `most`; where the next text begins."""
    lines = wrapped(pdf, text, width=width, size=size, style=style)
    while len(lines) > most and size > 5:
        size *= 0.9
        lines = wrapped(pdf, text, width=width, size=size, style=style)
    for line in lines[:most]:
        y = _say(pdf, line, x, y, size=size, style=style, colour=colour)
    return y
