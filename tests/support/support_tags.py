"""Photos made of nothing but what the tags look at."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import datetime, timedelta

from evidence.model import (
    Box,
    CameraFacts,
    ChalkSeen,
    ClaimId,
    DividerMark,
    GeoPoint,
    LabelMark,
    Look,
    PhotoRecord,
    SceneKind,
    Sha256,
    WritingLine,
)

NOON = datetime(2024, 5, 14, 12, 0)
BIG, SMALL = 0.2, 0.01
"""Shares of the frame that a tag covers: its card fills most of the frame, or lies in a corner of it."""


def sha(name: object) -> Sha256:
    return Sha256(hashlib.sha256(str(name).encode()).hexdigest())


def photo(
    order: int,
    *,
    at: float | None = None,
    cards: Sequence[tuple[int, float]] = (),
    sheet: str | None = None,
    lines: Sequence[str | tuple[str, float]] = (),
    scenes: dict[SceneKind, float] | None = None,
    chalk: ChalkSeen | None = None,
    gps: GeoPoint | None = None,
    direction: float | None = None,
    true_north: bool | None = True,
    embedding: bytes = b"",
) -> PhotoRecord:
    """The photo at `order`, shot `at` seconds after noon (20 s a photo where not said)."""
    when = NOON + timedelta(seconds=20.0 * order if at is None else at)
    written = [(line, 0.98) if isinstance(line, str) else line for line in lines]
    return PhotoRecord(
        sha256=sha(order),
        name=f"DSCN{order + 1:04d}.JPG",
        card_path=f"DCIM/100CAMRA/DSCN{order + 1:04d}.JPG",
        claim=ClaimId("A-1"),
        order=order,
        facts=CameraFacts(taken_local=when, gps=gps, direction=direction, direction_is_true=true_north),
        look=Look(
            dividers=(DividerMark(claim=ClaimId(sheet), code_area=0.05),) if sheet else (),
            labels=tuple(LabelMark(number=number, code_area=area) for number, area in cards),
            writing=tuple(
                WritingLine(
                    text=text,
                    confidence=sure,
                    box=Box(left=0.2, top=0.2 + 0.1 * k, right=0.8, bottom=0.28 + 0.1 * k),
                )
                for k, (text, sure) in enumerate(written)
            ),
            scenes=scenes or {},
            chalk=chalk,
            embedding=embedding,
        ),
        corrected=when,
    )
