"""Photos taken on the roof: slopes, chalked test squares, close-ups, and fixtures."""

from __future__ import annotations

import cv2
import numpy as np

from demo_photos import textures
from demo_photos.chalk import BLUE, WHITE, YELLOW, Chalk, hail_hit, spread_points
from demo_photos.fixtures import box_vent, pipe
from demo_photos.house import FACES, OVERHANG, on_slope, side, slope_outline, slope_part, sun_light, uphill
from demo_photos.outside import View
from demo_photos.world import Canvas, Picture, Vector, vec
from demo_photos.yard import backdrop, draw_slope, draw_yard

SQUARE = 3.048
"""Metres of a test square's side: ten feet."""


def slope(view: View) -> Picture:
    """A whole slope from one end of its eave or from a ladder."""
    house, rng = view.house, view.rng
    wall = side(house, view.face)
    span = wall.length + 2 * OVERHANG
    turn = rng.choice([-1, 1])
    if rng.random() < 0.5:
        eye = on_slope(
            house, view.face, span / 2 - turn * span * rng.uniform(0.2, 0.34), rng.uniform(0.2, 0.6), 1.6
        )
        target = on_slope(
            house, view.face, span / 2 + turn * span * rng.uniform(0.05, 0.2), house.slope_length * 0.62, 0
        )
    else:
        eye = (
            on_slope(house, view.face, span / 2 + rng.uniform(-1, 1) * span * 0.15, 0, 0)
            + wall.out * rng.uniform(1.2, 2.4)
            + vec(0, 0, 1.1)
        )
        target = on_slope(house, view.face, span / 2 + rng.uniform(-1, 1), house.slope_length * 0.5, 0)
    canvas = _roof(view, eye, target, rng.uniform(62, 70))
    return canvas.picture


def _roof(
    view: View,
    eye: Vector,
    target: Vector,
    fov: float,
    texture: Picture | None = None,
    *,
    things: bool = True,
) -> Canvas:
    """The view from the roof: yard and trees below, the slopes, and the fixtures on them."""
    house, rng = view.house, view.rng
    canvas = backdrop(view.camera(eye, target, fov, 2.5), rng, cover=view.cover, trees=rng.uniform(1.6, 2.6))
    draw_yard(canvas, house, near=False)
    order = sorted(FACES, key=lambda f: f == view.face)
    for face in order:
        normal = np.cross(side(house, face).right, uphill(house, face))
        if (eye - on_slope(house, face, 0, 0)) @ normal > 0:
            draw_slope(canvas, house, face, view.sun, texture if face == view.face else None, strips=6)
    _ridge_line(canvas, view)
    if things:
        places = fixtures_on(view)
        places.sort(
            key=lambda item: -float(np.linalg.norm(eye - on_slope(house, view.face, item[1], item[2])))
        )
        for kind, along, up in places:
            (box_vent if kind == "vent" else pipe)(canvas, view, view.face, along, up)
    return canvas


def fixtures_on(view: View) -> list[tuple[str, float, float]]:
    """Return the fixtures on a slope of this house, always at the same place: kind, metres along, metres up."""
    house = view.house
    span = side(house, view.face).length + 2 * OVERHANG
    top = house.slope_length
    if view.face == "back":
        return [
            ("vent", span * 0.42, top * 0.78),
            ("vent", span * 0.58, top * 0.78),
            ("pipe", span * 0.3, top * 0.45),
        ]
    if view.face == "right":
        return [("pipe", span * 0.55, top * 0.42)]
    return []


def _ridge_line(canvas: Canvas, view: View) -> None:
    """Cap shingles along the ridge and the hips of the slope in view."""
    house = view.house
    span = side(house, view.face).length + 2 * OVERHANG
    cut = slope_outline(house, view.face)[0][0] * span
    top = house.slope_length
    lines = [((0.0, 0.0), (cut, top)), ((span, 0.0), (span - cut, top))]
    if cut < span / 2 - 0.2:
        lines.append(((cut, top), (span - cut, top)))
    cap = _cap_texture(house.seed, house.roof)
    for (a0, u0), (a1, u1) in lines:
        start, end = on_slope(house, view.face, a0, u0, 0.015), on_slope(house, view.face, a1, u1, 0.015)
        along = end - start
        normal = np.cross(side(house, view.face).right, uphill(house, view.face))
        across = np.cross(along / np.linalg.norm(along), normal) * 0.15
        if (across @ uphill(house, view.face)) > 0:
            across = -across
        canvas.plane(start, along, across, cap, shade=sun_light(view.sun, normal) * 1.03, strips=1)


def _cap_texture(seed: int, palette: str) -> Picture:
    lay = textures.shingles(seed + 5, 0.16, 5.0, 90, palette)
    return np.ascontiguousarray(cv2.rotate(lay, cv2.ROTATE_90_CLOCKWISE))


# --- test squares ------------------------------------------------------------------------


def test_square(view: View) -> Picture:
    """A ten-foot square chalked on the slope, every hit in it ringed, the side and the count written."""
    house, rng = view.house, view.rng
    span = side(house, view.face).length + 2 * OVERHANG
    ppm = 210
    along = span / 2 + rng.uniform(-0.5, 0.5)
    low = min(0.75, (house.slope_length - SQUARE) / 2)
    patch = 4.4
    lay = textures.shingles(
        house.seed * 31 + FACES.index(view.face), patch, SQUARE + low + 0.6, ppm, house.roof
    )
    left, bottom = (patch - SQUARE) / 2 * ppm, lay.shape[0] - low * ppm
    _mark_square(lay, (left, bottom - SQUARE * ppm, left + SQUARE * ppm, bottom), ppm, view)
    eye = on_slope(
        house, view.face, along + rng.uniform(-1.3, 1.3), low - rng.uniform(1.0, 1.5), rng.uniform(2.5, 2.9)
    )
    target = on_slope(house, view.face, along + rng.uniform(-0.15, 0.15), low + SQUARE * 0.48, 0)
    canvas = _roof(view, eye, target, rng.uniform(64, 70), things=False)
    wall, climb = side(house, view.face), uphill(house, view.face)
    normal = np.cross(wall.right, climb)
    height = lay.shape[0] / ppm
    soft = np.full(lay.shape[:2], 255, np.uint8)
    edge = 30
    soft[:, :edge] = np.linspace(0, 255, edge).astype(np.uint8)
    soft[:, -edge:] = np.linspace(255, 0, edge).astype(np.uint8)
    soft[:edge] = np.minimum(soft[:edge], np.linspace(0, 255, edge).astype(np.uint8)[:, None])
    canvas.plane(
        on_slope(house, view.face, along - patch / 2, height, 0.002),
        wall.right * patch,
        -climb * height,
        np.dstack([lay, soft]),
        shade=sun_light(view.sun, normal),
        outline=slope_part(house, view.face, along - patch / 2, 0.0, patch, height),
        strips=4,
    )
    return canvas.picture


def _mark_square(lay: Picture, box: tuple[float, float, float, float], ppm: float, view: View) -> None:
    """Hits, rings, outline and lettering on the shingles of a test square."""
    rng = view.rng
    left, top, right, bottom = box
    chalk = Chalk(lay, ppm, rng)
    corners = [(left, top), (right, top), (right, bottom), (left, bottom)]
    for start, end in zip(corners, corners[1:] + corners[:1], strict=True):
        over = (np.array(end) - np.array(start)) * 0.012
        chalk.line(tuple(np.array(start) - over), tuple(np.array(end) + over), 0.02)
    inner = (left + 0.3 * ppm, top + 0.88 * ppm, right - 0.3 * ppm, bottom - 0.3 * ppm)
    for point in spread_points(rng, view.count, inner, 0.5 * ppm):
        hail_hit(lay, point, rng.uniform(0.013, 0.02), ppm, rng)
        chalk.circle(point, rng.uniform(0.075, 0.1), 0.016)
    letter = {"front": "F", "right": "R", "back": "B", "left": "L"}[view.face]
    chalk.write(letter, (left + 0.42 * ppm, top + 0.42 * ppm), 0.62)
    chalk.write(str(view.count), (right - 0.5 * ppm, top + 0.42 * ppm), 0.66)
    chalk.rub(rng.choice([WHITE, YELLOW]).tolist() if rng.random() < 0.5 else WHITE, 0.95)


# --- close-ups ---------------------------------------------------------------------------


def close_up(view: View) -> Picture:
    """Shingles from knee height: a ringed hit or two, or sound granules."""
    rng = view.rng
    wide = rng.uniform(0.62, 0.95)
    lay, ppm = shingle_table(view, wide)
    chalk = Chalk(lay, ppm, rng)
    rows, columns = lay.shape[:2]
    if view.damage:
        number = int(rng.integers(1, 3))
        for point in spread_points(
            rng, number, (columns * 0.3, rows * 0.32, columns * 0.7, rows * 0.68), 0.2 * ppm
        ):
            hail_hit(lay, point, rng.uniform(0.011, 0.019), ppm, rng)
            chalk.circle(point, rng.uniform(0.05, 0.075), 0.012)
        chalk.rub(WHITE if rng.random() < 0.7 else BLUE, 0.95)
    picture = tilt(view, lay, rng.uniform(0.02, 0.2), float(rng.normal(0, 9)))
    if view.damage and rng.random() < 0.6:
        _coin(picture, rng)
    return focus(picture, rng)


def shingle_table(view: View, wide: float) -> tuple[Picture, float]:
    """A piece of shingles somewhat larger than the frame, `wide` metres across the frame; its pixels a metre."""
    ppm = view.width / wide
    scale = 1.25
    lay = textures.shingles(
        int(view.rng.integers(1 << 30)), wide * scale, wide * scale * 0.75, ppm, view.house.roof
    )
    return lay, ppm


def tilt(view: View, lay: Picture, lean: float, roll: float) -> Picture:
    """The flat piece as the camera sees it: leaning back by `lean`, turned by `roll` degrees."""
    rows, columns = lay.shape[:2]
    angle = np.radians(roll)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    half = np.array([view.width, view.height]) / 2
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], np.float64) * half
    spread = np.array([1 + lean, 1 + lean, 1 - lean * 0.4, 1 - lean * 0.4])[:, None]
    source = (corners * spread) @ turn.T + np.array([columns, rows]) / 2
    matrix = cv2.getPerspectiveTransform(source.astype(np.float32), (corners + half).astype(np.float32))
    return cv2.warpPerspective(lay, matrix, (view.width, view.height), borderMode=cv2.BORDER_REFLECT)


def _coin(picture: Picture, rng: np.random.Generator) -> None:
    """A plain metal disc laid down for scale."""
    x = int(rng.choice([rng.uniform(0.12, 0.25), rng.uniform(0.75, 0.88)]) * picture.shape[1])
    y = int(rng.uniform(0.3, 0.8) * picture.shape[0])
    radius = int(rng.uniform(50, 66))
    cv2.circle(picture, (x + 7, y + 9), radius, (22, 22, 24), -1, cv2.LINE_AA)
    disc = textures.metal(int(rng.integers(99)), 2 * radius, 2 * radius, (186, 190, 192))
    v, u = np.mgrid[-1 : 1 : 2j * radius, -1 : 1 : 2j * radius]
    light = 1 + 0.25 * np.cos(np.arctan2(v, u) * 2 + rng.uniform(0, 6)) * np.hypot(u, v)
    light *= np.where(np.abs(np.hypot(u, v) - 0.88) < 0.045, 0.7, 1.0)
    disc = np.clip(disc * light[..., None], 0, 255).astype(np.uint8)
    cv2.ellipse(
        disc, (radius, radius), (radius // 3, radius // 2), 20, 0, 360, (138, 142, 146), 3, cv2.LINE_AA
    )
    mask = np.zeros(picture.shape[:2], np.uint8)
    cv2.circle(mask, (x, y), radius, 255, -1, cv2.LINE_AA)
    top, left = max(0, y - radius), max(0, x - radius)
    part = picture[top : y + radius, left : x + radius]
    cut = disc[: part.shape[0], : part.shape[1]]
    cv2.copyTo(cut, mask[top : top + part.shape[0], left : left + part.shape[1]], part)


def focus(picture: Picture, rng: np.random.Generator) -> Picture:
    """Soft corners: the near and the far edge lie a little out of focus."""
    rows, columns = picture.shape[:2]
    small = cv2.resize(picture, (columns // 3, rows // 3), interpolation=cv2.INTER_AREA)
    soft = cv2.resize(cv2.GaussianBlur(small, (0, 0), 1.4), (columns, rows), interpolation=cv2.INTER_LINEAR)
    centre = rng.uniform(0.42, 0.6)
    away = np.abs(np.linspace(0, 1, rows, dtype=np.float32) - centre)
    weight = np.clip((away - 0.3) * 3.2, 0, 0.85)
    field = np.repeat(weight[:, None], columns, axis=1)
    return cv2.blendLinear(soft, picture, field, 1 - field)


# --- fixtures on the roof ----------------------------------------------------------------


def vent(view: View) -> Picture:
    """A roof vent from a few steps away."""
    return _fixture(view, "vent")


def pipe_boot(view: View) -> Picture:
    """A pipe boot from a few steps away."""
    return _fixture(view, "pipe")


def _fixture(view: View, kind: str) -> Picture:
    house, rng = view.house, view.rng
    wall = side(house, view.face)
    along, up = wall.length * rng.uniform(0.45, 0.55), house.slope_length * rng.uniform(0.4, 0.5)
    far = rng.uniform(0.95, 1.35)
    eye = on_slope(
        house,
        view.face,
        along + rng.choice([-1, 1]) * far * rng.uniform(0.3, 0.8),
        up - far * rng.uniform(0.55, 0.9),
        rng.uniform(0.85, 1.25),
    )
    target = on_slope(
        house, view.face, along + rng.uniform(-0.1, 0.1), up + 0.05, 0.08 if kind == "vent" else 0.15
    )
    canvas = _roof(view, eye, target, rng.uniform(50, 58), things=False)
    _near_patch(canvas, view, along, up)
    damaged = view.damage is True
    (box_vent if kind == "vent" else pipe)(canvas, view, view.face, along, up, damaged)
    return canvas.picture


def _near_patch(
    canvas: Canvas, view: View, along: float, up: float, reach: float = 1.6, ppm: float = 380
) -> None:
    """Finer shingles round a place that the camera is close to, fading into the slope."""
    house, rng = view.house, view.rng
    wall, climb = side(house, view.face), uphill(house, view.face)
    lay = textures.shingles(int(rng.integers(1 << 30)), 2 * reach, 2 * reach, ppm, house.roof)
    rows, columns = lay.shape[:2]
    x = np.minimum(np.arange(columns), np.arange(columns)[::-1])
    fade = np.clip(np.minimum(x[None, :], x[:rows][:, None] if rows == columns else x[None, :]) / 60, 0, 1)
    shade = sun_light(view.sun, np.cross(wall.right, climb))
    canvas.plane(
        on_slope(house, view.face, along - reach, up + reach, 0.002),
        wall.right * 2 * reach,
        -climb * 2 * reach,
        np.dstack([lay, cv2.convertScaleAbs(fade.astype(np.float32), alpha=255)]),
        shade=shade,
        outline=slope_part(house, view.face, along - reach, up - reach, 2 * reach, 2 * reach),
        strips=3,
    )


def ridge(view: View) -> Picture:
    """Along the ridge: cap shingles in the middle, both slopes falling away."""
    house, rng = view.house, view.rng
    span = side(house, "front").length + 2 * OVERHANG
    run = house.depth / 2 + OVERHANG
    crest = on_slope(house, "front", span / 2, house.slope_length)
    half = span / 2 - run
    ahead = vec(rng.choice([-1.0, 1.0]), 0, 0)
    eye = crest - ahead * min(half, 1.9) + vec(0, rng.uniform(-1.3, 1.3), rng.uniform(1.1, 1.9))
    target = crest + ahead * rng.uniform(0.2, 1.6) + vec(0, rng.uniform(-0.5, 0.5), rng.uniform(-0.2, 0.5))
    canvas = backdrop(view.camera(eye, target, rng.uniform(62, 68), 3), rng, cover=view.cover, trees=2.2)
    draw_yard(canvas, house, near=False)
    for face in ("left", "right", "back", "front"):
        draw_slope(canvas, house, face, view.sun, strips=6)
    for face in ("front", "back"):
        wall, climb = side(house, face), uphill(house, face)
        lay = textures.shingles(int(rng.integers(1 << 30)), 2 * half + 1, 2.0, 260, house.roof)
        normal = np.cross(wall.right, climb)
        canvas.plane(
            on_slope(house, face, span / 2 - half - 0.5, house.slope_length, 0.003),
            wall.right * (2 * half + 1),
            -climb * 2.0,
            lay,
            shade=sun_light(view.sun, normal),
            strips=2,
        )
        caps = _caps(view, 2 * half, face)
        canvas.plane(
            on_slope(house, face, span / 2 - half, house.slope_length, 0.012),
            wall.right * 2 * half,
            -climb * 0.16,
            caps,
            shade=sun_light(view.sun, normal) * 1.04,
            strips=1,
        )
    return canvas.picture


def _caps(view: View, length: float, face: str) -> Picture:
    """Ridge caps overlapping along the ridge, one half of them as seen on one slope."""
    ppm, rng = 420, view.rng
    lay = textures.shingles(int(rng.integers(1 << 30)), 0.16, max(length, 0.5), ppm, view.house.roof)
    turned = cv2.rotate(lay, cv2.ROTATE_90_CLOCKWISE if face == "front" else cv2.ROTATE_90_COUNTERCLOCKWISE)
    caps = np.ascontiguousarray(turned)
    if view.damage:
        chalk = Chalk(caps, ppm, rng)
        for x, y in spread_points(
            rng, 3, (caps.shape[1] * 0.3, 22, caps.shape[1] * 0.7, caps.shape[0] - 22), 0.4 * ppm
        ):
            hail_hit(caps, (x, y), 0.014, ppm, rng)
            chalk.circle((x, y), 0.045)
        chalk.rub(WHITE)
    return caps
