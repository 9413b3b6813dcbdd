"""Photos of measuring on the roof: the shingle gauge, the pitch gauge, layers and drip edge at the eave."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from demo_photos import textures
from demo_photos.chalk import font
from demo_photos.house import paste
from demo_photos.onroof import focus, shingle_table, tilt
from demo_photos.outside import View
from demo_photos.world import Picture, blend, darken

SANS = "noto-sans"

Corners = NDArray[np.float64]
"""Four pixel points, (4, 2), top left first, clockwise."""


def print_on(
    picture: Picture, text: str, at: tuple[int, int], size: int, colour: tuple[int, int, int]
) -> None:
    """Printed words centred at a pixel of a picture, in place."""
    image = Image.fromarray(picture)
    ImageDraw.Draw(image).text(at, text, font=font(SANS, size), fill=colour, anchor="mm")
    picture[:] = np.asarray(image)


def lay_down(base: Picture, piece: Picture, corners: Corners, lift: float = 9.0) -> None:
    """Put a flat piece on the picture at four corners (top left first, clockwise), with its shadow."""
    rows, columns = piece.shape[:2]
    low = np.maximum(np.floor(corners.min(axis=0) - 2).astype(int), 0)
    high = np.ceil(corners.max(axis=0) + lift * 3 + 4).astype(int)
    x0, y0 = int(low[0]), int(low[1])
    x1, y1 = min(int(high[0]), base.shape[1]), min(int(high[1]), base.shape[0])
    if x1 - x0 < 8 or y1 - y0 < 8:
        return
    region = base[y0:y1, x0:x1]
    size = (x1 - x0, y1 - y0)
    source = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]], np.float32)
    matrix = cv2.getPerspectiveTransform(source, (corners - [x0, y0]).astype(np.float32))
    if piece.shape[2] == 4:
        mask = cv2.warpPerspective(np.ascontiguousarray(piece[..., 3]), matrix, size)
    else:
        mask = np.zeros((size[1], size[0]), np.uint8)
        cv2.fillConvexPoly(mask, np.round((corners - [x0, y0]) * 16).astype(np.int32), 255, cv2.LINE_AA, 4)
    drop = np.array([[0.25, 0, lift * 0.25], [0, 0.25, lift * 0.32]])
    shadow = cv2.warpAffine(mask, drop, (size[0] // 4 + 1, size[1] // 4 + 1))
    shadow = cv2.GaussianBlur(shadow, (0, 0), max(1.0, lift / 6))
    darken(region, cv2.convertScaleAbs(shadow, alpha=0.55))
    shrink = np.abs(corners[2] - corners[0]).max() / max(rows, columns)
    flags = cv2.INTER_AREA if shrink < 0.6 else cv2.INTER_LINEAR
    colour = np.ascontiguousarray(piece[..., :3])
    if flags == cv2.INTER_AREA:
        colour = cv2.resize(colour, None, fx=shrink, fy=shrink, interpolation=flags)
        back = np.diag([columns / colour.shape[1], rows / colour.shape[0], 1.0])
        matrix = matrix @ back
    blend(region, cv2.warpPerspective(colour, matrix, size, borderMode=cv2.BORDER_REPLICATE), mask)


def placed(
    rng: np.random.Generator,
    centre: tuple[float, float],
    size: tuple[float, float],
    turn: float,
    lean: float = 0.06,
) -> Corners:
    """Corners of a rectangle of `size` pixels round `centre`, turned by degrees, a little in perspective."""
    angle = np.radians(turn)
    spin = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    half = np.array(size) / 2
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], np.float64) * half
    skew = 1 + rng.uniform(-lean, lean, 4)[:, None]
    return (corners * skew) @ spin.T + np.array(centre)


def shingle_gauge(view: View) -> Picture:
    """A stepped steel card pushed against the butt of a shingle, its thickness read off."""
    rng = view.rng
    lay, _ = shingle_table(view, 0.36)
    base = tilt(view, lay, 0.08, float(rng.normal(0, 6)))
    steel = textures.metal(
        int(rng.integers(99)), 900, 420, (198, 202, 204), bend=np.array([1.08, 0.9, 1.02, 0.95, 1.05])
    )
    brushed = cv2.resize(textures.noise(rng, 420, 30), (900, 420))
    steel = np.clip(steel * (1 + 0.03 * brushed)[..., None], 0, 255).astype(np.uint8)
    for index, words in enumerate(("3", "4", "5", "6", "8")):
        x = 90 + index * 180
        cv2.rectangle(steel, (x - 62, 0), (x + 62, 70 + index * 16), (20, 22, 24), -1)
        print_on(steel, words, (x, 170 + index * 8), 62, (30, 30, 32))
    print_on(steel, "THICKNESS  mm", (450, 300), 46, (40, 40, 44))
    for tick in range(60):
        cv2.line(
            steel,
            (15 + tick * 15, 419),
            (15 + tick * 15, 419 - (34 if tick % 5 == 0 else 18)),
            (40, 40, 40),
            2,
        )
    size = rng.uniform(0.92, 1.08)
    centre = (view.width * rng.uniform(0.42, 0.56), view.height * rng.uniform(0.48, 0.6))
    lay_down(base, steel, placed(rng, centre, (1000 * size, 470 * size), float(rng.normal(0, 10))), 12)
    thumb(
        base, (centre[0] + 380 * size, centre[1] + 270 * size), 250 * size, float(rng.uniform(-40, -10)), rng
    )
    return focus(base, rng)


def thumb(
    picture: Picture, tip: tuple[float, float], size: float, turn: float, rng: np.random.Generator
) -> None:
    """A gloved thumb holding something down; `tip` in pixels, pointing up and turned by degrees."""
    rows, columns = 420, 200
    v, u = np.mgrid[0:rows, 0:columns].astype(np.float32)
    across = (u - columns / 2) / (columns * 0.42)
    round_top = np.where(v < 90, np.sqrt(np.clip(1 - ((90 - v) / 90) ** 2, 0, 1)), 1.0)
    inside = np.clip((round_top - np.abs(across)) * 30, 0, 1)
    light = np.sqrt(np.clip(1 - (across / np.maximum(round_top, 0.05)) ** 2, 0, 1)) * 0.6 + 0.5
    light *= 1 + 0.05 * textures.noise(rng, rows, columns, 3) + 0.05 * np.sin(v / 9)
    thumb = np.dstack(
        [textures.tint(light.astype(np.float32), (86, 120, 150)), cv2.convertScaleAbs(inside, alpha=255)]
    )
    angle = np.radians(turn)
    down = np.array([-np.sin(angle), np.cos(angle)]) * size * 2.1
    side = np.array([np.cos(angle), np.sin(angle)]) * size / 2
    top = np.array(tip)
    lay_down(picture, thumb, np.array([top - side, top + side, top + side + down, top - side + down]), 10)


def pitch_gauge(view: View) -> Picture:
    """A dial with a pendulum needle standing on the shingles, reading the rise in inches a foot."""
    rng, pitch = view.rng, view.house.pitch
    lay, _ = shingle_table(view, 1.0)
    base = tilt(view, lay, 0.3, float(rng.normal(0, 5)))
    small = cv2.GaussianBlur(cv2.resize(base, (view.width // 3, view.height // 3)), (0, 0), 2.2)
    base = cv2.resize(small, (view.width, view.height))
    dial = np.full((900, 900, 4), (232, 238, 240, 255), np.uint8)
    dial[..., 3] = 0
    cv2.circle(dial, (450, 450), 440, (150, 96, 52, 255), -1, cv2.LINE_AA)
    cv2.circle(dial, (450, 450), 395, (236, 240, 240, 255), -1, cv2.LINE_AA)
    face = np.ascontiguousarray(dial[..., :3])
    for rise in range(15):
        angle = np.arctan(rise / 12)
        _tick(face, angle, 395, 340 if rise % 2 == 0 else 365)
        if rise % 2 == 0:
            at = _polar(angle, 305)
            print_on(face, f"{rise}", at, 40, (30, 30, 34))
    for degree in range(0, 91, 5):
        _tick(face, np.radians(degree), 235, 215)
    print_on(face, "RISE IN 12", (450, 310), 44, (30, 30, 34))
    needle = np.arctan(pitch / 12)
    cv2.line(face, _polar(needle + np.pi, 90), _polar(needle, 372), (36, 36, 208), 9, cv2.LINE_AA)
    cv2.circle(face, (450, 450), 34, (60, 60, 64), -1, cv2.LINE_AA)
    dial[..., :3] = face
    body = np.zeros((1000, 1000, 4), np.uint8)
    cv2.rectangle(body, (60, 830), (940, 960), (140, 88, 46, 255), -1)
    for hole in range(180, 900, 160):
        cv2.circle(body, (hole, 895), 22, (70, 44, 24, 255), -1, cv2.LINE_AA)
    top = body[10:910, 50:950]
    seen = dial[..., 3] > 0
    top[seen] = dial[seen]
    size = view.height * rng.uniform(0.8, 0.92)
    centre = (view.width * rng.uniform(0.44, 0.56), view.height * rng.uniform(0.47, 0.54))
    lay_down(base, body, placed(rng, centre, (size, size), float(rng.normal(0, 4)), 0.03), 24)
    return base


def _polar(angle: float, radius: float) -> tuple[int, int]:
    """A point of the dial; angles turn from straight left over the top, radians."""
    return int(450 - radius * np.cos(angle)), int(450 - radius * np.sin(angle))


def _tick(face: Picture, angle: float, outer: float, inner: float) -> None:
    cv2.line(face, _polar(angle, outer), _polar(angle, inner), (40, 40, 44), 4, cv2.LINE_AA)


def layers(view: View) -> Picture:
    """The eave's edge lifted and seen from the side: sheets of shingle over felt, deck and drip edge."""
    return _eave_section(view, lifted=True)


def drip_edge(view: View) -> Picture:
    """The metal drip edge under the first course, a tape measure held to it."""
    return _eave_section(view, lifted=False)


def _eave_section(view: View, *, lifted: bool) -> Picture:
    rng, house = view.rng, view.house
    columns, rows = view.width, view.height
    picture = np.empty((rows, columns, 3), np.uint8)
    edge = int(rows * rng.uniform(0.42, 0.5))
    far = textures.grass(int(rng.integers(999)), columns / 200, rows / 200, 200)[:rows, :columns]
    small = cv2.GaussianBlur(cv2.resize(far, (columns // 6, rows // 6)), (0, 0), 5)
    picture[:] = cv2.resize(small, (columns, rows))
    roof = tilt(view, shingle_table(view, 0.5)[0], 0.35, float(rng.normal(0, 2)))
    picture[:edge] = roof[rows - edge :]
    y = edge
    sheets = 3 if lifted else 2
    for sheet in range(sheets):
        thick = int(rng.uniform(24, 30))
        band = textures.tint(
            (
                0.55
                + 0.22 * textures.noise(rng, thick, columns, 2.2)
                + 0.1 * np.linspace(1, -1, thick, dtype=np.float32)[:, None]
            ),
            textures.SHINGLE_PALETTES[house.roof][0],
        )
        paste(picture, band, 0, y)
        picture[y + thick - 3 : y + thick + 5] = (picture[y + thick - 3 : y + thick + 5] * 0.35).astype(
            np.uint8
        )
        y += thick + (26 if lifted and sheet == 0 else 4)
        if lifted and sheet == 0:
            gap = slice(y - 26, y)
            picture[gap] = 22
    felt = textures.tint((0.9 + 0.1 * textures.noise(rng, 9, columns, 2)), (34, 34, 34))
    paste(picture, felt, 0, y)
    y += 9
    bend = np.array([1.15, 1.02, 0.98, 0.96, 0.94, 0.9, 0.6, 1.1])
    trim = textures.metal(int(rng.integers(99)), columns, 190, house.trim, bend=bend)
    paste(picture, trim, 0, y)
    y += 190
    lower = max(0, rows - y)
    fascia = textures.metal(
        int(rng.integers(99)), columns, max(2, min(lower, 330)), tuple(int(c * 0.8) for c in house.trim)
    )
    paste(picture, fascia, 0, y)
    if y + 20 < rows:
        shade = np.linspace(0.45, 1, min(90, rows - y), dtype=np.float32)[:, None, None]
        picture[y : y + shade.shape[0]] = (picture[y : y + shade.shape[0]] * shade).astype(np.uint8)
    y += 330
    if y < rows:
        picture[y:] = (picture[y:] * 0.5).astype(np.uint8)
    _tape(picture, edge, rng, lifted)
    if lifted:
        thumb(picture, (columns * rng.uniform(0.62, 0.75), edge - 40), 300, 172.0, rng)
    turned = cv2.getRotationMatrix2D((columns / 2, rows / 2), float(rng.normal(0, 5)), 1.12)
    turned[:, 2] += rng.normal(0, 25, 2)
    whole = cv2.warpAffine(picture, turned, (columns, rows), borderMode=cv2.BORDER_REFLECT)
    return focus(whole, rng)


def _tape(picture: Picture, edge: int, rng: np.random.Generator, lifted: bool) -> None:
    """A steel tape hanging over the edge."""
    tape = np.full((860, 200, 3), (70, 214, 244), np.uint8)
    curve = np.interp(np.linspace(0, 1, 200), [0, 0.3, 0.55, 0.8, 1], [0.72, 1.0, 1.06, 0.95, 0.66])
    tape = np.clip(tape * curve[None, :, None], 0, 255).astype(np.uint8)
    for tick in range(0, 860, 13):
        long = 90 if tick % 104 == 0 else 60 if tick % 52 == 0 else 34
        cv2.line(tape, (0, tick), (long, tick), (24, 24, 24), 3)
    for inch in range(1, 9):
        print_on(tape, str(inch), (140, inch * 104 - 46), 62, (20, 20, 22))
    x = picture.shape[1] * rng.uniform(0.22, 0.42)
    top = edge - (60 if lifted else 20)
    wide = rng.uniform(150, 180)
    corners = np.array([[x, top], [x + wide, top - 6], [x + wide + 10, top + 700], [x + 10, top + 706]])
    lay_down(picture, tape, corners, 12)
