"""The perceptual hash of the same picture turned or mirrored, worked out from the hash alone.

The hash holds, row by row, for 8 x 8 coefficients of the picture's discrete cosine transform (type II) whether each is
above their median. Mirroring a picture changes the sign of the coefficients with an odd frequency in that direction, and
transposing it exchanges rows and columns (symmetries of the transform, from memory). The median is close to zero, so a
changed sign nearly always changes the bit: few bits differ from the hash of the turned picture.
"""

from __future__ import annotations

from enum import StrEnum

_SIDE = 8
"""Rows, and columns, of coefficients."""


class Turned(StrEnum):
    """How the other picture is turned or mirrored; the value completes 'it is ...'."""

    NOT = ""
    MIRRORED = "mirrored"
    UPSIDE_DOWN = "turned by 180 degrees"
    UPSIDE_DOWN_MIRRORED = "turned by 180 degrees and mirrored"
    RIGHT = "turned right by 90 degrees"
    LEFT = "turned left by 90 degrees"
    RIGHT_MIRRORED = "turned right by 90 degrees and mirrored"
    LEFT_MIRRORED = "turned left by 90 degrees and mirrored"


def turned_hashes(phash: str) -> dict[Turned, str]:
    """The hashes of the picture turned and mirrored in all eight ways, itself first; 16 hexadecimal digits each."""
    code = int(phash, 16)
    across = _transposed(code)
    codes = {
        Turned.NOT: code,
        Turned.MIRRORED: code ^ _ODD_COLUMNS,
        Turned.UPSIDE_DOWN: code ^ _ODD_COLUMNS ^ _ODD_ROWS,
        Turned.UPSIDE_DOWN_MIRRORED: code ^ _ODD_ROWS,
        Turned.RIGHT: across ^ _ODD_COLUMNS,
        Turned.LEFT: across ^ _ODD_ROWS,
        Turned.RIGHT_MIRRORED: across,
        Turned.LEFT_MIRRORED: across ^ _ODD_COLUMNS ^ _ODD_ROWS,
    }
    return {turned: f"{value:016x}" for turned, value in codes.items()}


def _bit(row: int, column: int) -> int:
    """The bit of one coefficient: the highest is that of the first row and column."""
    return 1 << (_SIDE * _SIDE - 1 - (_SIDE * row + column))


_CELLS = [(row, column) for row in range(_SIDE) for column in range(_SIDE)]
_ODD_COLUMNS = sum(_bit(row, column) for row, column in _CELLS if column % 2)
_ODD_ROWS = sum(_bit(row, column) for row, column in _CELLS if row % 2)


def _transposed(code: int) -> int:
    return sum(_bit(column, row) for row, column in _CELLS if code & _bit(row, column))
