"""Runs every trial, or those asked for: `python tests/faults/run_all.py [--command X] [--kind K] [--seed N]`.

A long run goes in parts and may be stopped at any time. Two processes share all trials and keep a log each:

    python tests/faults/run_all.py --seed 1 --part 1/2 --log one.jsonl
    python tests/faults/run_all.py --seed 1 --part 2/2 --log two.jsonl

The same command again leaves out what the log already has. `--table one.jsonl two.jsonl` prints the table of both.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import sys
import time
from collections.abc import Iterable, Iterator
from dataclasses import asdict
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE), str(HERE.parent / "support")]

from fault_disk import FaultKind  # noqa: E402
from fault_judge import Problem  # noqa: E402
from fault_trials import Bench, Outcome, Trial, bench  # noqa: E402

COLUMNS = ("tried", "lost", "doubled", "blocked", "otherwise wrong")


def main() -> int:
    """Run the trials; the exit status is 1 when one is not clean."""
    asked = _arguments()
    if asked.table:
        print(as_text(summary(one for log in asked.table for one in logged(log))))
        return 0
    with bench() as here:
        wanted = [trial_named(one) for one in asked.trial] if asked.trial else _chosen(here, asked)
        outcomes = list(logged(asked.log)) if asked.log else []
        known = {one.trial for one in outcomes}
        wanted = [one for one in wanted if one not in known]
        outcomes += _run(here, wanted, seconds=asked.seconds, table=asked.json, log=asked.log)
    print(as_text(summary(outcomes)))
    return 0 if all(one.clean for one in outcomes) else 1


def trial_named(text: str) -> Trial:
    """The trial that is printed as SCENARIO/KIND/NUMBER."""
    scenario, kind, number = text.split("/")
    return Trial(scenario, FaultKind[kind.upper()], int(number))


def logged(log: Path) -> Iterator[Outcome]:
    """The outcomes that a run wrote to its log; none where there is no such file."""
    for line in log.read_text(encoding="utf-8").splitlines() if log.exists() else ():
        one = json.loads(line)
        problems = [Problem(**problem) for problem in one.pop("problems")]
        yield Outcome(trial_named(one.pop("trial")), problems=problems, **one)


def _log_line(outcome: Outcome) -> str:
    return json.dumps({**asdict(outcome), "trial": str(outcome.trial)}) + "\n"


def _part(text: str) -> tuple[int, int]:
    number, _, parts = text.partition("/")
    if not 1 <= int(number) <= int(parts):
        raise argparse.ArgumentTypeError("a part is written as 1/2 or 2/2")
    return int(number), int(parts)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--command", action="append", help="this scenario only; may be given several times")
    parser.add_argument("--kind", action="append", choices=[one.name.lower() for one in FaultKind])
    parser.add_argument("--seed", type=int, help="in a random order given by this number")
    parser.add_argument("--every", type=int, default=1, help="every Nth trial only")
    parser.add_argument("--seconds", type=float, help="stop after so many seconds")
    parser.add_argument("--trial", action="append", help="one trial, as printed: SCENARIO/KIND/NUMBER")
    parser.add_argument("--part", type=_part, default=(1, 1), help="for example 1/2: the first half of them")
    parser.add_argument("--log", type=Path, help="a line for each trial; what it already has is left out")
    parser.add_argument("--table", type=Path, nargs="+", help="only print the table of these logs")
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
    number, parts = asked.part
    return chosen[number - 1 :: parts]


def _run(
    here: Bench, wanted: list[Trial], *, seconds: float | None, table: Path | None, log: Path | None
) -> list[Outcome]:
    outcomes = []
    began = time.monotonic()
    for number, trial in enumerate(wanted, start=1):
        outcome = here.run(trial)
        outcomes.append(outcome)
        if log:
            with log.open("a", encoding="utf-8") as file:
                file.write(_log_line(outcome))
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
