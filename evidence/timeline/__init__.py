"""From the files of some cards to one ordered day, split by claim. Pure: values in, values out.

`plan_day` is what other rooms call. It goes through these modules in this order:

1. `values`: what goes in (`DayPhoto`, `Claim`, `ManualAssignments`, `ClockHint`, `SplitOptions`) and
   what comes out (`DayPlan`).
2. `order`: the files of each card in the order they were taken, by file number and by time.
3. `clocks`: how far each camera's clock was off, from GPS time, shared sheets and shared visits.
4. `merge`: all cards on one timeline with corrected times.
5. `device_groups`: which devices were at the same houses; every group is split by itself.
6. `fixes`: which GPS positions can be used.
7. `sheet_order` and `untimed_order`: sheets, and files without a time, on the right side of a drive.
8. `split`: the hidden Markov model that assigns each photo to a claim.
9. `assemble`: people's decisions applied on top, segments numbered, findings written.
10. `clock_doubts`: photos to confirm because two devices' clocks were not compared.
11. `claims_left`: a house without a name gets the only claim of the list that it can belong to.

`plan` joins them.
"""

from evidence.timeline.plan import plan_day
from evidence.timeline.values import (
    Boundary,
    ClockFinding,
    ClockHint,
    DayPhoto,
    DayPlan,
    ManualAssignments,
    Segment,
    SheetAt,
    SplitOptions,
)

__all__ = [
    "Boundary",
    "ClockFinding",
    "ClockHint",
    "DayPhoto",
    "DayPlan",
    "ManualAssignments",
    "Segment",
    "SheetAt",
    "SplitOptions",
    "plan_day",
]
