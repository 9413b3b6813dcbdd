"""Analyses one photo: codes, writing, scene, chalk, quality, hash and thumbnails from a single decode.

`look` is a plain function of a plain value, so any `concurrent.futures.Executor` can run it: a process
pool on one machine, or a cluster's executor. A damaged photo raises nothing; it gets a flag.
"""

from __future__ import annotations

import contextlib
import io
from collections.abc import Callable
from functools import partial
from typing import TypeVar

import cv2
import numpy as np
from PIL import Image

from evidence.model import Finding, Look, MediaKind
from evidence.sight.codes import CodesSeen, read_codes
from evidence.sight.contents import see_contents
from evidence.sight.pictures import Picture, PictureError, load_full_grey, load_picture
from evidence.sight.pixels import Pixels, fitted
from evidence.sight.quality import measure, perceptual_hash, quality_flags
from evidence.sight.request import THUMB_SIDES, LookOptions, LookRequest
from evidence.sight.thumbs import keep_thumbs

T = TypeVar("T")

_LARGER = 1.25
"""When the file is this many times larger than the copy analysed, small writing is read from the file."""

THUMB_QUALITY = 82
"""JPEG quality at which a reviewer sees no blocks; common practice, no source."""


def look(request: LookRequest) -> Look:
    """Everything found in one file; a file without a picture gives an empty look with a flag.

    Flags: `unreadable`, `undecodable`, `truncated`, `decompression_bomb`, `too_large`, `no_preview`, `look_failed`
    and `no_thumbnail` say what went wrong; `blurred`, `dark`, `bright` and `small` come from the measures.
    """
    if request.kind not in (MediaKind.PHOTO, MediaKind.RAW):
        return Look()
    cv2.setNumThreads(1)  # each process analyses one photo on one core
    try:
        picture = load_picture(
            request.path, request.kind, request.orientation, memory_mb=request.options.memory_mb
        )
    except PictureError as problem:
        return Look(flags=(Finding(code=problem.code, message=str(problem)),))
    except (Exception, RecursionError) as problem:
        return Look(flags=(_failed("decoding", problem),))
    return _looked(picture, request)


def load(options: LookOptions) -> None:
    """Load the networks that these options need, by analysing a small grey picture."""
    # Writing is searched at a given length of the long side: a square would take twenty times as long.
    grey = np.full((4, 64, 3), 127, np.uint8)
    with contextlib.suppress(Exception):  # what is missing is flagged with each photo
        see_contents(
            grey,
            lambda _what, step, _otherwise: step(),
            kinds=options.scene_kinds,
            words=options.read_writing,
            labelled=False,
        )


def _looked(picture: Picture, request: LookRequest) -> Look:
    flags: list[Finding] = []
    if picture.truncated:
        flags.append(Finding(code="truncated", message="The file ends before its picture does."))

    def tried(what: str, step: Callable[[], T], otherwise: T) -> T:
        """The step's value; a step that fails becomes a flag, so that the others still run."""
        try:
            return step()
        except Exception as problem:
            flags.append(_failed(what, problem))
            return otherwise

    full = partial(load_full_grey, request.path, request.kind, memory_mb=request.options.memory_mb)
    codes = tried("reading codes", lambda: read_codes(picture.grey, full), CodesSeen())
    quality = tried(
        "measuring", lambda: measure(picture.grey_1024, width=picture.width, height=picture.height), None
    )
    if quality is not None:
        flags.extend(quality_flags(quality, request.options.limits))
    phash = tried("hashing", lambda: perceptual_hash(picture.grey_256), "")
    seen = see_contents(
        picture.rgb,
        tried,
        kinds=request.options.scene_kinds,
        words=request.options.read_writing,
        labelled=bool(codes.dividers or codes.labels),
        full=partial(full, request.orientation)
        if max(picture.width, picture.height) > _LARGER * max(picture.rgb.shape)
        else None,
    )
    if request.thumb_dir is not None:
        flags.extend(keep_thumbs(_thumbs(picture.rgb), request.thumb_dir, request.sha256))
    return Look(
        dividers=codes.dividers,
        labels=codes.labels,
        sheet=seen.sheet,
        writing=seen.writing,
        scenes=seen.scenes,
        embedding=seen.embedding,
        chalk=seen.chalk,
        phash=phash,
        quality=quality,
        flags=tuple(flags),
    )


def _failed(what: str, problem: BaseException) -> Finding:
    return Finding(
        code="look_failed",
        message=f"The analysis failed while {what}: {type(problem).__name__}: {problem}"[:240],
    )


# --- thumbnails ----------------------------------------------------------------------------


def _thumbs(rgb: Pixels) -> dict[int, bytes]:
    """Upright JPEGs without camera data, by the pixels of their long side, the largest first."""
    made = {}
    picture = rgb
    for side in THUMB_SIDES:
        picture = fitted(picture, side)
        file = io.BytesIO()
        Image.fromarray(np.ascontiguousarray(picture)).save(file, "JPEG", quality=THUMB_QUALITY)
        made[side] = file.getvalue()
    return made
