"""Days, times and zones as an American office writes them."""

from __future__ import annotations

from datetime import date, datetime

MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
"""In English, whatever language the computer is set to."""


def day_text(day: date) -> str:
    """`May 14, 2026`."""
    return f"{MONTHS[day.month - 1]} {day.day}, {day.year}"


def time_text(moment: datetime) -> str:
    """Day and time to the second: `May 14, 2026, 09:00:00`."""
    return f"{day_text(moment)}, {moment:%H:%M:%S}"


def iso_offset(minutes: int) -> str:
    """Minutes east of UTC as ISO 8601 writes them: `-05:00`."""
    sign = "-" if minutes < 0 else "+"
    return f"{sign}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def offset_text(minutes: int) -> str:
    """Minutes east of UTC as `UTC-05:00`."""
    return f"UTC{iso_offset(minutes)}"
