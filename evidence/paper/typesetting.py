"""One embedded typeface in two weights, text that fits a width; a PDF is opened with its texts and saved whole.

Noto Sans is one variable font of 3,000 characters. Making a plain weight of all of them takes seconds; of the
characters that a document uses, a fraction of a second. So a document is opened with the texts that it will print.
Lengths are inches, letter sizes points (1/72 inch).
"""

from __future__ import annotations

import contextlib
import io
import tempfile
import unicodedata
from collections.abc import Iterable, Iterator
from functools import cache
from importlib import resources
from pathlib import Path

from fontTools import subset
from fontTools.ttLib import TTFont
from fontTools.varLib import instancer
from fpdf import FPDF
from fpdf.fonts import TTFFont

from evidence.paper.output import write_whole

FAMILY = "NotoSans"
REGULAR, BOLD = "", "B"
WEIGHTS = {REGULAR: 400, BOLD: 700}
"""Values of the font's weight axis; CSS and OpenType call 400 regular and 700 bold."""

LETTER = (8.5, 11.0)
"""Inches, ANSI A: the usual paper of an office in the United States."""

SUBSTITUTE = "\N{REPLACEMENT CHARACTER}"
"""Printed for a character that the typeface lacks, so that a reader sees that something is missing."""

ASCII = "".join(map(chr, range(0x20, 0x7F)))

POINTS = 72.0
"""Points per inch."""


def printable(text: str) -> str:
    """The text as it can be printed: composed (NFC), control characters as spaces, missing characters substituted."""
    available = _characters()
    composed = unicodedata.normalize("NFC", text)
    spaced = "".join(" " if unicodedata.category(c) in ("Cc", "Zl", "Zp") else c for c in composed)
    return "".join(c if ord(c) in available else SUBSTITUTE for c in spaced)


@contextlib.contextmanager
def open_pdf(texts: Iterable[str], *, title: str, standard: str | None = None) -> Iterator[FPDF]:
    """A new letter-size PDF in inches, without margins and automatic page breaks, in the regular weight.

    It can print ASCII and every character of `texts`, each after `printable`. `standard` is one that fpdf2 can
    enforce, such as `PDF/A-2B`.
    """
    characters = frozenset(ASCII + SUBSTITUTE).union(*(printable(text) for text in texts))
    pdf = FPDF(unit="in", format="letter", enforce_compliance=standard)
    pdf.set_title(title)
    pdf.set_lang("en-US")
    pdf.set_margin(0)
    pdf.set_auto_page_break(False)
    pdf.c_margin = 0
    with tempfile.TemporaryDirectory(prefix="evidence-", ignore_cleanup_errors=True) as folder:
        for style, weight in WEIGHTS.items():
            file = Path(folder, f"{FAMILY}-{weight}.ttf")
            file.write_bytes(_subset_font(characters, weight))
            pdf.add_font(FAMILY, style, file)
        pdf.set_font(FAMILY, REGULAR, 10)
        try:
            yield pdf
        finally:
            for font in pdf.fonts.values():
                if isinstance(font, TTFFont):
                    font.ttfont.close()  # a system that locks open files could not delete the folder


def text_width(pdf: FPDF, text: str) -> float:
    """Inches that a printable text takes in the font and size that are set; the library's own way takes ten times as long."""
    font = pdf.current_font
    assert isinstance(font, TTFFont)
    return font.get_text_width(text, pdf.font_size_pt, None)[1] / POINTS


def fitting_size(pdf: FPDF, text: str, *, width: float, largest: float, style: str = REGULAR) -> float:
    """The size in points, `largest` at most, at which the text is no wider than `width` inches."""
    pdf.set_font(FAMILY, style, largest)
    needed = text_width(pdf, text)
    return largest if needed <= width else largest * width / needed


def wrapped(pdf: FPDF, text: str, *, width: float, size: float, style: str = REGULAR) -> list[str]:
    """The text in lines no wider than `width` inches; a word that is too long is broken."""
    pdf.set_font(FAMILY, style, size)
    space = text_width(pdf, " ")
    lines: list[str] = []
    line, taken = "", 0.0
    for word in text.split():
        wide = text_width(pdf, word)
        joined, needed = (f"{line} {word}", taken + space + wide) if line else (word, wide)
        if needed <= width:
            line, taken = joined, needed
            continue
        if line:
            lines.append(line)
        *broken, line = _broken(pdf, word, width)
        lines.extend(broken)
        taken = text_width(pdf, line)
    return [*lines, line] if line or not lines else lines


def _broken(pdf: FPDF, word: str, width: float) -> list[str]:
    """A word in pieces that fit, broken after a hyphen or a slash if it has one."""
    pieces = [""]
    for letter in word:
        if pieces[-1] and text_width(pdf, pieces[-1] + letter) > width:
            cut = max(pieces[-1].rfind("-"), pieces[-1].rfind("/")) + 1 or len(pieces[-1])
            pieces[-1:] = [pieces[-1][:cut], pieces[-1][cut:]]
        pieces[-1] += letter
    return pieces


def save_pdf(pdf: FPDF, out: Path, *, replace: bool = True) -> None:
    """Write the PDF as `write_whole` does, with its errors."""
    write_whole(pdf.output(), out, replace=replace)


@cache
def _source() -> bytes:
    file = resources.files("fontpkg_noto_sans") / "files" / "NotoSans[wdth,wght].ttf"
    return file.read_bytes()


@cache
def _characters() -> frozenset[int]:
    with TTFont(io.BytesIO(_source()), lazy=True) as font:
        return frozenset(font.getBestCmap())


@cache
def _subset_font(characters: frozenset[str], weight: int) -> bytes:
    """A plain font file of these characters in that weight; cutting the font down first makes the rest quick."""
    options = subset.Options(hinting=False, glyph_names=False, notdef_outline=True)
    options.layout_features = []
    options.drop_tables += ["GSUB", "GPOS", "GDEF"]
    font = TTFont(io.BytesIO(_source()), lazy=True)
    cutter = subset.Subsetter(options)
    cutter.populate(text="".join(characters))
    cutter.subset(font)
    plain = instancer.instantiateVariableFont(font, {"wght": weight, "wdth": 100})
    target = io.BytesIO()
    plain.save(target)
    return target.getvalue()
