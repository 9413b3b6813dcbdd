"""The arithmetic of docs/scale.md: an office's load from figures of docs/measurements.md. Run it to print the tables.

Every input is a figure that was measured, with the words of docs/measurements.md that say so, or an assumption that is
named as one.
"""

from __future__ import annotations

from dataclasses import dataclass

ADJUSTERS, CLAIMS_A_DAY, PHOTOS_A_CLAIM = 1_000, 5, 200
"""The question."""
DAYS_A_YEAR, YEARS, HOURS_A_DAY, PEAK_HOURS, NIGHT_HOURS, PLACES = 250, 7, 10, 4, 4, 2
"""Assumptions: working days, years of keeping, hours in which cards come, hours when most come at once, hours of a night
for reading back, and places of each photo (the settings' own default: the archive and one target)."""


@dataclass(frozen=True, slots=True)
class Input:
    """A measured figure."""

    value: float
    words: str
    """In docs/measurements.md, as they stand there."""


PHOTO_MB = Input(3.2, "72 drawn photos of 12 megapixels (3.2 MB)")
LOOKS_A_CORE = Input(4.6 / 2, "5.3; an hour later 4.8, 4.7, 4.6")
OTHER_S = Input((2.0 + 0.5 + 0.8 + 0.7) / 120, "2.0, split and tags 0.5, bags 0.8, backup 0.7")
CATALOG_KB = Input(7e9 / 1_050_000 / 1000, "Bringing that catalog of 7.0 GB over")
READ_GB_A_CORE = Input(100 * 5e6 / 0.41 / 1e9, "0.41 of 512 KiB")
INDEX_BYTES = Input(194e6 / 10e6, "The index takes 194 MB")
LOOKUP_MS = Input(0.83, "| 6, turned and mirrored in eight ways | 0.72 | 0.216 | 0.83 | 0.250 |")
ENTRIES_A_CARD = Input(8, "8 entries and 2,054 bytes for a card of 40 photos of 5 claims")
ENTRY_BYTES = Input(2054 / 8, "8 entries and 2,054 bytes for a card of 40 photos of 5 claims")
LARGEST = Input(1_050_000, "7,000 claims (1,050,000 photos")
INPUTS = (
    PHOTO_MB,
    LOOKS_A_CORE,
    OTHER_S,
    CATALOG_KB,
    READ_GB_A_CORE,
    INDEX_BYTES,
    LOOKUP_MS,
    ENTRIES_A_CARD,
    ENTRY_BYTES,
    LARGEST,
)


def rows(adjusters: int) -> list[tuple[str, str, str]]:
    """What, the arithmetic, and the result."""
    daily = adjusters * CLAIMS_A_DAY * PHOTOS_A_CLAIM
    yearly, kept = daily * DAYS_A_YEAR, daily * DAYS_A_YEAR * YEARS
    tb_daily = daily * PHOTO_MB.value / 1e6
    kept_pb = kept * PHOTO_MB.value / 1e9
    looks = daily / LOOKS_A_CORE.value / 3600
    other = daily * OTHER_S.value / 3600
    night = 365 * NIGHT_HOURS * 3600
    read_cores = kept_pb * 1e6 / READ_GB_A_CORE.value / night
    entries = adjusters * ENTRIES_A_CARD.value * DAYS_A_YEAR
    return [
        ("photos a day", f"{adjusters:,} × {CLAIMS_A_DAY} × {PHOTOS_A_CLAIM}", f"{daily:,}"),
        ("photos a year", f"{daily:,} × {DAYS_A_YEAR} days", f"{yearly / 1e6:,.0f} million"),
        ("photos kept", f"× {YEARS} years", f"{kept / 1e9:,.2f} billion"),
        ("bytes a day", f"{daily:,} × {PHOTO_MB.value} MB", f"{tb_daily:,.1f} TB"),
        (
            "bandwidth in, mean",
            f"{tb_daily:,.1f} TB in {HOURS_A_DAY} h",
            f"{tb_daily * 8e3 / HOURS_A_DAY / 3600:,.2f} Gbit/s",
        ),
        (
            "bandwidth in, if all come within some hours",
            f"{tb_daily:,.1f} TB in {PEAK_HOURS} h",
            f"{tb_daily * 8e3 / PEAK_HOURS / 3600:,.2f} Gbit/s",
        ),
        ("the same again to each further place", f"{PLACES} places", "as much as the line above"),
        (
            "cores for the look, hours a day",
            f"{daily:,} ÷ {LOOKS_A_CORE.value:.1f} a second",
            f"{looks:,.0f} core hours",
        ),
        (
            "cores for the look",
            f"in {HOURS_A_DAY} h, or in {PEAK_HOURS} h",
            f"{looks / HOURS_A_DAY:,.0f}, or {looks / PEAK_HOURS:,.0f}",
        ),
        (
            "copying, camera data, split, tags, bags, backup",
            f"{daily:,} × {OTHER_S.value * 1000:.0f} ms",
            f"{other:,.1f} core hours a day",
        ),
        (
            "storage a year, one place",
            f"{yearly / 1e6:,.0f} million × {PHOTO_MB.value} MB",
            f"{yearly * PHOTO_MB.value / 1e6:,.0f} TB",
        ),
        ("storage at seven years, one place", f"× {YEARS}", f"{kept_pb:,.1f} PB"),
        ("storage at seven years, all places", f"× {PLACES}", f"{kept_pb * PLACES:,.1f} PB"),
        (
            "catalog at seven years",
            f"{kept / 1e9:,.2f} billion × {CATALOG_KB.value:.1f} kB",
            f"{kept * CATALOG_KB.value / 1e9:,.1f} TB",
        ),
        (
            "reading each copy back once a year, one place",
            f"{kept_pb:,.1f} PB in 365 nights of {NIGHT_HOURS} h",
            f"{kept_pb * 1e6 / night:,.2f} GB/s, {read_cores:,.1f} cores",
        ),
        (
            "index of pictures",
            f"{kept / 1e9:,.2f} billion × {INDEX_BYTES.value:.1f} bytes",
            f"{kept * INDEX_BYTES.value / 1e9:,.0f} GB",
        ),
        (
            "entries of custody logs a year",
            f"{adjusters:,} cards a day × {ENTRIES_A_CARD.value:.0f} × {DAYS_A_YEAR}",
            f"{entries / 1e6:,.1f} million, {entries * ENTRY_BYTES.value / 1e9:,.1f} GB",
        ),
        (
            "archives of the largest size that was measured",
            f"{kept / 1e9:,.2f} billion ÷ {LARGEST.value:,.0f}",
            f"{kept / LARGEST.value:,.0f}",
        ),
    ]


def table(adjusters: int) -> str:
    """The rows in Markdown."""
    lines = ["| what | arithmetic | result |", "| --- | --- | --- |"]
    return "\n".join([*lines, *(f"| {what} | {how} | {result} |" for what, how, result in rows(adjusters))])


def compared() -> str:
    """The results alone, for this office and for ten times as many."""
    lines = [f"| what | {ADJUSTERS:,} adjusters | {10 * ADJUSTERS:,} |", "| --- | --- | --- |"]
    both = zip(rows(ADJUSTERS), rows(10 * ADJUSTERS), strict=True)
    return "\n".join([*lines, *(f"| {one[0]} | {one[2]} | {ten[2]} |" for one, ten in both)])


if __name__ == "__main__":
    print(table(ADJUSTERS))
    print()
    print(compared())
