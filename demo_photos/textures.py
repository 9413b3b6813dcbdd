"""Surfaces of a house, drawn flat: shingles, siding, brick, grass, glass, metal.

Every function gives a uint8 BGR picture of a piece of so many metres at so many pixels a metre
(`ppm`), the same for the same seed. Colours are BGR, 0 to 255.
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_photos.world import Picture

Colour = tuple[int, int, int]
Field = NDArray[np.float32]

COURSE = 0.143
"""Metres of a shingle's exposure: 5 5/8 inches, the customary metric size."""

SHINGLE_PALETTES: dict[str, tuple[Colour, Colour, Colour]] = {
    "weathered": ((84, 92, 98), (110, 122, 132), (62, 66, 72)),
    "charcoal": ((58, 58, 60), (84, 84, 88), (38, 38, 40)),
    "brown": ((58, 72, 92), (82, 104, 128), (40, 48, 62)),
    "slate": ((96, 88, 78), (122, 112, 100), (70, 64, 56)),
}


@lru_cache(maxsize=4)
def noise_tile(seed: int = 1) -> Picture:
    """A square of grey normal noise round 128, deviation 32, to be cropped and turned."""
    noise = np.random.default_rng(seed).normal(128, 32, (2300, 2300))
    return np.clip(noise, 0, 255).astype(np.uint8)


def noise(rng: np.random.Generator, rows: int, columns: int, grain: float = 1.0) -> Field:
    """Noise of deviation about one; `grain` is its size in pixels."""
    small_rows, small_columns = max(2, int(rows / grain) + 2), max(2, int(columns / grain) + 2)
    tile = noise_tile()
    side = tile.shape[0]
    if small_rows > side or small_columns > side:
        tile = np.tile(tile, (small_rows // side + 1, small_columns // side + 1))
    top = int(rng.integers(0, tile.shape[0] - small_rows + 1))
    left = int(rng.integers(0, tile.shape[1] - small_columns + 1))
    crop = tile[top : top + small_rows, left : left + small_columns].astype(np.float32)
    if rng.random() < 0.5:
        crop = crop[:, ::-1]
    crop = (crop - 128) / 32
    if grain == 1.0:
        return crop[:rows, :columns]
    full = cv2.resize(crop, (columns + int(grain), rows + int(grain)), interpolation=cv2.INTER_CUBIC)
    return full[:rows, :columns]


def clouds(rng: np.random.Generator, rows: int, columns: int, octaves: int = 5, first: float = 3.0) -> Field:
    """Soft noise at several scales, 0 to 1; `first` is how many blobs lie across."""
    small_columns = min(columns, 320)
    small_rows = max(2, round(rows * small_columns / columns))
    total = np.zeros((small_rows, small_columns), np.float32)
    weight = 1.0
    across = first
    for _ in range(octaves):
        cells = max(2, int(across) + 2)
        down = max(2, int(across * rows / columns) + 2)
        blobs = rng.random((down, cells)).astype(np.float32)
        total += weight * cv2.resize(blobs, (small_columns, small_rows), interpolation=cv2.INTER_CUBIC)
        weight *= 0.5
        across *= 2
    total -= total.min()
    total /= max(float(total.max()), 1e-6)
    return cv2.resize(total, (columns, rows), interpolation=cv2.INTER_LINEAR)


def tint(light: Field, colour: Colour) -> Picture:
    """A flat colour times a field of light."""
    planes = [cv2.convertScaleAbs(light, alpha=float(channel)) for channel in colour]
    return cv2.merge(planes)


def shingles(
    seed: int, width: float, height: float, ppm: float, palette: str, *, grain: float = 1.0
) -> Picture:
    """Laminated asphalt shingles, courses running across, butts toward the bottom."""
    rng = np.random.default_rng(seed)
    columns, rows = round(width * ppm), round(height * ppm)
    light = np.empty((rows, columns), np.float32)
    hue = np.empty((rows, columns), np.float32)
    edges = np.arange(rows, -COURSE * ppm, -COURSE * ppm)
    for bottom in edges:
        low, high = max(0, round(bottom - COURSE * ppm)), round(bottom)
        if high <= low:
            continue
        _course(rng, light, hue, low, high, ppm)
    dark_a, bright_b, deep = (np.array(c, np.float32) for c in SHINGLE_PALETTES[palette])
    granules = noise(rng, rows, columns, max(1.0, 0.0014 * ppm))
    light *= 1 + (0.16 if ppm > 500 else 0.08) * grain * granules
    hue += 0.25 * noise(rng, rows, columns, max(1.0, 0.0022 * ppm)) * (1.0 if ppm > 500 else 0.5)
    light *= 0.9 + 0.2 * clouds(rng, rows, columns, 4, 2.5)
    np.clip(hue, 0, 1, out=hue)
    planes = []
    for channel in range(3):
        mixed = deep[channel] + (dark_a[channel] - deep[channel]) * np.minimum(hue * 2, 1)
        mixed += (bright_b[channel] - dark_a[channel]) * np.maximum(hue * 2 - 1, 0)
        planes.append(cv2.convertScaleAbs(mixed * light))
    return cv2.merge(planes)


def _course(rng: np.random.Generator, light: Field, hue: Field, low: int, high: int, ppm: float) -> None:
    """One course between the rows: teeth and gaps of the upper sheet, the joints, the butt's shadow."""
    columns = light.shape[1]
    width = columns / ppm
    cuts = np.cumsum(rng.uniform(0.07, 0.2, int(width / 0.07) + 3)) - 0.2
    positions = np.arange(columns) / ppm
    piece = np.clip(np.searchsorted(cuts, positions), 0, cuts.size - 1)
    raised = (np.arange(cuts.size) % 2).astype(np.float32)
    tone = rng.uniform(0.15, 0.95, cuts.size).astype(np.float32) * (0.45 + 0.55 * raised)
    from_cut = positions - np.where(piece > 0, cuts[np.maximum(piece - 1, 0)], 0)
    edge_shadow = np.where((raised[piece] == 0) & (from_cut < 0.008), 0.6, 1.0)
    line = ((0.86 + 0.14 * raised[piece]) * edge_shadow).astype(np.float32)
    line *= (1 + 0.05 * rng.standard_normal(cuts.size))[piece].astype(np.float32)
    depth = (np.arange(high - low) + 0.5) / ppm
    under_butt = 1 - 0.6 * np.exp(-((depth / 0.011) ** 2))
    from_butt = (high - low) / ppm - depth
    lip = 1 - 0.35 * np.exp(-((from_butt / 0.004) ** 2))
    profile = (under_butt * lip * (0.94 + 0.1 * depth / COURSE)).astype(np.float32)
    light[low:high] = profile[:, None] * line[None, :]
    # The gap pieces stop short of the butt: a darker foot shows where the lower sheet lies.
    foot = (from_butt < 0.016).astype(np.float32)[:, None] * (1 - raised[piece])[None, :]
    light[low:high] *= 1 - 0.35 * foot
    hue[low:high] = tone[piece][None, :]


def siding(
    seed: int, width: float, height: float, ppm: float, colour: Colour, *, lap: float = 0.115
) -> Picture:
    """Horizontal lap siding: each board catches light at its foot and throws a shadow below."""
    rng = np.random.default_rng(seed)
    columns, rows = round(width * ppm), round(height * ppm)
    place = (np.arange(rows) / ppm) % lap
    profile = 0.93 + 0.12 * place / lap
    profile *= 1 - 0.5 * np.exp(-((place / 0.007) ** 2))
    profile *= 1 + 0.06 * np.exp(-(((lap - place) / 0.006) ** 2))
    light = np.repeat(profile.astype(np.float32)[:, None], columns, axis=1)
    board = (np.arange(rows) / ppm // lap).astype(int)
    joint = rng.uniform(0, 3.7, board.max() + 1)
    for index in range(board.max() + 1):
        rows_of = np.flatnonzero(board == index)
        for at in np.arange(joint[index], width, 3.7):
            column = int(at * ppm)
            light[rows_of[0] : rows_of[-1] + 1, column : column + max(1, int(0.002 * ppm))] *= 0.72
    light *= 0.95 + 0.08 * clouds(rng, rows, columns, 3, 2)
    if ppm > 300:
        grain = cv2.resize(noise(rng, rows, max(2, columns // 24)), (columns, rows))
        light *= 1 + 0.018 * grain
    return tint(light, colour)


def brick(seed: int, width: float, height: float, ppm: float, colour: Colour) -> Picture:
    """Running-bond brick with mortar joints."""
    rng = np.random.default_rng(seed)
    columns, rows = round(width * ppm), round(height * ppm)
    long, tall, mortar = 0.203, 0.0677, 0.0105
    y = np.arange(rows) / ppm
    x = np.arange(columns) / ppm
    row = (y // tall).astype(int)
    shifted = x[None, :] + (row % 2)[:, None] * long / 2
    column = (shifted // long).astype(int)
    tones = rng.normal(1.0, 0.12, (row.max() + 1, column.max() + 1)).astype(np.float32)
    hues = rng.uniform(0, 1, tones.shape).astype(np.float32)
    light = tones[row[:, None], column]
    hue = hues[row[:, None], column]
    joint = ((shifted % long) < mortar) | ((y % tall) < mortar)[:, None]
    light *= 1 + 0.07 * noise(rng, rows, columns, max(1.0, 0.004 * ppm))
    first, second = np.array(colour, np.float32), np.array(colour, np.float32) * (0.72, 0.8, 0.86)
    planes = []
    grey = 168 + 12 * noise(rng, rows, columns, max(1.0, 0.003 * ppm))
    for channel in range(3):
        mixed = (first[channel] + (second[channel] - first[channel]) * hue) * light
        planes.append(cv2.convertScaleAbs(np.where(joint, grey * (0.92, 0.97, 1.0)[channel], mixed)))
    return cv2.merge(planes)


def stucco(seed: int, width: float, height: float, ppm: float, colour: Colour) -> Picture:
    """Rough plaster."""
    rng = np.random.default_rng(seed)
    columns, rows = round(width * ppm), round(height * ppm)
    relief = noise(rng, rows, columns, max(1.0, 0.008 * ppm)) + 0.6 * noise(
        rng, rows, columns, max(1.0, 0.02 * ppm)
    )
    light = 1 + 0.06 * (relief - np.roll(relief, 2, axis=0))
    light *= 0.93 + 0.12 * clouds(rng, rows, columns, 4, 3)
    return tint(light.astype(np.float32), colour)


def grass(seed: int, width: float, height: float, ppm: float) -> Picture:
    """A mown lawn seen from above."""
    rng = np.random.default_rng(seed)
    columns, rows = round(width * ppm), round(height * ppm)
    patches = clouds(rng, rows, columns, 6, max(3.0, width / 4))
    blades = noise(rng, rows, columns, 1.0) + 0.9 * noise(rng, rows, columns, 3.0)
    light = (0.62 + 0.55 * patches) * (1 + 0.17 * blades)
    dry = np.clip(clouds(rng, rows, columns, 4, max(2.0, width / 6)) * 1.4 - 0.5, 0, 1)
    planes = [
        cv2.convertScaleAbs(light * (green + (straw - green) * dry))
        for green, straw in zip((48, 118, 92), (84, 146, 152), strict=True)
    ]
    return cv2.merge(planes)


def concrete(seed: int, width: float, height: float, ppm: float, *, joint: float = 3.0) -> Picture:
    """A driveway or a pad, with control joints so many metres apart and a few stains."""
    rng = np.random.default_rng(seed)
    columns, rows = round(width * ppm), round(height * ppm)
    light = 0.82 + 0.2 * clouds(rng, rows, columns, 6, 4)
    light *= 1 + 0.05 * noise(rng, rows, columns, max(1.0, 0.002 * ppm))
    for along, length in ((0, rows), (1, columns)):
        for at in np.arange(joint * 0.6, length / ppm, joint):
            place = int(at * ppm)
            part = slice(place, place + max(2, int(0.01 * ppm)))
            if along == 0:
                light[part, :] *= 0.6
            else:
                light[:, part] *= 0.6
    return tint(light, (172, 184, 190))


def metal(
    seed: int, columns: int, rows: int, colour: Colour, *, bend: NDArray[np.float64] | None = None
) -> Picture:
    """Painted sheet metal; `bend` is the light across the rows of its profile."""
    rng = np.random.default_rng(seed)
    profile = np.interp(
        np.linspace(0, 1, rows),
        np.linspace(0, 1, 2 if bend is None else bend.size),
        np.array([1.0, 0.94]) if bend is None else bend,
    ).astype(np.float32)
    light = np.repeat(profile[:, None], columns, axis=1)
    light *= 0.95 + 0.08 * clouds(rng, rows, columns, 4, 5)
    light *= 1 + 0.012 * noise(rng, rows, columns, 1.6)
    return tint(light, colour)


def dents(picture: Picture, spots: NDArray[np.float64], radius: float, rng: np.random.Generator) -> None:
    """Press round dents into sheet metal at pixel `spots`: bright on one side, dark on the other."""
    for x, y in spots:
        size = radius * rng.uniform(0.7, 1.35)
        reach = int(size * 2.4) + 2
        x0, x1 = max(0, int(x) - reach), min(picture.shape[1], int(x) + reach)
        y0, y1 = max(0, int(y) - reach), min(picture.shape[0], int(y) + reach)
        if x1 - x0 < 3 or y1 - y0 < 3:
            continue
        u = (np.arange(x0, x1)[None, :] - x) / size
        v = (np.arange(y0, y1)[:, None] - y) / size
        bowl = np.exp(-(u**2 + v**2) * 1.1)
        light = 1 + 1.05 * bowl * (0.35 * u + 0.95 * v) - 0.22 * np.exp(-(u**2 + v**2) * 2.2)
        part = picture[y0:y1, x0:x1].astype(np.float32) * np.clip(light, 0.35, 1.7)[..., None]
        picture[y0:y1, x0:x1] = np.clip(part, 0, 255).astype(np.uint8)


def screen_mesh(seed: int, columns: int, rows: int, pitch: float) -> Picture:
    """Insect screen with an opacity channel: thin wires, `pitch` pixels apart."""
    rng = np.random.default_rng(seed)
    x, y = np.arange(columns), np.arange(rows)
    wobble = 0.6 * np.sin(y / rows * 9 + rng.uniform(0, 6))
    wires = np.zeros((rows, columns), np.float32)
    phase_x = ((x[None, :] + wobble[:, None]) % pitch) / pitch
    phase_y = (y % pitch) / pitch
    wires = np.maximum((phase_x < 0.3), (phase_y < 0.3)[:, None]).astype(np.float32)
    opacity = (60 + 150 * wires).astype(np.uint8)
    grey = np.full((rows, columns), 62, np.uint8)
    return cv2.merge([grey, grey, (grey + 2).astype(np.uint8), opacity])


def sky(rng: np.random.Generator, columns: int, rows: int, *, cover: float, haze: float) -> Picture:
    """Sky down to a horizon at the picture's foot; `cover` and `haze` 0 to 1."""
    height = np.linspace(0, 1, rows, dtype=np.float32)[:, None]
    # Clouds lie flat: they are stretched more the nearer to the horizon.
    small = clouds(rng, rows * 2, columns, 6, 2.5)
    fine = clouds(rng, rows * 2, columns, 6, 8.0)
    body = cv2.resize(small * 0.75 + fine * 0.35, (columns, rows), interpolation=cv2.INTER_AREA)
    amount = np.clip((body - (0.92 - 0.75 * cover)) * 3.4, 0, 1)
    planes = []
    for top, low in ((214, 236), (156, 214), (96, 196)):
        blue = top + (low - top) * (height ** (1.6 - haze))
        white = 238 - 42 * np.clip(body * amount - 0.35, 0, 1)
        planes.append(cv2.convertScaleAbs(blue + (white - blue) * amount))
    return cv2.merge(planes)


def foliage(rng: np.random.Generator, columns: int, rows: int, *, shade: float = 1.0) -> Picture:
    """A tree or a shrub's crown with an opacity channel."""
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    u, v = (x / columns - 0.5) * 2, (y / rows - 0.5) * 2
    bulge = clouds(rng, rows, columns, 5, 6)
    reach = 1.0 - np.sqrt(u**2 + v**2) + 0.75 * (bulge - 0.55)
    opacity = np.clip((reach - 0.1) * 9, 0, 1)
    leaves = noise(rng, rows, columns, 2.0) * 0.5 + noise(rng, rows, columns, 5.0) * 0.5
    opacity *= np.clip(1.4 + leaves * 0.9 + reach * 3, 0, 1)
    light = (0.55 + 0.4 * bulge - 0.22 * v + 0.16 * leaves) * shade
    colour = tint(np.clip(light, 0.1, 1.6).astype(np.float32), (46, 104, 74))
    return np.dstack([colour, cv2.convertScaleAbs(opacity, alpha=255)])
