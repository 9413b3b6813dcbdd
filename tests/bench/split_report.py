"""How often the split is wrong, on simulated days: `python tests/bench/split_report.py [--days N] [--seed S]`.

Prints the figures of docs/measurements.md, "The split". Not a test: it asserts nothing.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

sys.path[:0] = [
    str(Path(__file__).parents[2]),
    str(Path(__file__).parents[1] / "support"),
    str(Path(__file__).parent),
]

from day_simulator import EASY, EASY_SLOW, HARD, HARDER, SMALL, Mix, SimDay, simulate  # noqa: E402 - found by the path above
from split_baselines import adaptive_log_gap, file_by_dividers, plain_gap  # noqa: E402
from split_metrics import half_mean, pk, windowdiff  # noqa: E402
from split_nameable import nameable_visits, visits_alike  # noqa: E402

from evidence.timeline import DayPlan, plan_day  # noqa: E402

RULES = {"adaptive log-gap": adaptive_log_gap, "15-minute gap": plain_gap}
MIXES = {"easy": EASY, "easy-slow": EASY_SLOW, "hard": HARD, "harder": HARDER, "small": SMALL}
VARIANTS = [(c, o, t) for c in (True, False) for o in (True, False) for t in ("camera", "ours")]


def measure(task: tuple[int, Mix]) -> Counter:
    """Counts for one day; sums over days are the report."""
    seed, mix = task
    day = simulate(seed, mix)
    start = time.perf_counter()
    plan = plan_day(day.photos, day.claims, lists=day.lists)
    out = Counter({"seconds": time.perf_counter() - start, "days": 1})
    _filing(day, plan, out)
    _boundaries(day, plan, out)
    _baselines(day, plan, out)
    return out


def _filing(day: SimDay, plan: DayPlan, out: Counter) -> None:
    unknown = {s.number for s in plan.segments if s.unknown}
    named, alike = nameable_visits(day), visits_alike(day)
    bad = 0
    for photo in plan.placed:
        truth = day.truth[photo.sha256]
        errand = day.visit[photo.sha256] < 0
        to_name = photo.segment in unknown
        wrong = photo.claim != truth if photo.claim is not None else (not to_name and not errand)
        out["photos"] += 1
        out["to_confirm"] += photo.to_confirm
        out["to_name"] += to_name
        out["wrong"] += wrong
        out["unassigned"] += truth is not None and photo.claim is None
        out["unassigned_named"] += (
            day.visit[photo.sha256] in named and truth is not None and photo.claim is None
        )
        out["photos_of_no_name"] += truth is not None and not errand and day.visit[photo.sha256] not in named
        out["photos_alike"] += day.visit[photo.sha256] in alike
        out["wrong_alike"] += wrong and day.visit[photo.sha256] in alike
        out["wrong_claim"] += photo.claim is not None and photo.claim != truth
        out["sure_wrong"] += wrong and not photo.to_confirm
        out["sure_wrong_claim"] += wrong and not photo.to_confirm and photo.claim is not None and not errand
        out["sure_errand_filed"] += wrong and not photo.to_confirm and errand
        bad += wrong and not photo.to_confirm
        if not to_name:
            place = min(9, int(photo.confidence * 10)) if photo.confidence < 0.99 else 10
            out[f"cal_n{place}"] += 1
            out[f"cal_p{place}"] += photo.confidence
            out[f"cal_ok{place}"] += not wrong
    if bad:
        out["days_with_sure_wrong"] += 1
    for trouble in day.troubles:
        out[f"t_photos:{trouble}"] += len(plan.placed)
        out[f"t_bad:{trouble}"] += bad


def _boundaries(day: SimDay, plan: DayPlan, out: Counter) -> None:
    opened = {s.opened_by.before: s.opened_by for s in plan.segments}
    order = [p.sha256 for p in plan.placed]
    true = [day.visit[a] != day.visit[b] for a, b in pairwise(order)]
    segment = {p.sha256: p.segment for p in plan.placed}
    drawn = [segment[a] != segment[b] for a, b in pairwise(order)]
    out["true_b"] += sum(true)
    out["drawn_b"] += sum(drawn)
    out["missed"] += sum(t and not d for t, d in zip(true, drawn, strict=True))
    out["invented"] += sum(d and not t for t, d in zip(true, drawn, strict=True))
    out["marked"] += sum(b.to_confirm for b in opened.values())
    out["segments"] += len(plan.segments)
    out["unnamed"] += sum(s.unknown for s in plan.segments)
    out["asked"] += sum(s.unknown or s.opened_by.to_confirm for s in plan.segments)
    out["possible"] += sum(f.code == "possible_boundary" for f in plan.findings)
    k = half_mean(true)
    out["wd"] += windowdiff(true, drawn, k)
    out["pk"] += pk(true, drawn, k)
    for name, boundary in opened.items():
        place = order.index(name)
        if place:
            bin_ = min(9, int(boundary.probability * 10)) if boundary.probability < 0.99 else 10
            out[f"bcal_n{bin_}"] += 1
            out[f"bcal_p{bin_}"] += boundary.probability
            out[f"bcal_ok{bin_}"] += true[place - 1]


def _baselines(day: SimDay, plan: DayPlan, out: Counter) -> None:
    photos = {s.sha256: s for s in day.photos}
    ours = [p.sha256 for p in plan.placed]
    stamps = {p.sha256: p.corrected for p in plan.placed}
    by_card = sorted(day.photos, key=lambda s: (s.card, s.card_path))
    raw: dict[str, float] = {}
    last: dict[str, float] = defaultdict(float)
    for photo in by_card:
        if photo.taken_local is not None:
            last[photo.card] = (
                (photo.taken_local - day.photos[0].taken_local.replace(year=2000)).total_seconds()
                if day.photos[0].taken_local
                else photo.taken_local.timestamp()
            )
        raw[photo.sha256] = last[photo.card]
    camera = sorted(raw, key=lambda n: raw[n])
    clock, at = {}, 0.0
    base = min((s for s in stamps.values() if s is not None), default=None)
    for name in ours:
        if stamps[name] is not None and base is not None:
            at = max(at, (stamps[name] - base).total_seconds())
        clock[name] = at
    for rule, function in RULES.items():
        for cut, carry, source in VARIANTS:
            order, times = (camera, raw) if source == "camera" else (ours, clock)
            marks = function([times[n] for n in order])
            sheets = [str(photos[n].dividers[0]) if photos[n].dividers else None for n in order]
            claims, used = file_by_dividers(marks, sheets, cut_at_dividers=cut, carry_on=carry)
            name = f"{rule}|{'cuts at dividers' if cut else 'gaps only'}|{'carries on' if carry else 'unassigned'}|{source}"
            for sha, claim in zip(order, claims, strict=True):
                truth, errand = day.truth[sha], day.visit[sha] < 0
                unlisted = truth is None and not errand
                out[f"base:{name}"] += (claim != truth) if claim is not None else not (errand or unlisted)
                out[f"basewrong:{name}"] += claim is not None and claim != truth
            true = [day.visit[a] != day.visit[b] for a, b in pairwise(order)]
            k = half_mean(true)
            out[f"basewd:{name}"] += windowdiff(true, used, k)
            out[f"basepk:{name}"] += pk(true, used, k)
            out[f"basemiss:{name}"] += sum(t and not d for t, d in zip(true, used, strict=True))
            out[f"baseinv:{name}"] += sum(d and not t for t, d in zip(true, used, strict=True))


def report(name: str, mix: Mix, days: int, seed: int, workers: int) -> None:
    """Print one mix."""
    with ProcessPoolExecutor(workers) as pool:
        total: Counter = Counter()
        for part in pool.map(measure, [(seed + d, mix) for d in range(days)], chunksize=8):
            total.update(part)
    n, sure = total["photos"], total["photos"] - total["to_confirm"]
    print(f"\n## {name}: {days} days, {n} photos, {total['true_b']} boundaries, seed {seed}")
    print(f"misfiled, not marked to confirm: {1000 * total['sure_wrong'] / max(1, sure):.2f} per 1,000 of {sure}"
          f" (under a wrong claim {total['sure_wrong_claim']}, claim photos unassigned "
          f"{total['sure_wrong'] - total['sure_wrong_claim'] - total['sure_errand_filed']}, errand photos filed {total['sure_errand_filed']})"
          f"; days with any: {total['days_with_sure_wrong']}")  # fmt: skip
    print(f"misfiled in all: {1000 * total['wrong'] / n:.2f} per 1,000, under a wrong claim {1000 * total['wrong_claim'] / n:.2f}; without a claim although they have one: {1000 * total['unassigned'] / n:.2f}, of them in houses that something names {1000 * total['unassigned_named'] / n:.2f} (photos of houses that nothing names: {1000 * total['photos_of_no_name'] / n:.2f}); photos to confirm {100 * total['to_confirm'] / n:.1f} %"
          f", of them in unnamed houses {100 * total['to_name'] / n:.1f} %")  # fmt: skip
    print(f"of those misfiled, in houses that nothing tells from the one before, after or next door: {1000 * total['wrong_alike'] / n:.2f} "
          f"(such houses hold {1000 * total['photos_alike'] / n:.2f} of 1,000 photos); in all others {1000 * (total['wrong'] - total['wrong_alike']) / n:.2f}")  # fmt: skip
    print(f"boundaries missed {total['missed']} ({100 * total['missed'] / total['true_b']:.1f} %), invented {total['invented']} "
          f"({100 * total['invented'] / total['true_b']:.1f} %); WindowDiff {total['wd'] / days:.4f}, Pk {total['pk'] / days:.4f}")  # fmt: skip
    print(f"segments {total['segments']}, boundaries marked to confirm {total['marked']} = 1 in {total['segments'] / max(1, total['marked']):.1f}; "
          f"houses to name {total['unnamed']}, either 1 in {total['segments'] / max(1, total['asked']):.1f}; possible boundaries pointed out {total['possible']}; {1000 * total['seconds'] / n:.2f} ms a photo")  # fmt: skip
    for label, prefix in (("photo confidence", "cal"), ("boundary probability", "bcal")):
        rows = [f"{total[f'{prefix}_p{b}'] / total[f'{prefix}_n{b}']:.3f}->{total[f'{prefix}_ok{b}'] / total[f'{prefix}_n{b}']:.3f} ({total[f'{prefix}_n{b}']})"
                for b in range(11) if total[f"{prefix}_n{b}"]]  # fmt: skip
        print(f"{label} stated->true (n): " + "  ".join(rows))
    names = sorted((k[5:] for k in total if k.startswith("base:")), key=lambda k: total[f"base:{k}"])
    for base in names[:4] if len(names) > 4 else names:
        print(f"baseline {base}: misfiled or left out {1000 * total[f'base:{base}'] / n:.1f}, under a wrong claim {1000 * total[f'basewrong:{base}'] / n:.1f} per 1,000; "
              f"missed {total[f'basemiss:{base}']}, invented {total[f'baseinv:{base}']}, WindowDiff {total[f'basewd:{base}'] / days:.3f}, Pk {total[f'basepk:{base}'] / days:.3f}")  # fmt: skip
    if names:
        print(f"best baseline over ours, all photos: {total[f'base:{names[0]}'] / max(1, total['wrong']):.1f} times;"
              f" over ours not marked: {total[f'base:{names[0]}'] / max(1, total['sure_wrong']):.1f} times")  # fmt: skip
    print("sure-wrong per 1,000 on days with: " + ", ".join(
        f"{k[6:]} {1000 * total[k] / total['t_photos:' + k[6:]]:.1f}" for k in sorted(total) if k.startswith("t_bad:")))  # fmt: skip


def main() -> None:
    """Run the report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=400)
    parser.add_argument("--seed", type=int, default=10_000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--mix", choices=[*MIXES, "all"], default="all")
    parser.add_argument("--blind", action="store_true", help="leave out what the photos show")
    args = parser.parse_args()
    for name, mix in MIXES.items():
        if args.mix in ("all", name):
            report(
                f"{name} mix",
                replace(mix, pictures=0.0) if args.blind else mix,
                args.days,
                args.seed,
                args.workers,
            )


if __name__ == "__main__":
    main()
