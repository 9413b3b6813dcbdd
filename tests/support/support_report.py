"""An invented claim with drawn photos, for tests of what is handed on."""

from __future__ import annotations

import functools
import hashlib
import io
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
from PIL import Image

from evidence.coverage.report import CoverageReport, Item, Status
from evidence.coverage.shots import Area, ForEach
from evidence.model import (
    CameraFacts,
    Claim,
    ClaimId,
    Face,
    Facet,
    FacetValue,
    Finding,
    Look,
    MediaKind,
    PhotoRecord,
    Sha256,
    Source,
)
from evidence.paper.report_document import ReportContent
from evidence.paper.report_pictures import PictureSource
from evidence.settings import default_text
from evidence.sight.request import THUMB_SIDES, thumb_path
from evidence.tags.vocabulary import Vocabulary, load_vocabulary

CLAIM = Claim(
    claim=ClaimId("HT-2044"), insured="Ansel Quillfeather", address="9 Marl Court, Tarn Bluff, KS",
    loss_date=date(2026, 4, 28), peril="hail", jurisdiction="US-KS",
)  # fmt: skip
START = datetime(2026, 5, 14, 9, 0, 0)
MADE = datetime(2026, 5, 15, 12, 0, tzinfo=UTC)


@functools.cache
def vocabulary() -> Vocabulary:
    return load_vocabulary(default_text("tags.toml"), "tags.toml")


def tag(source: Source = Source.PERSON, confidence: float = 1.0, **values: str) -> dict[Facet, FacetValue]:
    return {
        Facet(name): FacetValue(
            facet=Facet(name), value=value, source=source, confidence=confidence, reason=f"{name} said so"
        )
        for name, value in values.items()
    }


def record(order: int, tags: dict[Facet, FacetValue] | None = None, **changes: object) -> PhotoRecord:
    name = str(changes.pop("name", f"TEST{order + 1:04d}.JPG"))
    facts = changes.pop("facts", None) or CameraFacts(
        taken_text="2026:05:14 09:00:00", taken_local=START + timedelta(seconds=20 * order)
    )
    given: dict[str, object] = {
        "sha256": Sha256(hashlib.sha256(f"{name} {order}".encode("utf-8", "surrogatepass")).hexdigest()),
        "name": name,
        "card_path": f"DCIM/100TESTC/{name}",
        "claim": CLAIM.claim,
        "order": order,
        "facts": facts,
        "look": Look(),
        "kind": MediaKind.PHOTO,
        "corrected": facts.taken_local,
        "tags": tags or {},
    }
    return PhotoRecord(**{**given, **changes})


def item(title: str, status: Status, face: Face | None = None, **more: object) -> Item:
    each = ForEach.ELEVATION if face else ForEach.ONCE
    given = {"why": "no photo shows it", "asked": "a photo of it", "area": Area.OUTSIDE, **more}
    return Item(
        requirement=title.lower().replace(" ", "_"),
        title=title,
        for_each=each,
        status=status,
        face=face,
        **given,
    )


def coverage(*items: Item, flags: tuple[Finding, ...] = ()) -> CoverageReport:
    of = {status: tuple(one for one in items if one.status is status) for status in Status}
    return CoverageReport(
        list_id="l", list_title="A list", basis="common practice", safety="Stay down.", met=of[Status.MET],
        guessed=of[Status.GUESSED], missing=of[Status.MISSING], waived=of[Status.WAIVED],
        not_needed=of[Status.NOT_NEEDED], flags=flags,
    )  # fmt: skip


def drawn(seed: int, size: tuple[int, int] = (400, 300)) -> Image.Image:
    """A picture of its own colour, its top left corner red."""
    colour = np.random.default_rng(seed).integers(40, 200, 3, dtype=np.uint8)
    frame = np.full((size[1], size[0], 3), colour, np.uint8)
    frame[: size[1] // 3, : size[0] // 3] = (220, 20, 20)
    return Image.fromarray(frame)


@functools.cache
def _thumb(seed: int, side: int) -> bytes:
    data = io.BytesIO()
    drawn(seed, (side, side * 3 // 4)).save(data, "JPEG")
    return data.getvalue()


def with_thumbs(folder: Path, records: list[PhotoRecord]) -> PictureSource:
    """Thumbnails for all, and no originals."""
    for place, one in enumerate(records):
        if one.kind is not MediaKind.PHOTO:
            continue
        for side in THUMB_SIDES:
            path = thumb_path(folder, one.sha256, side)
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(_thumb(place, side))
    return PictureSource(thumbs=folder, original=lambda _sha: None)


def content(
    folder: Path, records: list[PhotoRecord], report: CoverageReport | None = None, **changes: object
) -> ReportContent:
    given: dict[str, object] = {
        "claim": CLAIM,
        "records": tuple(records),
        "coverage": report or coverage(),
        "vocabulary": vocabulary(),
        "pictures": changes.get("pictures") or with_thumbs(folder / "thumbs", records),
        "made_by": "R. Viewer",
        "made_at": MADE,
    }
    return ReportContent(**{**given, **changes})
