"""Values whose JSON was recorded once, in `tests/recorded/json_values.json`: the form must not change.

Bags and catalogs hold this JSON. Write the file again only for values that are added here:
`python tests/support/support_recorded.py`.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path

from evidence import model as m

RECORDED = Path(__file__).parents[1] / "recorded" / "json_values.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldLike:
    """The fields of a hold as the catalog's rows have them."""

    number: int
    claim: m.ClaimId
    reason: str
    placed_at: datetime
    lifted_by: str | None
    lifted_at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Shapes:
    """Every shape of field that no shared value has."""

    kinds: frozenset[m.MediaKind]
    words: set[str]
    by_number: Mapping[int, tuple[str, float]]
    by_facet: dict[m.Facet, list[int]]
    pair: tuple[int, str]
    raw: bytes
    day: date | None = None


FIVE_THIRTY = timezone(timedelta(hours=5, minutes=30))

FACTS = m.CameraFacts(
    taken_text="2026:05:14 09:31:07",
    taken_local=datetime(2026, 5, 14, 9, 31, 7, 250000),
    offset_minutes=-300,
    gps=m.GeoPoint(lat=35.4676, lon=-97.5164, alt=366.0),
    gps_time=datetime(2026, 5, 14, 14, 31, 7, tzinfo=UTC),
    direction=181.5,
    direction_is_true=False,
    orientation=6,
    make="Make",
    model="Módel 日本 \u2028 \ufffd8E \U0001f3e0",
    serial='"quoted" \\ / \t',
    width=4000,
    height=3000,
    flags=(m.Finding(code="no_offset", message="No offset."),),
)

LOOK = m.Look(
    dividers=(m.DividerMark(claim=m.ClaimId("CLM-1"), code_area=0.125),),
    labels=(m.LabelMark(number=17, code_area=1e-07),),
    sheet=m.SheetSeen(
        area=0.5,
        confidence=1.0,
        lines=(
            m.WritingLine(
                text="N/D GUTTER",
                confidence=0.91,
                box=m.Box(left=0.1, top=0.2, right=0.30000000000000004, bottom=1.0),
                also=(m.OtherReading(text="N/O GUTTER", share=0.2),),
            ),
        ),
    ),
    scenes={m.SceneKind.ROOF: 0.75, m.SceneKind.HOUSE: 0.25},
    embedding=struct.pack("<24e", *(n / 7 - 1.5 for n in range(24))) + b"\xfb\xef\xff\x3e",
    chalk=m.ChalkSeen(square=0.9, marks=None),
    phash="00ff10a0b1c2d3e4",
    quality=m.Quality(width=3000, height=4000, sharpness=123.456, brightness=0.5, clipped=0.0),
    flags=(m.Finding(code="blurred", message="Not sharp.", subject="a" * 64),),
)

RECORD = m.PhotoRecord(
    sha256=m.Sha256("0f" * 32),
    name="DSC_0001.JPG",
    card_path="DCIM/100NIKON/DSC_0001.JPG",
    claim=m.ClaimId("CLM-1"),
    order=3,
    facts=FACTS,
    look=LOOK,
    device=m.DeviceId("Make Model 1"),
    intake=m.IntakeId("20260514T200000Z-ab"),
    corrected=datetime(2026, 5, 14, 9, 30, 7, 250000),
    correction="one minute fast",
    utc=datetime(2026, 5, 14, 14, 30, 7, 250000, tzinfo=UTC),
    claim_confidence=0.97,
    to_confirm=True,
    claim_reasons=("sheet before it",),
    tags={
        m.Facet.ROLE: m.FacetValue(
            facet=m.Facet.ROLE, value="close_up", source=m.Source.PERSON, confidence=1.0, reason="stated"
        )
    },
    flags=(),
)

VALUES: Mapping[str, object] = {
    "record": RECORD,
    "record of the fewest fields": m.PhotoRecord(
        sha256=m.Sha256("ab" * 32), name="A", card_path="A", claim=None, order=0,
        facts=m.CameraFacts(), look=m.Look(),
    ),
    "claim": m.Claim(
        claim=m.ClaimId("CLM-1"), insured="Ünal", place=m.GeoPoint(lat=1.0, lon=-0.0), loss_date=date(2026, 2, 28),
        stories=2,
    ),
    "hold": HoldLike(
        number=1, claim=m.ClaimId("CLM-1"), reason="suit", lifted_by=None, lifted_at=None,
        placed_at=datetime(2026, 1, 2, 3, 4, 5, 6, tzinfo=FIVE_THIRTY),
    ),
    "copied": m.Copied(
        found=m.Found(
            card_path="DCIM/100NIKON/DSC_0001.JPG", size=5_000_000_000, kind=m.MediaKind.PHOTO,
            modified=datetime(2026, 5, 14, 14, 31, 8, tzinfo=timezone(-timedelta(hours=3, minutes=45))),
            dcf=m.DcfName(folder_number=100, file_number=1), object_key="x",
        ),
        sha256=m.Sha256("0f" * 32), outcome=m.Outcome.ALREADY_KEPT,
    ),
    "shapes": Shapes(
        kinds=frozenset({m.MediaKind.VIDEO, m.MediaKind.PHOTO, m.MediaKind.RAW}), words={"b", "a", "B", "ä"},
        by_number={7: ("x", 0.1), -1: ("y", 2.0)}, by_facet={m.Facet.FACE: [3, 1, 2]}, pair=(1, "one"),
        raw=bytes(range(256)), day=date(1999, 12, 31),
    ),
}  # fmt: skip

if __name__ == "__main__":
    from evidence.codec import to_json

    recorded = {name: to_json(value) for name, value in VALUES.items()}
    RECORDED.parent.mkdir(exist_ok=True)
    RECORDED.write_text(json.dumps(recorded, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
