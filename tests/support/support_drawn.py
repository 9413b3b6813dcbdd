"""Drawn photographs with known contents: boards, chalk on shingles, sheets, marks. All seeded by the caller.

The letters are real fonts that look written by hand; the chalk follows the granules; every picture is
tilted, shaded, blurred and JPEG-compressed. They are drawings: figures measured on them show the effect of
tilt, shade and chalk, not how well real handwriting is read.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache, lru_cache

import cv2
import fontpkg
import numpy as np
from PIL import Image, ImageDraw, ImageFont

HANDS = ("kalam", "caveat", "permanent-marker", "indie-flower", "shadows-into-light")
WIDE, HIGH = 2000, 1500
"""Pixels of a drawn photo."""
ROWS = 50
"""Rows that are worked on at a time: their numbers stay in the processor's memory."""


@dataclass(frozen=True)
class Trouble:
    """What the light, the lens and the camera do to a picture."""

    tilt: float = 0.06
    """How far a corner may stray, as a share of the patch's side."""
    turn: float = 6.0
    """Degrees either way."""
    blur: float = 0.8
    """Sigma in pixels of the drawn photo."""
    shade: float = 0.45
    """How much of the light a hard shadow takes."""
    noise: float = 4.0
    """Grey levels."""
    jpeg: int = 85


PLAIN = Trouble(tilt=0.02, turn=2.0, blur=0.4, shade=0.0, noise=2.0, jpeg=92)
USUAL = Trouble()
HARD = Trouble(tilt=0.14, turn=12.0, blur=1.8, shade=0.6, noise=8.0, jpeg=70)


@lru_cache(maxsize=64)
def font(name: str, size: int) -> ImageFont.FreeTypeFont:
    """A font of an installed font package, its heaviest weight where it has several."""
    return ImageFont.truetype(str(fontpkg.path(name, weight=700, nearest=True)), size)


# --- grounds -----------------------------------------------------------------------------------


def grain(rng: np.random.Generator, wide: int, high: int, scale: float) -> np.ndarray:
    """Smooth noise (high, wide), mean 0, deviation near 1, with blobs of about `scale` pixels."""
    small = rng.standard_normal((max(2, int(high / scale) + 2), max(2, int(wide / scale) + 2))).astype(
        np.float32
    )
    return cv2.resize(small, (wide, high), interpolation=cv2.INTER_CUBIC)


@cache
def _deviates() -> np.ndarray:
    return np.random.default_rng(20).standard_normal(1 << 20, np.float32)


def noise_rows(rng: np.random.Generator, shape: tuple[int, ...]) -> np.ndarray:
    """Normal deviates of that shape, at most half a million: a stretch of a million that `rng` chooses. Copy before changing.

    A new deviate for each of nine million values takes longer than all else that makes a photo.
    """
    many = math.prod(shape)
    start = int(rng.integers(len(_deviates()) - many))
    return _deviates()[start : start + many].reshape(shape)


def fine_noise(rng: np.random.Generator, high: int, wide: int) -> np.ndarray:
    """A normal deviate for each pixel, (high, wide)."""
    return np.vstack([noise_rows(rng, (min(ROWS, high - top), wide)) for top in range(0, high, ROWS)])


def shingles(rng: np.random.Generator, wide: int = WIDE, high: int = HIGH, course: int = 150) -> np.ndarray:
    """An asphalt roof from close by, RGB: courses of tabs, each with its own tone, and granules all over."""
    base = np.array(
        [(96, 92, 90), (110, 98, 86), (82, 86, 92), (120, 112, 104), (70, 66, 64)][rng.integers(5)],
        np.float32,
    )
    tone = np.zeros((high, wide), np.float32)
    tab = int(course * 1.4)
    for row, top in enumerate(range(0, high, course)):
        start = -int(rng.integers(tab)) if row % 2 else -tab // 2
        left = start
        while left < wide:
            width = int(tab * rng.uniform(0.7, 1.3))
            tone[top : top + course, max(0, left) : max(0, left + width)] += rng.normal(0, 9)
            tone[top : top + course, max(0, left) : max(0, left + 5)] -= 30
            left += width
        tone[top : top + max(4, course // 14)] -= rng.uniform(25, 45)
    for strength, texture in (
        (9, fine_noise(rng, high, wide)),
        (8, grain(rng, wide, high, 3)),
        (5, grain(rng, wide, high, 90)),
    ):
        cv2.scaleAdd(texture, strength, tone, dst=tone)
    seen = cv2.merge([tone + one for one in base])
    return np.clip(seen, 0, 255, out=seen)


def yard(rng: np.random.Generator, wide: int = WIDE, high: int = HIGH) -> np.ndarray:
    """Siding above, lawn below, a window perhaps: what stands behind a board held up, RGB."""
    out = np.empty((high, wide, 3), np.float32)
    foot = int(high * rng.uniform(0.55, 0.8))
    lap = int(rng.uniform(35, 70))
    wall = np.array(
        [(190, 186, 176), (150, 160, 170), (176, 150, 130), (205, 205, 200)][rng.integers(4)], np.float32
    )
    lines = np.where(np.arange(foot) % lap < 4, -35.0, 10.0 * (np.arange(foot) % lap) / lap)
    out[:foot] = wall + lines[:, None, None]
    if rng.random() < 0.7:
        left, top = int(rng.uniform(0, wide * 0.7)), int(rng.uniform(0, foot * 0.4))
        pane = np.s_[top : top + int(foot * 0.45), left : left + int(wide * 0.2)]
        out[pane] = np.array((60, 72, 84), np.float32)
        cv2.rectangle(out, (left, top), (left + int(wide * 0.2), top + int(foot * 0.45)), (235, 235, 230), 14)
    blades = 16 * fine_noise(rng, high - foot, wide) + 14 * grain(rng, wide, high - foot, 9)
    out[foot:] = cv2.merge([blades + np.float32(one) for one in (84, 110, 58)])
    cv2.scaleAdd(cv2.merge([grain(rng, wide, high, 200)] * 3), 4, out, dst=out)
    return np.clip(out, 0, 255, out=out)


def table(rng: np.random.Generator, wide: int = WIDE, high: int = HIGH) -> np.ndarray:
    """A wooden or dark ground that a sheet may lie on, RGB."""
    base = np.array(
        [(150, 106, 66), (60, 50, 46), (36, 38, 42), (170, 140, 104), (90, 96, 90)][rng.integers(5)]
    )
    tone = 10 * cv2.resize(rng.standard_normal((high // 6, 3)).astype(np.float32), (wide, high))
    cv2.scaleAdd(fine_noise(rng, high, wide), 4, tone, dst=tone)
    seen = cv2.merge([tone + np.float32(one) for one in base])
    return np.clip(seen, 0, 255, out=seen)


# --- writing -----------------------------------------------------------------------------------


def letters(lines: list[str], hand: str, size: int, spacing: float = 1.25) -> np.ndarray:
    """Lines of text as a mask (h, w) of 0..1 with a margin round them."""
    face = font(hand, size)
    wide = max(int(face.getlength(line)) for line in lines) + size
    high = int(size * (spacing * len(lines) + 0.6))
    picture = Image.new("L", (wide, high))
    pen = ImageDraw.Draw(picture)
    for number, line in enumerate(lines):
        pen.text((size // 2, int(size * (0.25 + spacing * number))), line, font=face, fill=255)
    return np.asarray(picture, np.float32) / 255


def board(lines: list[str], hand: str, rng: np.random.Generator, size: int = 150) -> np.ndarray:
    """A whiteboard with marker on it, RGB."""
    mask = letters(lines, hand, size)
    ink = np.array([(25, 25, 30), (20, 40, 130), (150, 25, 30), (15, 90, 45)][rng.integers(4)], np.float32)
    mask = cv2.copyMakeBorder(mask, size // 3, size // 3, size // 3, size // 3, cv2.BORDER_CONSTANT)[
        ..., None
    ]
    out = np.float32(238) * (1 - mask) + ink * mask
    cv2.rectangle(out, (0, 0), (out.shape[1] - 1, out.shape[0] - 1), (130, 130, 135), max(4, size // 14))
    return out


def chalked(
    ground: np.ndarray,
    mask: np.ndarray,
    rng: np.random.Generator,
    colour: tuple[int, int, int] = (240, 240, 235),
) -> np.ndarray:
    """`ground` with chalk where `mask` (same height and width, 0..1) says; it skips the low granules."""
    high, wide = mask.shape
    rough = fine_noise(rng, high, wide) * 0.7 + grain(rng, wide, high, 2.5)
    out = ground.astype(np.float32)
    for rows in (slice(top, top + ROWS) for top in range(0, high, ROWS)):
        drawn = mask[rows] > 0
        if drawn.any():  # elsewhere the ground stays as it is
            cover = (mask[rows][drawn] * np.clip(0.75 + 0.35 * rough[rows][drawn], 0, 1)).astype(np.float32)
            under = ground[rows][drawn]
            out[rows][drawn] = (
                np.subtract(np.array(colour, np.float32), under, dtype=np.float32) * cover[:, None] + under
            )
    return out


def quad(
    rng: np.random.Generator,
    shape: tuple[int, int],
    share: float,
    trouble: Trouble,
    inside: tuple[int, int] = (WIDE, HIGH),
) -> np.ndarray:
    """Where a patch of `shape` (h, w) lands in the photo, (4, 2): `share` of its width, turned and tilted."""
    wide, high = inside
    width = share * wide
    height = width * shape[0] / shape[1]
    if height > 0.9 * high:
        width, height = width * 0.9 * high / height, 0.9 * high
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], np.float32) * [width / 2, height / 2]
    corners += rng.uniform(-trouble.tilt, trouble.tilt, (4, 2)) * min(width, height)
    turn = np.deg2rad(rng.uniform(-trouble.turn, trouble.turn))
    corners = corners @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    reach = np.abs(corners).max(axis=0)
    room = np.maximum(0, np.array([wide, high]) / 2 - reach - 10)
    return (corners + np.array([wide, high]) / 2 + rng.uniform(-1, 1, 2) * room).astype(np.float32)


def lay(ground: np.ndarray, patch: np.ndarray, corners: np.ndarray) -> np.ndarray:
    """`patch` laid over `ground` with its corners (from top left, clockwise) where they are told."""
    high, wide = patch.shape[:2]
    start = np.array([[0, 0], [wide, 0], [wide, high], [0, high]], np.float32)
    shrink = max(1.0, wide / float(np.linalg.norm(corners[0] - corners[1])))
    if shrink > 1.5:
        patch = cv2.resize(patch, None, fx=1 / shrink, fy=1 / shrink, interpolation=cv2.INTER_AREA)
        start *= [patch.shape[1] / wide, patch.shape[0] / high]
    warp = cv2.getPerspectiveTransform(start.astype(np.float32), corners.astype(np.float32))
    frame = np.array([ground.shape[1], ground.shape[0]])
    left, top = np.clip(np.floor(corners.min(axis=0)).astype(int) - 2, 0, frame)
    right, bottom = np.clip(np.ceil(corners.max(axis=0)).astype(int) + 2, 0, frame)
    out = ground.astype(np.float32)
    if right > left and bottom > top:  # elsewhere the ground stays as it is
        moved = np.array([[1, 0, -left], [0, 1, -top], [0, 0, 1]]) @ warp
        size = (int(right - left), int(bottom - top))
        laid = cv2.warpPerspective(patch.astype(np.float32), moved, size, flags=cv2.INTER_LINEAR)
        cover = cv2.warpPerspective(np.ones(patch.shape[:2], np.float32), moved, size, flags=cv2.INTER_LINEAR)
        cover = cv2.merge([cover] * 3) if patch.ndim == 3 else cover
        piece = out[top:bottom, left:right]
        piece += (laid - piece) * cover
    return out


def photographed(picture: np.ndarray, rng: np.random.Generator, trouble: Trouble) -> np.ndarray:
    """The drawn scene as a camera records it, 8-bit RGB: shadow, light, blur, noise, JPEG."""
    high, wide = picture.shape[:2]
    out = np.multiply(picture, np.float32(rng.uniform(0.75, 1.1)), dtype=np.float32)
    if trouble.shade:
        angle, past = rng.uniform(0, 2 * np.pi), rng.uniform(-0.3, 0.3)
        across = (np.arange(wide) / wide - 0.5) * np.cos(angle)
        down = (np.arange(high) / high - 0.5) * np.sin(angle) - past
        for top in range(0, high, ROWS):
            side = np.add.outer(down[top : top + ROWS], across, dtype=np.float32)
            light = 1 - trouble.shade * np.clip(side * 60, 0, 1)
            rows = out[top : top + ROWS]
            cv2.multiply(rows, cv2.merge([light] * 3), dst=rows)
    if trouble.blur:
        out = cv2.GaussianBlur(out, (0, 0), trouble.blur * rng.uniform(0.6, 1.2))
    seen = np.empty(out.shape, np.uint8)
    for top in range(0, high, ROWS):
        rows = out[top : top + ROWS]
        noise = noise_rows(rng, rows.shape)
        cv2.addWeighted(rows, 1, noise, trouble.noise, 0, dst=seen[top : top + ROWS], dtype=cv2.CV_8U)
    pressed = cv2.imencode(".jpg", seen, [cv2.IMWRITE_JPEG_QUALITY, trouble.jpeg])[1]
    # Encoded and decoded alike, so the order of the colours does not matter.
    return cv2.imdecode(pressed, cv2.IMREAD_COLOR)


def board_photo(
    lines: list[str], hand: str, rng: np.random.Generator, trouble: Trouble, share: float
) -> np.ndarray:
    """A board held up before a house, 8-bit RGB."""
    patch = board(lines, hand, rng)
    ground = yard(rng)
    return photographed(lay(ground, patch, quad(rng, patch.shape[:2], share, trouble)), rng, trouble)


def chalk_photo(
    lines: list[str], hand: str, rng: np.random.Generator, trouble: Trouble, share: float
) -> np.ndarray:
    """Writing in chalk on shingles, 8-bit RGB."""
    mask = letters(lines, hand, 220)
    where = quad(rng, mask.shape, share, trouble)
    laid = lay(np.zeros((HIGH, WIDE), np.float32), mask, where)
    colour = [(240, 240, 235), (240, 215, 90), (120, 175, 230), (235, 130, 140)][rng.integers(4)]
    ground = shingles(rng, course=int(rng.uniform(110, 260)))
    return photographed(chalked(ground, laid, rng, colour), rng, trouble)


# --- test squares ------------------------------------------------------------------------------


def _wobbly(canvas: np.ndarray, points: np.ndarray, rng: np.random.Generator, width: int) -> None:
    """A hand's stroke through points, with a tremble."""
    shaken = points + rng.normal(0, width * 0.25, points.shape)
    cv2.polylines(canvas, [np.round(shaken).astype(np.int32)], False, 1.0, width, cv2.LINE_AA)


def _side(start: np.ndarray, end: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    steps = np.linspace(0, 1, 24)[:, None]
    bow = np.sin(np.pi * steps) * rng.normal(0, 0.008) * np.array([end[1] - start[1], start[0] - end[0]])
    return start + steps * (end - start) + bow


def square_mask(
    rng: np.random.Generator, circles: int, slashes: int, *, gaps: bool = False, width: int = 11
) -> np.ndarray:
    """A chalked square with that many circled hits and slashed hits inside, (1400, 1400) of 0..1."""
    size, margin = 1400, 60
    canvas = np.zeros((size, size), np.float32)
    corners = np.array(
        [[margin, margin], [size - margin, margin], [size - margin, size - margin], [margin, size - margin]]
    )
    corners = corners + rng.normal(0, 14, (4, 2))
    for number in range(4):
        line = _side(corners[number], corners[(number + 1) % 4], rng)
        if gaps and rng.random() < 0.6:
            cut = int(rng.integers(4, 18))
            _wobbly(canvas, line[:cut], rng, width)
            _wobbly(canvas, line[cut + 2 :], rng, width)
        else:
            _wobbly(canvas, line, rng, width)
    places: list[np.ndarray] = []
    while len(places) < circles + slashes:
        spot = rng.uniform(180, size - 180, 2)
        if all(np.linalg.norm(spot - other) > 150 for other in places):
            places.append(spot)
    for number, spot in enumerate(places):
        reach = rng.uniform(32, 58)
        if number < circles:
            turn = np.linspace(0, 2 * np.pi * rng.uniform(0.97, 1.06), 30)[:, None] + rng.uniform(0, 6)
            ring = spot + reach * np.hstack([np.cos(turn), np.sin(turn) * rng.uniform(0.75, 1.1)])
            _wobbly(canvas, ring, rng, width - 2)
        else:
            turn = rng.uniform(0.6, 1.2)
            step = reach * np.array([np.cos(turn), -np.sin(turn)])
            _wobbly(canvas, np.array([spot - step, spot, spot + step]), rng, width - 1)
    return canvas


def square_photo(
    rng: np.random.Generator,
    trouble: Trouble,
    circles: int,
    slashes: int = 0,
    share: float = 0.6,
    *,
    gaps: bool = False,
) -> np.ndarray:
    """A chalked test square on a roof, 8-bit RGB."""
    mask = square_mask(rng, circles, slashes, gaps=gaps)
    laid = lay(np.zeros((HIGH, WIDE), np.float32), mask, quad(rng, mask.shape, share, trouble))
    colour = [(240, 240, 235), (240, 215, 90), (120, 175, 230), (235, 130, 140)][rng.integers(4)]
    return photographed(
        chalked(shingles(rng, course=int(rng.uniform(60, 120))), laid, rng, colour), rng, trouble
    )


def rings_photo(rng: np.random.Generator, trouble: Trouble, rings: int) -> np.ndarray:
    """Hits ringed in chalk one by one, without a square, on a roof from close by, 8-bit RGB."""
    canvas = np.zeros((1400, 1400), np.float32)
    places: list[np.ndarray] = []
    while len(places) < rings:
        spot = rng.uniform(160, 1240, 2)
        if all(np.linalg.norm(spot - other) > 260 for other in places):
            places.append(spot)
    for spot in places:
        reach = rng.uniform(55, 100)
        turn = np.linspace(0, 2 * np.pi * rng.uniform(0.97, 1.06), 30)[:, None] + rng.uniform(0, 6)
        ring = np.hstack([np.cos(turn), np.sin(turn) * rng.uniform(0.75, 1.1)])
        _wobbly(canvas, spot + reach * ring, rng, 10)
    laid = lay(np.zeros((HIGH, WIDE), np.float32), canvas, quad(rng, canvas.shape, 0.65, trouble))
    colour = [(240, 240, 235), (240, 215, 90), (120, 175, 230), (235, 130, 140)][rng.integers(4)]
    ground = shingles(rng, course=int(rng.uniform(60, 120)))
    return photographed(chalked(ground, laid, rng, colour), rng, trouble)
