"""Boundaries from time alone, ours and the adaptive rule's: `python tests/bench/split_time_alone.py [--days N] [--seed S]`.

Simulated days of inspections, stripped of sheets, claims, positions and pictures; and days of somebody who
takes a few photos at each of many places, whose pace differs from place to place. Prints, asserts nothing.
"""

from __future__ import annotations

import argparse
import random
import sys
from collections import Counter
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

sys.path[:0] = [
    str(Path(__file__).parents[2]),
    str(Path(__file__).parents[1] / "support"),
    str(Path(__file__).parent),
]

from day_simulator import EASY, EASY_SLOW, HARDER, Mix, simulate  # noqa: E402 - found by the path above
from split_baselines import adaptive_log_gap  # noqa: E402

from evidence.model import DcfName, DeviceId, IntakeId, Sha256  # noqa: E402
from evidence.timeline import DayPhoto, plan_day  # noqa: E402

Stripped = tuple[list[DayPhoto], dict[str, int]]
"""Photos with nothing but their time, and the visit of each."""


def inspections(seed: int, mix: Mix) -> Stripped:
    """A simulated day of one camera with a good clock, with its times alone."""
    day = simulate(seed, replace(mix, phone_only=1.0, videos=0.0, second_adjuster=0.0, renamed=0.0))
    photos = [
        replace(p, dividers=(), sheet=None, gps=None, gps_time=None, offset_minutes=None, scenes={})
        for p in day.photos
    ]
    return photos, day.visit


def places(seed: int) -> Stripped:
    """A day at many places: 3 to 40 photos each, a pace of its own at each, minutes to hours in between."""
    rng = random.Random(f"{seed} places")
    now, photos, visits = datetime(2026, 5, 9, 8), [], {}
    usual = rng.uniform(8, 45)
    for visit in range(rng.randint(6, 16)):
        pace = usual * 2 ** rng.uniform(-1.5, 1.5)
        for _ in range(min(40, 3 + int(rng.expovariate(1 / 12)))):
            number = len(photos) + 1
            name = f"IMG_{number:04d}.JPG"
            photo = DayPhoto(
                sha256=Sha256(f"{seed:032x}{number:032x}"), device=DeviceId("camera"), card=IntakeId("card"),
                card_path=f"DCIM/100PLACE/{name}", name=name, dcf=DcfName(folder_number=100, file_number=number),
                taken_local=now.replace(microsecond=0),
            )  # fmt: skip
            photos.append(photo)
            visits[photo.sha256] = visit
            pause = rng.random() < 0.06
            now += timedelta(
                seconds=1 + (rng.triangular(60, 500, 120) if pause else pace * rng.weibullvariate(1.0, 0.8))
            )
        now += timedelta(seconds=60 * rng.triangular(4, 100, 12))
    return photos, visits


def scores(day: Stripped) -> Counter:
    """Boundaries found, missed and invented by ours and by the rule; of ours, also without the marked ones."""
    photos, visit = day
    plan = plan_day(photos, [])
    order = [p.sha256 for p in plan.placed]
    times = [p.corrected.timestamp() if p.corrected else 0.0 for p in plan.placed]
    true = [visit[a] != visit[b] for a, b in pairwise(order)]
    opened = {s.opened_by.before: s.opened_by for s in plan.segments}
    asked = {f.subject for f in plan.findings if f.code == "possible_boundary"}
    drawn = [b in opened for b in order[1:]]
    sure = [b in opened and not opened[b].to_confirm for b in order[1:]]
    doubtful = [b in asked or (b in opened and opened[b].to_confirm) for b in order[1:]]
    out = Counter({"boundaries": sum(true), "doubtful": sum(doubtful)})
    for name, marks in (("ours", drawn), ("sure", sure), ("rule", adaptive_log_gap(times))):
        out[f"{name} hit"] += sum(t and m for t, m in zip(true, marks, strict=True))
        out[f"{name} invented"] += sum(m and not t for t, m in zip(true, marks, strict=True))
    out["unmarked errors"] += sum(t != m and not d for t, m, d in zip(true, drawn, doubtful, strict=True))
    return out


def f1(total: Counter, name: str) -> float:
    """Harmonic mean of precision and recall."""
    hit = total[f"{name} hit"]
    return 2 * hit / max(1, hit + total[f"{name} invented"] + total["boundaries"])


def main() -> None:
    """Print one line for each sort of day."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--seed", type=int, default=30_000)
    args = parser.parse_args()
    seeds = range(args.seed, args.seed + args.days)
    sorts = {
        "places": map(places, seeds),
        "inspections, easy": (inspections(s, EASY) for s in seeds),
        "inspections, slow": (inspections(s, EASY_SLOW) for s in seeds),
        "inspections, harder": (inspections(s, HARDER) for s in seeds),
    }
    for name, days in sorts.items():
        total = sum((scores(day) for day in days), Counter())
        print(
            f"{name}: {total['boundaries']} boundaries; F1 ours {f1(total, 'ours'):.3f}, the rule's {f1(total, 'rule'):.3f}; "
            f"ours missed {total['boundaries'] - total['ours hit']}, invented {total['ours invented']}, "
            f"asked {total['doubtful']}, wrong and not asked {total['unmarked errors']}; "
            f"the rule missed {total['boundaries'] - total['rule hit']}, invented {total['rule invented']}"
        )


if __name__ == "__main__":
    main()
