"""The table in a list of claims: text with commas, semicolons or tabs, or an xlsx workbook, with its line numbers."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path
from zipfile import BadZipFile, ZipFile

from evidence.errors import BadInputError, counted

MAX_BYTES = 20_000_000
"""Far more than any office's list needs; a larger file is refused."""
MAX_UNPACKED = 100_000_000
"""Bytes that the parts of a workbook may have together. A zip file can hold a thousand times its own size."""
MAX_PARTS = 2_000
"""Files inside a workbook; a usual one has about ten."""
MAX_ROWS = 50_000
MAX_COLUMNS = 200

DELIMITERS = ",;\t"
ZIP = b"PK\x03\x04"
OLE = b"\xd0\xcf\x11\xe0"
"""How a workbook in the format before xlsx begins (Microsoft, MS-CFB, section 2.2)."""
UTF16 = (b"\xff\xfe", b"\xfe\xff")


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line of the table. `line` counts the file's lines, or the worksheet's rows, from 1."""

    line: int
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TableFile:
    """The rows of a list that are not empty; the first is the heading."""

    rows: tuple[Row, ...]
    decimal_comma: bool
    """True where a comma in a number cannot end its cell."""
    notes: tuple[str, ...] = ()


def read_table(path: Path, known: Callable[[str], bool]) -> TableFile:
    """The table in the file; `known` tells whether a heading is one of ours, which decides between delimiters.

    Raises BadInputError when the file is missing, too large, neither text nor xlsx, or its quotes do not match.
    """
    content = _content(path)
    if content.startswith(ZIP):
        return _workbook(path, content)
    if content.startswith(OLE):
        raise BadInputError(
            f"{path.name} is a workbook in the format before xlsx.", "Save it as .xlsx or as CSV UTF-8."
        )
    text, notes = _text(path, content)
    return _delimited(path, text, notes, known)


def _content(path: Path) -> bytes:
    try:
        if path.stat().st_size > MAX_BYTES:
            raise BadInputError(
                f"{path.name} is too large for a list of claims.", "Check that it is the right file."
            )
        return path.read_bytes()
    except FileNotFoundError:
        raise BadInputError(f"There is no file {path}.", "Give the path of the list of claims.") from None
    except (OSError, ValueError) as trouble:
        why = getattr(trouble, "strerror", None) or trouble
        raise BadInputError(f"{path} cannot be read: {why}.", "Check that you may read this file.") from None


def _text(path: Path, content: bytes) -> tuple[str, tuple[str, ...]]:
    """The file's text: UTF-8, UTF-16 with its mark, or Windows-1252, which a note tells."""
    notes: tuple[str, ...] = ()
    try:
        if content.startswith(UTF16):
            return content.decode("utf-16"), ()
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        try:
            text, notes = content.decode("cp1252"), ("Read as Windows-1252 text: it is not UTF-8.",)
        except UnicodeDecodeError as trouble:
            raise BadInputError(
                f"{path.name} is neither UTF-8 nor Windows-1252 text (byte {trouble.start}).",
                "Save it as 'CSV UTF-8' and load it again.",
            ) from None
    if text.count("\0") * 20 > len(text):
        raise BadInputError(f"{path.name} is not a text file.", "Save the list as CSV UTF-8 or as .xlsx.")
    return text, notes


def _delimited(path: Path, text: str, notes: tuple[str, ...], known: Callable[[str], bool]) -> TableFile:
    lines = text.splitlines()
    skipped = 0
    delimiter = ""
    if lines and (stated := lines[0].strip().casefold()).startswith("sep=") and len(stated) == len("sep=;"):
        delimiter, skipped = (
            lines[0].strip()[-1],
            1,
        )  # some spreadsheets write the delimiter above the heading
        text = text.split("\n", 1)[1] if "\n" in text else ""
    if not delimiter:
        heading = next((line for line in lines if line.strip()), "")
        delimiter = max(DELIMITERS, key=lambda one: _score(heading, one, known))
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        read = [(reader.line_num + skipped, tuple(map(_clean, cells))) for cells in reader]
    except csv.Error as trouble:
        raise BadInputError(
            f"{path.name}, line {reader.line_num + skipped}: {trouble}.",
            "Fix the quotes on that line and load the file again.",
        ) from None
    rows = tuple(Row(line=line, cells=cells) for line, cells in read if any(cells))
    return TableFile(rows=rows, decimal_comma=delimiter != ",", notes=notes)


def _score(heading: str, delimiter: str, known: Callable[[str], bool]) -> tuple[int, int]:
    """How well a delimiter divides the heading: known columns first, then cells."""
    try:
        cells = next(csv.reader([heading], delimiter=delimiter), [])
    except csv.Error:
        return 0, 0
    return sum(known(cell) for cell in cells), len(cells)


# --- workbooks ---------------------------------------------------------------------------


def _workbook(path: Path, content: bytes) -> TableFile:
    _refuse_bomb(path, content)
    from openpyxl import load_workbook  # noqa: PLC0415 - only a workbook needs it

    try:
        book = load_workbook(io.BytesIO(content), read_only=True, data_only=True, keep_links=False)
        sheets = [one for one in book.worksheets if one.sheet_state == "visible"]
        for sheet in sheets[:1]:
            sheet.reset_dimensions()  # the size that a file states may be wrong
        rows = tuple(_sheet_rows(path, sheets[0].iter_rows(max_col=MAX_COLUMNS))) if sheets else ()
    except BadInputError:
        raise
    except Exception as trouble:  # the library lets many kinds of error through for a damaged file
        raise BadInputError(
            f"{path.name} is not a workbook that can be read ({type(trouble).__name__}).",
            "Open it in a spreadsheet, save it as CSV UTF-8, and load that.",
        ) from None
    notes = (f"Only the worksheet '{sheets[0].title}' was read.",) if len(sheets) > 1 else ()
    return TableFile(rows=rows, decimal_comma=True, notes=notes)


def _refuse_bomb(path: Path, content: bytes) -> None:
    """Raise BadInputError for a file that unpacks to more than a list can need, before anything is unpacked."""
    try:
        with ZipFile(io.BytesIO(content)) as parts:
            infos = parts.infolist()
    except (BadZipFile, ValueError, OSError, NotImplementedError):
        raise BadInputError(
            f"{path.name} is a damaged workbook.", "Save it again as .xlsx or as CSV UTF-8."
        ) from None
    if len(infos) > MAX_PARTS or sum(one.file_size for one in infos) > MAX_UNPACKED:
        raise BadInputError(
            f"{path.name} unpacks to more than a list of claims can need.", "Check that it is the right file."
        )


def _sheet_rows(path: Path, rows: Iterator[tuple[object, ...]]) -> Iterator[Row]:
    for line, cells in enumerate(rows, start=1):
        if line > MAX_ROWS:
            raise BadInputError(
                f"{path.name} has more than {counted(MAX_ROWS, 'row')}.", "Check that it is the right file."
            )
        texts = [_cell_text(getattr(cell, "value", None)) for cell in cells]
        while texts and not texts[-1]:
            texts.pop()
        if texts:
            yield Row(line=line, cells=tuple(texts))


def _cell_text(value: object) -> str:
    """A cell as the same list in CSV would have it: dates in ISO 8601, whole numbers without a point."""
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat(" ", "minutes")
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, float) and value.is_integer() and abs(value) < 2**53:
        return str(int(value))
    return _clean(str(value))


def _clean(cell: str) -> str:
    """A cell without blanks at its ends; a no-break space, as spreadsheets write it, is a space."""
    return cell.replace("\u00a0", " ").strip()
