"""The printed pages that are photographed: the program's own claim sheets and label cards as pictures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pypdfium2

from demo_photos.world import Picture
from evidence.model import Claim, ClaimId
from evidence.paper.sheets import CARDS_PER_PAGE, divider_sheets, label_cards
from evidence.settings import default_text
from evidence.tags.vocabulary import load_vocabulary

SHEET_DPI = 150
CARD_DPI = 170
"""Dots an inch; the photographed card is 1,780 pixels wide at most, the printed one 1,445."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pages:
    """Rasterised pages: a claim's sheet by its number, a label card by its tag's number."""

    sheets: Mapping[str, Path]
    labels: Mapping[int, Path]


def pages(claims: Sequence[Mapping[str, Any]], numbers: Sequence[int], folder: Path) -> Pages:
    """Print a sheet for each claim and the cards of the numbers, and rasterise them into `folder`."""
    return Pages(sheets=_sheets(claims, folder), labels=_labels(numbers, folder) if numbers else {})


def _sheets(claims: Sequence[Mapping[str, Any]], folder: Path) -> dict[str, Path]:
    pdf = folder / "sheets.pdf"
    wanted = [
        Claim(
            claim=ClaimId(entry["claim"]),
            insured=entry["insured"],
            address=entry["address"],
            loss_date=entry["loss_date"],
            peril=entry["peril"],
        )
        for entry in claims
    ]
    divider_sheets(wanted, pdf)
    found = {}
    for claim, picture in zip(wanted, _rasterise(pdf, SHEET_DPI), strict=True):
        found[str(claim.claim)] = _keep(picture, folder / f"sheet_{len(found)}.png")
    return found


def _labels(numbers: Sequence[int], folder: Path) -> dict[int, Path]:
    pdf = folder / "labels.pdf"
    by_number = {card.number: card for card in load_vocabulary(default_text("tags.toml"), "tags.toml").labels}
    label_cards([by_number[number] for number in numbers], pdf)
    halves = [
        half for page in _rasterise(pdf, CARD_DPI) for half in np.array_split(page, CARDS_PER_PAGE, axis=0)
    ]
    return {
        number: _keep(half, folder / f"label_{number}.png")
        for number, half in zip(numbers, halves[: len(numbers)], strict=True)
    }


def _rasterise(pdf: Path, dpi: int) -> list[Picture]:
    with pypdfium2.PdfDocument(pdf) as document:
        return [
            np.ascontiguousarray(page.render(scale=dpi / 72).to_numpy()[..., :3], np.uint8)
            for page in document
        ]


def _keep(picture: Picture, path: Path) -> Path:
    cv2.imwrite(str(path), picture)
    return path
