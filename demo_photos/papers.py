"""Photos of paper: a claim's sheet laid down somewhere, a label card or a whiteboard held up."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np

from demo_photos import textures
from demo_photos.chalk import lettering
from demo_photos.gauges import Corners, lay_down, placed, thumb
from demo_photos.house import side
from demo_photos.onroof import shingle_table, tilt
from demo_photos.outside import View
from demo_photos.world import Picture, blend, darken
from demo_photos.yard import backdrop, draw_house, draw_yard

INKS = ((40, 30, 28), (128, 48, 24), (40, 36, 150))
HANDS = ("kalam", "caveat", "permanent-marker")


@lru_cache(maxsize=24)
def page(path: Path) -> Picture:
    """A printed page that was rasterised to a file."""
    picture = cv2.imread(str(path), cv2.IMREAD_COLOR)
    if picture is None:
        raise FileNotFoundError(path)
    return np.asarray(picture, np.uint8)


def sheet_photo(view: View, paper: Picture) -> Picture:
    """A claim's sheet photographed where it was laid down, filling most of the frame."""
    rng = view.rng
    base = _table(view, str(rng.choice(["hood", "drive", "boards", "clipboard"])))
    rows, columns = paper.shape[:2]
    tall = view.height * rng.uniform(0.88, 0.98)
    size = (tall * columns / rows, tall)
    centre = (view.width * rng.uniform(0.46, 0.54), view.height * rng.uniform(0.48, 0.52))
    turn = float(rng.normal(0, 5))
    corners = placed(rng, centre, size, turn, 0.02)
    corners = _lean(corners, centre, rng.uniform(0.03, 0.1))
    lay_down(base, _worn(paper, rng), corners, 8)
    if rng.random() < 0.6:
        thumb(base, tuple(corners[2] + [-60, -40]), 210, float(rng.uniform(-60, -25)), rng)
    uneven_light(base, rng)
    return base


def label_photo(view: View, card: Picture) -> Picture:
    """A label card held before the camera so that it fills most of the frame."""
    rng = view.rng
    base = _behind(view)
    rows, columns = card.shape[:2]
    share = rng.uniform(0.88, 0.97)
    scale = min(view.width * share / columns, view.height * share / rows)
    size = (columns * scale, rows * scale)
    centre = (view.width * rng.uniform(0.485, 0.515), view.height * rng.uniform(0.48, 0.51))
    corners = placed(rng, centre, size, float(rng.normal(0, 2.2)), 0.025)
    corners = _lean(corners, centre, rng.uniform(-0.04, 0.06))
    lay_down(base, _worn(card, rng), corners, 14)
    edge = corners[3] + (corners[2] - corners[3]) * rng.uniform(0.1, 0.9)
    up = corners[0] - corners[3]
    thumb(
        base,
        tuple(edge + up / np.linalg.norm(up) * view.height * 0.06),
        190,
        float(rng.uniform(-18, 18)),
        rng,
    )
    uneven_light(base, rng)
    return base


def hold_cards(view: View, base: Picture, cards: tuple[Picture, ...]) -> None:
    """One or two small label cards held into a corner of a photo, in place."""
    rng = view.rng
    wide = view.width * rng.uniform(0.23, 0.29)
    left, low = rng.random() < 0.5, rng.uniform(0.03, 0.12)
    for index, card in enumerate(cards):
        tall = wide * card.shape[0] / card.shape[1]
        x = wide * 0.58 + index * wide * 1.04
        centre = (
            x if left else view.width - x,
            view.height - tall * 0.5 - view.height * low,
        )
        corners = placed(rng, centre, (wide, tall), float(rng.normal(0, 3)), 0.025)
        lay_down(base, _worn(card, rng), corners, 9)
        middle = (corners[2] + corners[3]) / 2
        thumb(base, (float(middle[0]), float(middle[1]) - 26), 118, float(rng.uniform(-12, 12)), rng)


def hold_board(view: View, base: Picture, lines: tuple[str, ...]) -> None:
    """A whiteboard with hand lettering held into the lower part of a photo, in place."""
    rng = view.rng
    board = whiteboard(lines, rng)
    wide = view.width * rng.uniform(0.36, 0.46)
    tall = wide * board.shape[0] / board.shape[1]
    x = wide * 0.56
    centre = (x if rng.random() < 0.5 else view.width - x, view.height - tall * 0.5 - view.height * 0.05)
    corners = placed(rng, centre, (wide, tall), float(rng.normal(0, 3)), 0.025)
    lay_down(base, board, corners, 10)
    middle = (corners[2] + corners[3]) / 2
    thumb(base, (float(middle[0]), float(middle[1]) - 30), 130, float(rng.uniform(-12, 12)), rng)


def whiteboard(lines: tuple[str, ...], rng: np.random.Generator) -> Picture:
    """A small whiteboard with a grey frame, its lines written by hand."""
    rows, columns = 600, 860
    light = 0.93 + 0.06 * textures.clouds(rng, rows, columns, 3, 2)
    board = textures.tint(light, (246, 247, 246))
    smear = textures.clouds(rng, rows, columns, 5, 5) ** 4 * 40
    board = np.clip(board - smear[..., None], 0, 255).astype(np.uint8)
    ink, hand = INKS[int(rng.integers(len(INKS)))], HANDS[int(rng.integers(len(HANDS)))]
    slot = (rows - 120) / len(lines)
    for index, words in enumerate(lines):
        strokes = lettering(
            words, hand, round(min(slot * 0.8, 190)), spread=0 if hand == "permanent-marker" else 3
        )
        scale = min(1.0, (columns - 110) / strokes.shape[1], slot * 0.95 / strokes.shape[0])
        strokes = cv2.resize(strokes, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        y0 = int(60 + slot * (index + 0.5) - strokes.shape[0] / 2 + rng.normal(0, 5))
        x0 = int((columns - strokes.shape[1]) / 2 + rng.normal(0, 12))
        y0, x0 = max(0, y0), int(np.clip(x0, 0, columns - strokes.shape[1]))
        part = board[y0 : y0 + strokes.shape[0], x0 : x0 + strokes.shape[1]]
        fade = (0.82 + 0.18 * textures.clouds(rng, *part.shape[:2], 4, 6)) * strokes[: part.shape[0]]
        blend(part, np.full_like(part, ink), fade.astype(np.uint8))
    cv2.rectangle(board, (0, 0), (columns - 1, rows - 1), (150, 148, 146), 26)
    cv2.rectangle(board, (13, 13), (columns - 14, rows - 14), (196, 196, 194), 8)
    return board


# --- what paper lies on, and its light -----------------------------------------------------


def _table(view: View, kind: str) -> Picture:
    """What a sheet is laid on: a vehicle's hood, the driveway, deck boards, a clipboard on a seat."""
    rng, columns, rows = view.rng, view.width, view.height
    if kind == "hood":
        return _hood(rng, columns, rows)
    if kind == "drive":
        ppm = 1100
        lay = textures.concrete(int(rng.integers(1 << 30)), columns / ppm, rows / ppm, ppm, joint=1.3)
        return cv2.resize(lay, (columns, rows))
    if kind == "boards":
        boards = textures.siding(
            int(rng.integers(1 << 30)), columns / 900, rows / 900, 900, (92, 124, 158), lap=0.14
        )
        grain = cv2.resize(textures.noise(rng, rows, 40), (columns, rows))
        stripe = 1 + 0.07 * grain
        return np.clip(cv2.resize(boards, (columns, rows)) * stripe[..., None], 0, 255).astype(np.uint8)
    seat = textures.tint(
        (
            0.8
            + 0.25 * textures.clouds(rng, rows, columns, 4, 2)
            + 0.09 * textures.noise(rng, rows, columns, 3)
        ),
        (66, 62, 60),
    )
    wide, tall = rows * 0.86, rows * 1.12
    board = textures.tint(0.9 + 0.1 * textures.noise(rng, 700, 540, 2.5), (70, 110, 152))
    lay_down(
        seat, board, placed(rng, (columns / 2, rows / 2), (wide, tall), float(rng.normal(0, 3)), 0.02), 14
    )
    return seat


def _hood(rng: np.random.Generator, columns: int, rows: int) -> Picture:
    """Glossy paint with the sky and a tree line mirrored in it and a crease across."""
    paint = [(70, 34, 24), (40, 38, 130), (212, 214, 214), (58, 58, 60)][int(rng.integers(4))]
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    bow = y / rows + 0.12 * ((x / columns - 0.5) ** 2) * 4
    mirror = np.clip(1.05 - bow * rng.uniform(0.8, 1.2), 0, 1) ** 1.5
    trees = textures.clouds(rng, 4, columns, 5, 9)[2][None, :]
    mirror = np.where((bow > 0.3) & (bow < 0.36 + 0.1 * trees), mirror * 0.55, mirror)
    mirror = cv2.GaussianBlur(mirror, (0, 0), 6)
    light = 0.55 + 0.35 * np.clip(1 - bow, 0, 1)
    planes = [
        cv2.convertScaleAbs(light * c + mirror * s * 0.6) for c, s in zip(paint, (226, 206, 186), strict=True)
    ]
    hood = cv2.merge(planes)
    crease = int(rows * rng.uniform(0.1, 0.2))
    cv2.line(
        hood,
        (0, crease),
        (columns, crease + int(rng.normal(0, 60))),
        tuple(int(c * 0.6) for c in paint),
        9,
        cv2.LINE_AA,
    )
    return np.clip(
        cv2.GaussianBlur(hood, (0, 0), 2) * (1 + 0.012 * textures.noise(rng, rows, columns))[..., None],
        0,
        255,
    ).astype(np.uint8)


def _behind(view: View) -> Picture:
    """What is behind a card held close: the yard and the house, the roof, the lawn, out of focus."""
    rng, columns, rows = view.rng, view.width, view.height
    small = View(
        house=view.house,
        face=view.face,
        rng=rng,
        sun=view.sun,
        cover=view.cover,
        width=columns // 4,
        height=rows // 4,
    )
    if rng.random() < 0.5:
        wall = side(view.house, view.face)
        eye = wall.at(wall.length * rng.uniform(0.2, 0.8), rng.uniform(5, 11), 1.6)
        target = wall.at(wall.length * rng.uniform(0.3, 0.7), 0, rng.uniform(0.6, 2.4))
        canvas = backdrop(small.camera(eye, target, 66, 3), rng, cover=view.cover)
        draw_yard(canvas, view.house)
        draw_house(canvas, view.house, view.sun)
        scene = canvas.picture
    else:
        scene = tilt(small, shingle_table(small, 2.4)[0], 0.3, float(rng.normal(0, 12)))
    return cv2.resize(
        cv2.GaussianBlur(scene, (0, 0), rng.uniform(2.5, 4)), (columns, rows), interpolation=cv2.INTER_CUBIC
    )


def _lean(corners: Corners, centre: tuple[float, float], amount: float) -> Corners:
    """Lean the far edge back: it comes out shorter than the near one."""
    leaned = corners.copy()
    leaned[:2, 0] = centre[0] + (corners[:2, 0] - centre[0]) * (1 - amount)
    leaned[2:, 0] = centre[0] + (corners[2:, 0] - centre[0]) * (1 + amount)
    return leaned


def _worn(paper: Picture, rng: np.random.Generator) -> Picture:
    """Make paper uneven: soft waves, a fold, warm or cool light."""
    rows, columns = paper.shape[:2]
    waves = 0.9 + 0.09 * textures.clouds(rng, rows, columns, 2, 1.4)
    if rng.random() < 0.5:
        fold = int(rows * rng.uniform(0.46, 0.54))
        away = np.abs(np.arange(rows) - fold).astype(np.float32)
        waves *= (
            1
            - 0.07 * np.exp(-((away / 5) ** 2))
            + 0.025 * np.sign(np.arange(rows) - fold) * np.exp(-away / 240)
        )[:, None]
    warm = rng.uniform(-0.03, 0.03)
    gains = (0.965 - warm, 0.965, 0.965 + warm)
    planes = [
        cv2.convertScaleAbs(cv2.multiply(p, waves, dtype=cv2.CV_32F), alpha=g)
        for p, g in zip(cv2.split(paper), gains, strict=True)
    ]
    return cv2.merge(planes)


def uneven_light(picture: Picture, rng: np.random.Generator) -> None:
    """One side brighter, and perhaps the soft shadow of a branch or of the photographer, in place."""
    rows, columns = picture.shape[0] // 4, picture.shape[1] // 4
    angle = rng.uniform(0, 6.28)
    x, y = np.linspace(-1, 1, columns, dtype=np.float32), np.linspace(-1, 1, rows, dtype=np.float32)
    slant = (np.cos(angle) * x[None, :] + np.sin(angle) * y[:, None]) * 0.5 + 0.5
    dark = slant * rng.uniform(0.15, 0.34)
    if rng.random() < 0.5:
        turn = rng.uniform(0, 6.28)
        edge = np.cos(turn) * x[None, :] + np.sin(turn) * y[:, None] - rng.uniform(0.1, 0.6)
        edge = edge + 0.25 * (textures.clouds(rng, rows, columns, 3, 3) - 0.5)
        dark = dark + 0.32 / (1 + np.exp(-edge * 16))
    darken(picture, cv2.convertScaleAbs(np.clip(dark, 0, 0.62).astype(np.float32), alpha=255))
