"""The printed pages that are photographed: claim sheets and label cards as pictures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from demo_photos.gauges import print_on
from demo_photos.house import paste
from evidence.model import ClaimId
from evidence.sight.codes import divider_qr, label_tag_image


@dataclass(frozen=True, slots=True, kw_only=True)
class Pages:
    """Rasterised pages: a claim's sheet by its number, a label card by its tag's number."""

    sheets: Mapping[str, Path]
    labels: Mapping[int, Path]


def pages(claims: Sequence[Mapping[str, Any]], numbers: Sequence[int], folder: Path) -> Pages:
    """Print what the photos need and rasterise it into `folder`."""
    sheets, labels = {}, {}
    for claim in claims:
        page = np.full((2200, 1700, 3), 255, np.uint8)
        matrix = np.array([list(row) for row in divider_qr(ClaimId(claim["claim"])).matrix], np.uint8)
        code = cv2.resize((1 - matrix) * 255, (640, 640), interpolation=cv2.INTER_NEAREST)
        paste(page, cv2.merge([code, code, code]), 530, 1200)
        for index, words in enumerate((claim["claim"], claim["insured"], claim["address"])):
            print_on(page, words, (850, 300 + index * 220), 150 if index == 0 else 80, (0, 0, 0))
        sheets[claim["claim"]] = folder / f"sheet_{claim['claim']}.png"
        cv2.imwrite(str(sheets[claim["claim"]]), page)
    for number in numbers:
        card = np.full((1100, 1467, 3), 255, np.uint8)
        tag = label_tag_image(number, 672)
        paste(card, cv2.merge([tag, tag, tag]), 397, 60)
        print_on(card, f"LABEL {number}", (733, 900), 150, (0, 0, 0))
        labels[number] = folder / f"label_{number}.png"
        cv2.imwrite(str(labels[number]), card)
    return Pages(sheets=sheets, labels=labels)
