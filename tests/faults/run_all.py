"""Runs every trial, or those asked for: `python tests/faults/run_all.py [--command X] [--kind K] [--seed N]`."""

from __future__ import annotations

import argparse
import json
import os
import random
import sys
import time
from collections.abc import Iterable
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE), str(HERE.parent / "support")]

from fault_disk import FaultKind  # noqa: E402
from fault_trials import Bench, Outcome, Trial, bench  # noqa: E402

COLUMNS = ("tried", "lost", "doubled", "blocked", "otherwise wrong")


def main() -> int:
    """Run the trials; the exit status is 1 when one is not clean."""
    asked = _arguments()
    with bench() as here:
        if asked.trial:
            scenario, kind, number = asked.trial.split("/")
            wanted = [Trial(scenario, FaultKind[kind.upper()], int(number))]
        else:
            wanted = _chosen(here, asked)
        outcomes = _run(here, wanted, seconds=asked.seconds, table=asked.json)
    rows = summary(outcomes)
    print(as_text(rows))
    return 0 if all(one.clean for one in outcomes) else 1


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--command", action="append", help="this scenario only; may be given several times")
    parser.add_argument("--kind", action="append", choices=[one.name.lower() for one in FaultKind])
    parser.add_argument("--seed", type=int, help="in a random order given by this number")
    parser.add_argument("--every", type=int, default=1, help="every Nth trial only")
    parser.add_argument("--seconds", type=float, help="stop after so many seconds")
    parser.add_argument("--trial", help="one trial, as printed: SCENARIO/KIND/NUMBER")
    parser.add_argument("--json", type=Path, help="write the table to this file too, as it goes")
    return parser.parse_args()


def _chosen(here: Bench, asked: argparse.Namespace) -> list[Trial]:
    kinds = [FaultKind[one.upper()] for one in asked.kind] if asked.kind else list(FaultKind)
    chosen: list[Trial] = []
    for name in asked.command or here.scenarios:
        began = time.monotonic()
        for kind in kinds:
            chosen += here.trials(name, kind)
        print(f"{name}: {len(here.events(name))} events, {time.monotonic() - began:.1f} s", file=sys.stderr)
    chosen = chosen[:: asked.every]
    if asked.seed is not None:
        random.Random(asked.seed).shuffle(chosen)
    return chosen


def _run(here: Bench, wanted: list[Trial], *, seconds: float | None, table: Path | None) -> list[Outcome]:
    outcomes = []
    began = time.monotonic()
    for number, trial in enumerate(wanted, start=1):
        outcome = here.run(trial)
        outcomes.append(outcome)
        spent = time.monotonic() - began
        if not outcome.clean:
            print(outcome.text(), file=sys.stderr, flush=True)
        over = seconds is not None and spent > seconds
        if number % 50 == 0 or number == len(wanted) or over:
            if table:  # as it goes, so that a long run that is stopped leaves what it measured
                table.write_text(json.dumps(summary(outcomes), indent=1), encoding="utf-8")
            bad = sum(not one.clean for one in outcomes)
            print(
                f"{number} of {len(wanted)}, {bad} not clean, {spent / number:.2f} s each",
                file=sys.stderr,
                flush=True,
            )
        if over:
            break
    return outcomes


def summary(outcomes: Iterable[Outcome]) -> list[dict[str, object]]:
    """One row for each scenario and kind, and one for all."""
    groups: dict[tuple[str, str], list[Outcome]] = {}
    every: list[Outcome] = []
    for one in outcomes:
        groups.setdefault((one.trial.scenario, one.trial.kind.value), []).append(one)
        every.append(one)
    groups["all", ""] = every
    return [
        {"command": name, "fault": kind, **_counts(group)} for (name, kind), group in sorted(groups.items())
    ]


def _counts(group: list[Outcome]) -> dict[str, int]:
    return {
        "tried": len(group),
        "lost": sum(one.lost for one in group),
        "doubled": sum(one.doubled for one in group),
        "blocked": sum(bool(one.blocked) for one in group),
        "otherwise wrong": sum(one.untidy for one in group),
    }


def as_text(rows: list[dict[str, object]]) -> str:
    """The rows as a table for docs/measurements.md."""
    head = ["command", "fault", *COLUMNS]
    lines = [f"| {' | '.join(head)} |", f"|{' --- |' * len(head)}"]
    lines += [f"| {' | '.join(str(row[name]) for name in head)} |" for row in rows]
    return "\n".join(lines)


if __name__ == "__main__":
    status = main()
    sys.stdout.flush()
    os._exit(status)  # at a usual exit the code reader's binding prints that forked objects leaked
