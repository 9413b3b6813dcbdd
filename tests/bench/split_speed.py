"""How the split's time grows with the photos: `python tests/bench/split_speed.py`. Prints, asserts nothing.

Days with a camera and a phone, both with positions, eight claims a day; processor time, best of three.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

sys.path[:0] = [
    str(Path(__file__).parents[2]),
    str(Path(__file__).parents[1] / "support"),
    str(Path(__file__).parent),
]

from day_simulator import EASY, simulate  # noqa: E402 - found by the path above

from evidence.model import Claim, IntakeId  # noqa: E402
from evidence.timeline import DayPhoto, plan_day  # noqa: E402

MIX = replace(EASY, phone_only=0.0, camera_and_phone=1.0, camera_gps=1.0)


def season(count: int) -> tuple[list[DayPhoto], list[Claim]]:
    """That many photos of one adjuster's season with all their claims: simulated days, one after another."""
    photos: list[DayPhoto] = []
    claims: list[Claim] = []
    for seed in range(10_000):
        if len(photos) >= count:
            break
        day = simulate(9000 + seed, MIX)
        photos += [replace(s, card=IntakeId(f"{s.card}-{seed}")) for s in day.photos]
        claims += day.claims
    return photos[:count], claims


def main() -> None:
    """Print one line for each size."""
    base = None
    for count in (500, 1000, 2000, 4000, 8000):
        photos, claims = season(count)
        best = min(_run(photos, claims) for _ in range(3))
        base = base or best / count
        print(
            f"{count} photos: {best:.2f} s, {1000 * best / count:.2f} ms a photo, {best / count / base:.2f} of the first line's"
        )


def _run(photos: list[DayPhoto], claims: list[Claim]) -> float:
    start = time.process_time()
    plan_day(photos, claims)
    return time.process_time() - start


if __name__ == "__main__":
    main()
