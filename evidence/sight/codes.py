"""The codes on our own paper: the QR code of a divider sheet, the AprilTag of a label card.

A divider's payload is `PEA:` + the claim's number + `:` + two check characters. The prefix excludes
foreign codes (parcels, window stickers and air conditioners carry codes too); the check excludes
codes that only begin with the same letters. Upper case, digits and ` $%*+-./:` stay in QR's alphanumeric mode
(ISO/IEC 18004), so an ordinary claim number gives a code of 21 or 25 modules; anything else
travels as UTF-8 in byte mode.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
import segno
import zxingcpp
from numpy.typing import NDArray

from evidence.errors import BadInputError
from evidence.model import ClaimId, DividerMark, LabelMark
from evidence.sight.label_tags import LABEL_TAGS, family, find_tags
from evidence.sight.pixels import Pixels, fitted, grey_of

PREFIX = "PEA:"

CHECK_MODULUS = 1291
"""The largest prime below 36 squared, so that two base-36 digits hold it. As a prime above 255 it detects
every changed byte."""

CHECK_BASE = 2
"""A primitive root of 1291: no two of the first 1290 positions have the same weight, so swapped bytes are detected."""

BASE_36 = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@dataclass(frozen=True, slots=True, kw_only=True)
class CodesSeen:
    """The codes read in one photo, largest first, each claim and each label once."""

    dividers: tuple[DividerMark, ...] = ()
    labels: tuple[LabelMark, ...] = ()
    foreign: int = 0
    """QR codes that were read and are not ours."""


def divider_payload(claim: ClaimId) -> str:
    """The text of a divider's code; `parse_divider` gives the same claim number back.

    Raises BadInputError for an empty number and for one that UTF-8 cannot encode (a lone surrogate).
    """
    if not claim:
        raise BadInputError("A claim without a number cannot have a divider sheet.", "Give it a number.")
    try:
        return f"{PREFIX}{claim}:{_check(claim)}"
    except UnicodeEncodeError:
        raise BadInputError(
            f"The claim number {claim!a} holds a broken character.", "Correct it in the assignments."
        ) from None


def parse_divider(text: str) -> ClaimId | None:
    """The claim that a divider's payload names; None for any other text and for a damaged payload."""
    body, colon, check = text.removeprefix(PREFIX).rpartition(":")
    if not text.startswith(PREFIX) or not colon or not body:
        return None
    try:
        return ClaimId(body) if check == _check(body) else None
    except UnicodeEncodeError:
        return None


def _check(claim: str) -> str:
    """Two base-36 digits: the bytes weighted by powers of two, modulo a prime."""
    total = 0
    for byte in claim.encode("utf-8"):
        total = (total + byte) * CHECK_BASE % CHECK_MODULUS
    return BASE_36[total // 36] + BASE_36[total % 36]


def divider_qr(claim: ClaimId) -> segno.QRCode:
    """The divider's QR code, error level Q or better in the smallest version that holds it.

    Raises BadInputError as `divider_payload` does, and for a number too long for any QR code.
    """
    try:
        return segno.make_qr(divider_payload(claim), error="q", encoding="utf-8")
    except segno.DataOverflowError:
        raise BadInputError(
            f"The claim number {claim[:20]}... is too long for a divider sheet.", "Give a shorter one."
        ) from None


def label_tag_image(number: int, pixels: int) -> Pixels:
    """AprilTag 36h11 `number` in black and white, (pixels, pixels), without its white margin.

    Raises ValueError for a number outside the family and for less than one pixel per cell.
    """
    if not 0 <= number < LABEL_TAGS:
        raise ValueError(f"AprilTag 36h11 has the numbers 0 to {LABEL_TAGS - 1}, not {number}")
    if pixels < 8:
        raise ValueError(f"a tag of 8 by 8 cells does not fit {pixels} pixels")
    image = cv2.aruco.generateImageMarker(family(), number, pixels)
    return np.asarray(image, np.uint8)


REDUCED_SIDE = 1600
"""Pixels of the long side at which codes are read first: enough for a sheet on a fiftieth of the frame."""

TAG_SIDES = (1600, 800, 400)
"""Long sides at which tags are searched: a large tag out of focus is found at the smaller sizes only."""

QR_ONLY = zxingcpp.BarcodeFormats(zxingcpp.BarcodeFormat.QRCode)


def read_codes(image: Pixels, full: Callable[[], Pixels] | None = None) -> CodesSeen:
    """The dividers and labels in a photo of any orientation.

    `image` is the photo, best already reduced to about 1,600 pixels on its long side. `full` returns the
    photo at full size; it is called only when `image` shows a QR code that cannot be read.
    Areas are shares of the frame.
    """
    reduced = fitted(grey_of(image), REDUCED_SIDE)
    found = _read_qr(reduced)
    if full is not None and any(not code.valid for code in found):
        larger = grey_of(full())
        if max(larger.shape) > max(reduced.shape):
            found = [*(code for code in found if code.valid), *_read_qr(larger)]
    return CodesSeen(
        dividers=_dividers(found),
        labels=_read_labels(reduced),
        foreign=sum(_is_foreign(code) for code in found),
    )


@dataclass(frozen=True, slots=True)
class _Code:
    valid: bool
    claim: ClaimId | None
    area: float


def _is_foreign(code: _Code) -> bool:
    return code.valid and code.claim is None


def _read_qr(grey: Pixels) -> list[_Code]:
    """Every QR code found, also unreadable ones: a larger copy may help to read those."""
    barcodes = zxingcpp.read_barcodes(grey, formats=QR_ONLY, try_invert=False, return_errors=True)
    return [_code(barcode, grey.size) for barcode in barcodes]


def _code(barcode: zxingcpp.Barcode, pixels: int) -> _Code:
    spot = barcode.position
    corners = [(p.x, p.y) for p in (spot.top_left, spot.top_right, spot.bottom_right, spot.bottom_left)]
    try:  # decode the bytes ourselves: the reader would have to guess the encoding
        claim = parse_divider(barcode.bytes.decode("utf-8")) if barcode.valid else None
    except UnicodeDecodeError:
        claim = None
    return _Code(barcode.valid, claim, _area(np.array(corners), pixels))


def _dividers(found: list[_Code]) -> tuple[DividerMark, ...]:
    largest: dict[ClaimId, float] = {}
    for code in found:
        if code.claim is not None:
            largest[code.claim] = max(code.area, largest.get(code.claim, 0.0))
    ordered = sorted(largest.items(), key=lambda item: (-item[1], item[0]))
    return tuple(DividerMark(claim=claim, code_area=area) for claim, area in ordered)


def _read_labels(grey: Pixels) -> tuple[LabelMark, ...]:
    largest: dict[int, float] = {}
    for side in TAG_SIDES:
        smaller = fitted(grey, side)
        if smaller is grey and side != TAG_SIDES[0]:
            continue  # the same copy as before
        found: dict[int, float] = {}
        for number, corners in find_tags(smaller, large_only=side == TAG_SIDES[-1]):
            found[number] = max(_area(corners, smaller.size), found.get(number, 0.0))
        largest = found | largest  # the larger copy measures more precisely
    ordered = sorted(largest.items(), key=lambda item: (-item[1], item[0]))
    return tuple(LabelMark(number=number, code_area=area) for number, area in ordered)


def _area(corners: NDArray[np.generic], pixels: int) -> float:
    """Share of a frame of `pixels` pixels that the quadrilateral covers."""
    return min(1.0, float(cv2.contourArea(corners.astype(np.float32))) / pixels)
