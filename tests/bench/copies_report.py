"""Which changed copies of a photo the perceptual hash finds, on real photos: a table for docs/measurements.md.

    python tests/bench/copies_report.py PHOTO ...

Each change is made on the whole photo, saved as JPEG and read again. The columns: how many bits of 64 differ in the
median and at most, how many of the photos are found within 6 and 10 bits, and how many within 6 by the plain hash alone,
without the hashes of the turned and mirrored picture. The last line says how often photos of different scenes are as
near as that.
"""

from __future__ import annotations

import io
import sys
from collections.abc import Callable
from itertools import combinations
from pathlib import Path
from statistics import median

import numpy as np
from PIL import Image, ImageEnhance, ImageFilter, ImageOps

from evidence.alike.turning import turned_hashes
from evidence.coverage.doubles import distance
from evidence.sight.quality import perceptual_hash

RADII = (6, 10)
Change = Callable[[Image.Image], Image.Image]


def saved(picture: Image.Image, quality: int) -> Image.Image:
    """The picture as a JPEG of that quality gives it back."""
    data = io.BytesIO()
    picture.save(data, "JPEG", quality=quality)
    data.seek(0)
    return Image.open(data).convert("RGB")


def reduced(picture: Image.Image, side: int) -> Image.Image:
    """The picture with a long side of so many pixels."""
    copy = picture.copy()
    copy.thumbnail((side, side))
    return copy


def cut(share: float, *, left: float = 0.5, top: float = 0.5) -> Change:
    """Takes away a share of width and height; `left` and `top` say how much of it on those sides."""

    def change(picture: Image.Image) -> Image.Image:
        width, height = picture.size
        wide, high = round(width * share), round(height * share)
        x, y = round(wide * left), round(high * top)
        return picture.crop((x, y, x + width - wide, y + height - high))

    return change


def turned(degrees: float) -> Change:
    """Turns by some degrees and cuts the corners off."""

    def change(picture: Image.Image) -> Image.Image:
        whole = picture.rotate(degrees, resample=Image.Resampling.BICUBIC)
        return cut(2 * abs(np.sin(np.radians(degrees))))(whole)

    return change


def dated(picture: Image.Image) -> Image.Image:
    """A date printed into the corner, a twelfth of the height."""
    copy = picture.copy()
    width, height = copy.size
    strip = Image.new("RGB", (width // 3, height // 12), (250, 160, 30))
    copy.paste(strip, (width - strip.width, height - strip.height))
    return copy


def framed(picture: Image.Image) -> Image.Image:
    """A white frame of a twentieth."""
    return ImageOps.expand(picture, border=picture.width // 20, fill="white")


CHANGES: dict[str, Change] = {
    "saved again, JPEG quality 75": lambda p: saved(p, 75),
    "saved again, JPEG quality 30": lambda p: saved(p, 30),
    "reduced to 1,600 pixels": lambda p: reduced(p, 1600),
    "reduced to 640 pixels, quality 60": lambda p: saved(reduced(p, 640), 60),
    "a third brighter": lambda p: ImageEnhance.Brightness(p).enhance(1.33),
    "a third darker": lambda p: ImageEnhance.Brightness(p).enhance(0.67),
    "a third more contrast": lambda p: ImageEnhance.Contrast(p).enhance(1.33),
    "black and white": lambda p: p.convert("L").convert("RGB"),
    "colder colours": lambda p: Image.merge(
        "RGB", [b.point(lambda v, f=f: v * f) for b, f in zip(p.split(), (0.8, 0.95, 1.0), strict=True)]
    ),
    "blurred, 3 pixels of 1,600": lambda p: reduced(p, 1600).filter(ImageFilter.GaussianBlur(3)),
    "sharpened": lambda p: p.filter(ImageFilter.SHARPEN),
    "a date printed into the corner": dated,
    "a white frame of 5 %": framed,
    "cut by 2 % on all sides": cut(0.02),
    "cut by 5 % on all sides": cut(0.05),
    "cut by 10 % on all sides": cut(0.10),
    "cut by 5 % at the right": cut(0.05, left=0.0, top=0.0),
    "cut by 20 % on all sides": cut(0.20),
    "turned by 1 degree": turned(1),
    "turned by 3 degrees": turned(3),
    "turned left by 90 degrees": lambda p: p.transpose(Image.Transpose.ROTATE_90),
    "turned right by 90 degrees": lambda p: p.transpose(Image.Transpose.ROTATE_270),
    "turned by 180 degrees": lambda p: p.transpose(Image.Transpose.ROTATE_180),
    "mirrored": ImageOps.mirror,
    "mirrored, cut by 2 %": lambda p: cut(0.02)(ImageOps.mirror(p)),
    "photographed from a screen (skewed by 3 %)": lambda p: p.transform(
        p.size,
        Image.Transform.QUAD,
        (0, p.height * 0.03, 0, p.height, p.width, p.height * 0.97, p.width * 0.97, 0),
        resample=Image.Resampling.BICUBIC,
    ),
}


def hash_of(picture: Image.Image) -> str:
    """The hash that a look of the picture gives."""
    small = picture.convert("L")
    small.thumbnail((256, 256))
    return perceptual_hash(np.asarray(small))


def nearest(one: str, other: str) -> int:
    """Bits by which two hashes differ, one of them turned or mirrored in the way that fits best."""
    return min(distance(turned, other) for turned in turned_hashes(one).values())


def opened(path: Path) -> Image.Image:
    """The photo upright, as RGB."""
    with Image.open(path) as picture:
        return ImageOps.exif_transpose(picture).convert("RGB")


def main() -> None:
    photos = [opened(Path(name)) for name in sys.argv[1:]]
    originals = [hash_of(photo) for photo in photos]
    print(
        f"| change of {len(photos)} photos | bits, median | bits, most | found within 6 | within 10 | within 6, not turned |"
    )
    print("| --- | --- | --- | --- | --- | --- |")
    for name, change in CHANGES.items():
        changed = [hash_of(saved(change(photo), 90)) for photo in photos]
        plain = [distance(*pair) for pair in zip(originals, changed, strict=True)]
        apart = [nearest(*pair) for pair in zip(originals, changed, strict=True)]
        found = [f"{sum(bits <= radius for bits in apart)} of {len(apart)}" for radius in RADII]
        alone = sum(bits <= RADII[0] for bits in plain)
        print(
            f"| {name} | {median(apart):g} | {max(apart)} | {found[0]} | {found[1]} | {alone} |", flush=True
        )
    pairs = [nearest(*pair) for pair in combinations(originals, 2)]
    near = {radius: sum(bits <= radius for bits in pairs) for radius in RADII}
    print(
        f"\n{len(pairs)} pairs of different photos: {near[6]} within 6 bits, {near[10]} within 10; median {median(pairs):g}"
    )


if __name__ == "__main__":
    main()
