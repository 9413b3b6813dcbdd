"""Order, clocks and the split: pure. `plan_day` is all that other rooms call."""

from evidence.timeline.plan import plan_day
from evidence.timeline.values import (
    Boundary,
    ClaimSite,
    ClockFinding,
    ClockHint,
    DayPhoto,
    DayPlan,
    ManualAssignments,
    PlacedShot,
    Segment,
    SheetAt,
    SheetEvidence,
    SplitOptions,
)

__all__ = [
    "Boundary",
    "ClaimSite",
    "ClockFinding",
    "ClockHint",
    "DayPhoto",
    "DayPlan",
    "ManualAssignments",
    "PlacedShot",
    "Segment",
    "SheetAt",
    "SheetEvidence",
    "SplitOptions",
    "plan_day",
]
