"""Order, clocks and the split: pure. `plan_day` is all that other rooms call."""

from evidence.timeline.plan import plan_day
from evidence.timeline.values import (
    Boundary,
    ClaimSite,
    ClockFinding,
    ClockHint,
    DayPlan,
    Pins,
    PlacedShot,
    Segment,
    SheetAt,
    SheetEvidence,
    Shot,
    SplitOptions,
)

__all__ = [
    "Boundary",
    "ClaimSite",
    "ClockFinding",
    "ClockHint",
    "DayPlan",
    "Pins",
    "PlacedShot",
    "Segment",
    "SheetAt",
    "SheetEvidence",
    "Shot",
    "SplitOptions",
    "plan_day",
]
