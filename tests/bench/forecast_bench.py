"""How long a forecast of three storms, 2,000 claims and ten years takes; run `python tests/bench/forecast_bench.py`."""

from __future__ import annotations

import random
import time
from datetime import UTC, date, datetime, timedelta

from evidence.model import ClaimId
from evidence.retention.facts import ChangeKind, ClaimFacts, LegalHold, StateChange
from evidence.retention.forecast import ClaimLoad, forecast
from evidence.retention.rule_file import load_schedule
from evidence.settings import default_text

STORMS = (
    ("hail", "CO", date(2017, 5, 8)),
    ("wind", "NH", date(2019, 8, 4)),
    ("hail", "VA", date(2021, 6, 1)),
)
HOLD = LegalHold(name="hold 1", why="suit", by="Counsel", placed=datetime(2022, 1, 1, tzinfo=UTC))


def claims(count: int) -> list[ClaimLoad]:
    """Claims of the storms: closed within two years, one in ten reopened, one in fifty held, one in forty open."""
    chance = random.Random(14)
    made = []
    for n in range(count):
        peril, state, loss = STORMS[n % 3]
        closed = loss + timedelta(days=chance.randrange(20, 700))
        history = [StateChange(kind=ChangeKind.CLOSED, on=closed)]
        if chance.random() < 0.1:
            history += [
                StateChange(kind=ChangeKind.REOPENED, on=closed + timedelta(days=90)),
                StateChange(kind=ChangeKind.CLOSED, on=closed + timedelta(days=200)),
            ]
        facts = ClaimFacts(
            claim=ClaimId(f"C-{n}"), jurisdiction=state, peril=peril, loss=loss,
            history=() if chance.random() < 0.025 else tuple(history),
            holds=(HOLD,) if chance.random() < 0.02 else (),
        )  # fmt: skip
        made.append(
            ClaimLoad(facts=facts, photos=chance.randrange(60, 300), size=chance.randrange(10**8, 10**9))
        )
    return made


def main() -> None:
    """Print the forecast and the time for one and for four times as many claims."""
    schedule = load_schedule(default_text("retention.toml"), "retention.toml")
    seconds = []
    for count in (2_000, 8_000):
        loads = claims(count)
        begun = time.perf_counter()
        found = forecast(loads, schedule, today=date(2026, 11, 25), years=10)
        seconds.append(time.perf_counter() - begun)
        print(f"{count} claims: {seconds[-1]:.3f} s")
        print("  " + ", ".join(f"{year}: {one.claims}" for year, one in found.years))
    print(f"four times as many claims take {seconds[1] / seconds[0]:.1f} times as long")


if __name__ == "__main__":
    main()
