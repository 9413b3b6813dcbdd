"""Drawn photographs of paper: claim sheets, and what is paper, or bright and lettered, but no claim sheet."""

from __future__ import annotations

import cv2
import numpy as np
from support_drawn import Trouble, grain, lay, letters, photographed, quad, table, yard

PRINT = "noto-sans"
WORDS = [
    "roof",
    "gutter",
    "walked",
    "along",
    "the",
    "old",
    "house",
    "where",
    "rain",
    "had",
    "fallen",
    "on",
    "stone",
    "and",
    "slate",
    "until",
    "evening",
    "came",
]


def _set(
    page: np.ndarray, lines: list[str], face: str, size: int, at: tuple[int, int], ink: tuple[int, int, int]
) -> None:
    """Print lines onto a page, their upper left at (x, y)."""
    mask = letters(lines, face, size)
    x, y = at
    part = page[y : y + mask.shape[0], x : x + mask.shape[1]]
    cover = mask[: part.shape[0], : part.shape[1], None]
    part[:] = part * (1 - cover) + np.array(ink, np.float32) * cover


def _prose(rng: np.random.Generator, lines: int, words: int = 7) -> list[str]:
    return [" ".join(WORDS[int(k)] for k in rng.integers(len(WORDS), size=words)) for _ in range(lines)]


def sheet_page(lines: list[str], face: str = PRINT, size: int = 70) -> np.ndarray:
    """A letter-sized page, 1,100 x 850, with a few lines on its upper half, RGB."""
    page = np.full((1100, 850, 3), 244, np.float32)
    _set(page, lines, face, size, (40, 90), (20, 20, 24))
    return page


def sheet_photo(
    lines: list[str],
    rng: np.random.Generator,
    trouble: Trouble,
    share: float = 0.5,
    face: str = PRINT,
    size: int = 70,
) -> np.ndarray:
    """A claim's sheet on a table or a truck's seat, 8-bit RGB."""
    page = sheet_page(lines, face, size)
    return photographed(lay(table(rng), page, quad(rng, page.shape[:2], share, trouble)), rng, trouble)


def yard_sign(rng: np.random.Generator, trouble: Trouble) -> np.ndarray:
    """A coloured sign on a lawn, 8-bit RGB."""
    sign = np.empty((600, 900, 3), np.float32)
    sign[:] = [(190, 30, 40), (30, 60, 150), (245, 245, 240)][rng.integers(3)]
    white = sign[0, 0].mean() > 200
    _set(sign, ["FOR SALE", "BY OWNER"], PRINT, 150, (20, 60), (180, 20, 30) if white else (250, 250, 250))
    return photographed(
        lay(yard(rng), sign, quad(rng, sign.shape[:2], rng.uniform(0.15, 0.35), trouble)), rng, trouble
    )


def banknote(rng: np.random.Generator, trouble: Trouble) -> np.ndarray:
    """A made-up note on a table, 8-bit RGB: tinted, engraved, 2.35 times as long as high."""
    note = np.empty((400, 940, 3), np.float32)
    note[:] = [(200, 212, 190), (196, 200, 214), (216, 200, 180)][rng.integers(3)]
    rings = np.hypot(*np.meshgrid(np.arange(940) - 470, np.arange(400) - 200))
    note += 18 * np.sin(rings / 5)[..., None] + 8 * grain(rng, 940, 400, 6)[..., None]
    cv2.ellipse(note, (470, 200), (110, 150), 0, 0, 360, (120, 130, 116), -1)
    for x, y in ((30, 20), (760, 20), (30, 280), (760, 280)):
        _set(note, ["50"], PRINT, 80, (x, y), (60, 80, 60))
    return photographed(
        lay(table(rng), note, quad(rng, note.shape[:2], rng.uniform(0.4, 0.7), trouble)), rng, trouble
    )


def open_book(rng: np.random.Generator, trouble: Trouble) -> np.ndarray:
    """Two pages of prose, 8-bit RGB."""
    book = np.empty((1000, 1400, 3), np.float32)
    book[:] = (232, 226, 208)
    fold = np.exp(-np.abs(np.arange(1400) - 700) / 50.0)
    book *= (1 - 0.45 * fold)[None, :, None]
    for left in (40, 740):
        _set(book, _prose(rng, 24), PRINT, 26, (left, 60), (40, 38, 36))
    return photographed(
        lay(table(rng), book, quad(rng, book.shape[:2], rng.uniform(0.5, 0.8), trouble)), rng, trouble
    )


def menu(rng: np.random.Generator, trouble: Trouble) -> np.ndarray:
    """A dark menu card with two columns, 8-bit RGB."""
    card = np.empty((1100, 780, 3), np.float32)
    card[:] = [(52, 40, 34), (30, 52, 46), (236, 222, 190)][rng.integers(3)]
    ink = (236, 220, 180) if card[0, 0].mean() < 120 else (90, 40, 30)
    _set(card, ["LUNCH"], "kalam", 90, (250, 30), ink)
    for left in (20, 400):
        _set(
            card,
            [f"{WORDS[int(rng.integers(len(WORDS)))]} soup {int(rng.integers(5, 19))}.50" for _ in range(14)],
            PRINT,
            30,
            (left, 200),
            ink,
        )
    return photographed(
        lay(table(rng), card, quad(rng, card.shape[:2], rng.uniform(0.3, 0.5), trouble)), rng, trouble
    )


LOOKALIKES = {"yard sign": yard_sign, "banknote": banknote, "open book": open_book, "menu": menu}
