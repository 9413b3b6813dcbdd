"""Letters on our PDFs: one embedded typeface in two weights, and pages written whole or not at all.

Noto Sans comes as one variable font of 3,000 characters. Making a plain weight of all of it takes
some seconds; of the characters a document uses, a fraction of one. So a document is opened with the
texts it will print. Lengths are inches, sizes of letters points (1/72 inch).
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
import secrets
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

from evidence.errors import BadInputError, DestinationError

FAMILY = "NotoSans"
REGULAR, BOLD = "", "B"
WEIGHTS = {REGULAR: 400, BOLD: 700}
"""On the font's own axis; 400 and 700 are what CSS and OpenType call regular and bold."""

LETTER = (8.5, 11.0)
"""Inches, ANSI A: the paper an office in the United States has."""

SUBSTITUTE = "\N{REPLACEMENT CHARACTER}"
"""Stands where the typeface lacks a character, so that a reader sees that something is missing."""

ASCII = "".join(map(chr, range(0x20, 0x7F)))

POINTS = 72.0
"""Points an inch."""

_DISK_TROUBLE = {errno.ENOSPC, errno.EIO, getattr(errno, "EDQUOT", errno.ENOSPC)}


def printable(text: str) -> str:
    """The text as it can be set: composed (NFC), control characters as spaces, strangers substituted."""
    known = _characters()
    composed = unicodedata.normalize("NFC", text)
    spaced = "".join(" " if unicodedata.category(c) in ("Cc", "Zl", "Zp") else c for c in composed)
    return "".join(c if ord(c) in known else SUBSTITUTE for c in spaced)


@contextlib.contextmanager
def open_paper(texts: Iterable[str], *, title: str, standard: str | None = None) -> Iterator[FPDF]:
    """A new letter-size PDF in inches, without margins or page breaks of its own, regular face chosen.

    `standard` is one that fpdf2 can hold itself to, `PDF/A-2B` for instance. It can set ASCII and every character of `texts`, each passed through `printable` before it is set.
    """
    characters = frozenset(ASCII + SUBSTITUTE).union(*(printable(text) for text in texts))
    pdf = FPDF(unit="in", format="letter", enforce_compliance=standard)
    pdf.set_title(title)
    pdf.set_margin(0)
    pdf.set_auto_page_break(False)
    pdf.c_margin = 0
    with tempfile.TemporaryDirectory(prefix="evidence-", ignore_cleanup_errors=True) as folder:
        for style, weight in WEIGHTS.items():
            file = Path(folder, f"{FAMILY}-{weight}.ttf")
            file.write_bytes(_face(characters, weight))
            pdf.add_font(FAMILY, style, file)
        pdf.set_font(FAMILY, REGULAR, 10)
        try:
            yield pdf
        finally:
            for font in pdf.fonts.values():
                if isinstance(font, TTFFont):
                    font.ttfont.close()  # or the folder could not go, on systems that lock open files


def fitting_size(pdf: FPDF, text: str, *, width: float, largest: float, style: str = REGULAR) -> float:
    """The size in points, `largest` at most, at which the text is no wider than `width` inches."""
    pdf.set_font(FAMILY, style, largest)
    needed = pdf.get_string_width(text)
    return largest if needed <= width else largest * width / needed


def wrapped(pdf: FPDF, text: str, *, width: float, size: float, style: str = REGULAR) -> list[str]:
    """The text in lines no wider than `width` inches; a longer word is broken within."""
    pdf.set_font(FAMILY, style, size)
    lines: list[str] = []
    line = ""
    for word in text.split():
        joined = f"{line} {word}" if line else word
        if pdf.get_string_width(joined) <= width:
            line = joined
            continue
        if line:
            lines.append(line)
        *broken, line = _broken(pdf, word, width)
        lines.extend(broken)
    return [*lines, line] if line or not lines else lines


def _broken(pdf: FPDF, word: str, width: float) -> list[str]:
    """A word in pieces that fit, cut after a hyphen or a slash where there is one."""
    pieces = [""]
    for letter in word:
        if pieces[-1] and pdf.get_string_width(pieces[-1] + letter) > width:
            cut = max(pieces[-1].rfind("-"), pieces[-1].rfind("/")) + 1 or len(pieces[-1])
            pieces[-1:] = [pieces[-1][:cut], pieces[-1][cut:]]
        pieces[-1] += letter
    return pieces


def save(pdf: FPDF, out: Path) -> None:
    """Write the PDF whole under its name, or leave what stood there; a file of that name is replaced.

    Raises BadInputError where the place cannot be written, DestinationError where the disk fails or is full.
    """
    write_whole(pdf.output(), out)


def write_whole(data: bytes | bytearray, out: Path) -> None:
    """Write a file whole under its name, or leave what stood there; a file of that name is replaced.

    Raises BadInputError where the place cannot be written, DestinationError where the disk fails or is full.
    """
    part = out.with_name(f"{out.name}.{secrets.token_hex(4)}.part")
    try:
        if out.is_dir():
            raise IsADirectoryError(errno.EISDIR, "it is a folder")
        with part.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.replace(out)
    except OSError as problem:
        with contextlib.suppress(OSError):
            part.unlink()
        full = problem.errno in _DISK_TROUBLE
        raise (DestinationError if full else BadInputError)(
            f"{out} cannot be written: {problem.strerror or problem}.",
            "Free some space and try again." if full else "Name a file in a folder you may write to.",
        ) from problem


@cache
def _source() -> bytes:
    file = resources.files("fontpkg_noto_sans") / "files" / "NotoSans[wdth,wght].ttf"
    return file.read_bytes()


@cache
def _characters() -> frozenset[int]:
    with TTFont(io.BytesIO(_source()), lazy=True) as font:
        return frozenset(font.getBestCmap())


@cache
def _face(characters: frozenset[str], weight: int) -> bytes:
    """A plain font file of these characters in that weight: subset first, which makes the rest quick."""
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
