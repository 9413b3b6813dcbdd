"""The house of a claim for its readers, the report and the board: what is stated, where it faces, and its drawing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from evidence.coverage.report import CoverageReport
from evidence.coverage.shots import ForEach
from evidence.model import Face, PhotoRecord
from evidence.paper.captions import is_sheet
from evidence.plan.bearing import FrontBearing, front_bearing
from evidence.plan.shapes import HousePlan, plan_of
from evidence.plan.surfaces import House, HousePart, house_of
from evidence.tags.vocabulary import Vocabulary

PARTS = {ForEach.ELEVATION: HousePart.ELEVATION, ForEach.SLOPE: HousePart.SLOPE}


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimHouse:
    """What one claim's photos state of its house, and how it is drawn."""

    house: House
    bearing: FrontBearing | None
    plan: HousePlan


def claim_house(records: Sequence[PhotoRecord], vocabulary: Vocabulary, report: CoverageReport) -> ClaimHouse:
    """The house of these photos, in shooting order; dots are drawn for all but sheets and label cards."""
    house = house_of(records, vocabulary, missing=_missing(report))
    bearing = front_bearing(records, vocabulary)
    shown = [record for record in records if not is_sheet(record)]
    return ClaimHouse(house=house, bearing=bearing, plan=plan_of(house, shown, bearing))


def _missing(report: CoverageReport) -> Mapping[tuple[HousePart, Face], int]:
    """How many required shots are missing at each elevation and slope."""
    found: dict[tuple[HousePart, Face], int] = {}
    for item in report.missing:
        part = PARTS.get(item.for_each)
        if part is not None and item.face is not None:
            found[part, item.face] = found.get((part, item.face), 0) + 1
    return found
