"""Writes the tiles of one photo: its own pixels, made upright, for a viewer that magnifies.

A JPEG, PNG or TIFF is decoded in strips, so that a large one takes little memory. The tiles go into one ZIP file beside
the photo's thumbnails, without the original's metadata, and a purge finds that file as it finds the thumbnails.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import secrets
import zipfile
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from evidence.sight.large_pictures import coefficients, one_thread_vips
from evidence.sight.pictures import PictureError, Source, opened, source_of, upright, whole_picture
from evidence.sight.pixels import Pixels
from evidence.sight.request import INFO_NAME, TILE_SIDE, TileRequest, TilesMade, tile_levels, tiles_path

TILE_QUALITY = 92
"""JPEG quality without reduced colour, at which a hail strike keeps its edge; common practice, no source."""

_TRANSPOSED = frozenset({5, 6, 7, 8})
"""EXIF orientations whose upright rows are the file's columns."""
_FLIPPED = frozenset({3, 4, 6, 7})
"""EXIF orientations whose upright picture begins at the file's last row (3, 4: from below; 6, 7: from the right)."""


def make_tiles(request: TileRequest) -> TilesMade:
    """Write the tiles of one file. A file without a picture, or too large for the memory, gives a message instead."""
    cv2.setNumThreads(1)
    try:
        return _made(request)
    except PictureError as problem:
        return TilesMade(message=str(problem))
    except OSError as problem:
        return TilesMade(message=f"The full size could not be stored: {problem.strerror or problem}.")
    except (Exception, RecursionError) as problem:
        return TilesMade(message=f"The full size cannot be decoded: {type(problem).__name__}.")


def _made(request: TileRequest) -> TilesMade:
    source = source_of(request.path, request.kind)
    with opened(source) as header:
        width, height = header.size
        orientation = 1 if header.format == "HEIF" else request.orientation  # its decoder turns it
        in_strips = header.format in ("JPEG", "MPO", "TIFF") or (
            header.format == "PNG" and not header.info.get("interlace")
        )
        _check_memory(header, request.memory_mb, in_strips=in_strips)
    if in_strips:
        bands = _streamed(source, width, height, orientation)
    else:
        picture = upright(whole_picture(source), orientation)
        height, width = picture.shape[:2]
        orientation = 1
        bands = _cut(picture)
    if orientation in _TRANSPOSED:
        width, height = height, width
    target = tiles_path(request.thumb_dir, request.sha256)
    _write(target, width, height, bands, down=orientation not in _TRANSPOSED)
    return TilesMade(width=width, height=height, bytes=target.stat().st_size)


def _check_memory(header: Image.Image, memory_mb: int, *, in_strips: bool) -> None:
    """Raises PictureError (`too_large`): in strips, three bytes a pixel (measured); otherwise a whole decode as well."""
    pixels = header.width * header.height
    needed = 3 * pixels + (coefficients(header) if in_strips else 8 * pixels)
    if needed / 1e6 > memory_mb:
        raise PictureError(
            "too_large",
            f"The full size ({header.width} by {header.height} pixels) needs about {needed / 1e6:,.0f} MB of memory; "
            f"the limit is {memory_mb:,} MB ('picture_memory_mb' in [intake]).",
        )


# --- bands: upright, one tile high (or wide, when the file lies on its side) ---------------


def _streamed(source: Source, width: int, height: int, orientation: int) -> Iterator[tuple[int, Pixels]]:
    """(offset, band) in the file's order, from a decoder that reads from top to bottom."""
    vips = one_thread_vips()
    if isinstance(source, Path):
        image = vips.Image.new_from_file(str(source), access="sequential", fail_on="none")
    else:
        image = vips.Image.new_from_buffer(source, "", access="sequential", fail_on="none")
    image = image.colourspace("srgb").cast("uchar")
    if image.bands > 3:
        image = image[:3]
    region = vips.Region.new(
        image
    )  # one reader for all strips: a picture decoded in order cannot be read again
    for top, bottom in _rows(height, backwards=orientation in _FLIPPED):
        data = region.fetch(0, top, width, bottom - top)
        band = np.frombuffer(data, np.uint8).reshape(bottom - top, width, image.bands)
        if image.bands == 1:
            band = np.repeat(band, 3, axis=2)
        offset = height - bottom if orientation in _FLIPPED else top
        yield offset, upright(band, orientation)


def _rows(height: int, *, backwards: bool) -> Iterator[tuple[int, int]]:
    """Strips of the file that are whole tiles counted from the upright picture's own beginning."""
    first = height % TILE_SIDE if backwards else 0
    if first:
        yield 0, first
    for top in range(first, height, TILE_SIDE):
        yield top, min(height, top + TILE_SIDE)


def _cut(picture: Pixels) -> Iterator[tuple[int, Pixels]]:
    for top in range(0, picture.shape[0], TILE_SIDE):
        yield top, picture[top : top + TILE_SIDE]


# --- writing -------------------------------------------------------------------------------


def _write(target: Path, width: int, height: int, bands: Iterator[tuple[int, Pixels]], *, down: bool) -> None:
    """One ZIP of `level/column_row.jpg`, completely or not at all; a killed run's remains are removed."""
    target.parent.mkdir(parents=True, exist_ok=True)
    for left in target.parent.glob(f"{target.name}.*.part"):
        left.unlink(missing_ok=True)
    part = target.with_name(f"{target.name}.{secrets.token_hex(4)}.part")
    levels = tile_levels(width, height)
    try:
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o640)
        with os.fdopen(handle, "wb") as file, zipfile.ZipFile(file, "w", zipfile.ZIP_STORED) as out:
            half = _write_largest(out, levels[0], width, height, bands, down=down)
            for level in levels[1:]:
                _write_level(out, level, 0, 0, half)
                half = _halved(half)
            out.writestr(INFO_NAME, json.dumps({"width": width, "height": height, "levels": levels}))
        part.replace(target)
    except BaseException:
        with contextlib.suppress(OSError):
            part.unlink()
        raise


def _write_largest(
    out: zipfile.ZipFile,
    level: int,
    width: int,
    height: int,
    bands: Iterator[tuple[int, Pixels]],
    *,
    down: bool,
) -> Pixels:
    """Write the tiles of the full size; returns the picture at half size."""
    half = np.zeros(((height + 1) // 2, (width + 1) // 2, 3), np.uint8)
    for offset, band in bands:
        column, row = (0, offset // TILE_SIDE) if down else (offset // TILE_SIDE, 0)
        _write_level(out, level, column, row, band)
        small = _halved(band)
        top, left = (offset // 2, 0) if down else (0, offset // 2)
        half[top : top + small.shape[0], left : left + small.shape[1]] = small
    return half


def _write_level(out: zipfile.ZipFile, level: int, column: int, row: int, pixels: Pixels) -> None:
    for down in range(0, pixels.shape[0], TILE_SIDE):
        for across in range(0, pixels.shape[1], TILE_SIDE):
            tile = pixels[down : down + TILE_SIDE, across : across + TILE_SIDE]
            data = io.BytesIO()
            Image.fromarray(np.ascontiguousarray(tile)).save(
                data, "JPEG", quality=TILE_QUALITY, subsampling=0
            )
            out.writestr(
                f"{level}/{column + across // TILE_SIDE}_{row + down // TILE_SIDE}.jpg", data.getbuffer()
            )


def _halved(pixels: Pixels) -> Pixels:
    """Half the size, each pixel the mean of four; an odd last row or column counts twice."""
    high, wide = pixels.shape[0] % 2, pixels.shape[1] % 2
    if high or wide:
        pixels = np.pad(pixels, ((0, high), (0, wide), (0, 0)), mode="edge")
    size = pixels.shape[1] // 2, pixels.shape[0] // 2
    return np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
