"""How many photos an hour two stations take in against one, on one PostgreSQL catalog.

    python tests/bench/stations_bench.py [--cards 4] [--scenes 20] [--no-analysis]

Makes a server, archives and drawn cards in a temporary folder. One station takes in all the cards, one after the other;
then two stations take in half of them each, at the same time. Each analyses with one process. Prints photos per second
and their ratio, with the load of the machine. With --no-analysis photos are not read for writing and scenes: then nearly
all of the time is the catalog's and the disk's. On two cores the two stations and the server share the processors and
one disk, so the ratio is a lower bound of what two machines reach.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

import support_stations
from support_intake import set_settings
from support_postgres import database, postgres_server
from support_stations import World, card_of, go, require_whole, settle, two_stations


def timed(world: World, cards: dict[Path, list[Path]]) -> float:
    """Seconds in which each station takes in its cards, one after the other, all stations at once."""
    spent = 0.0
    for step in range(max(map(len, cards.values()))):
        running = [world.begin(archive, mine[step]) for archive, mine in cards.items() if step < len(mine)]
        started = time.perf_counter()
        go(*running)
        spent += time.perf_counter() - started
    return spent


def measured(server: Path, folder: Path, *, stations: int, many: int, scenes: int, analysis: bool) -> float:
    """Photos per second with that many stations; raises AssertionError when one was lost or is there twice."""
    for url in database(server):
        world = two_stations(folder, url)
        if analysis:
            for archive in world.both:
                text = (archive / "evidence.toml").read_text()
                set_settings(archive, text.replace("read_writing = false\nscene_kinds = false\n", ""))
        cards = [
            card_of(
                folder / f"card-{number}",
                f"TC-100{number % 3 + 1}",
                number=number + 1,
                scenes=scenes,
                minutes=90 * number,
            )
            for number in range(many)
        ]
        split = (
            {world.first: cards} if stations == 1 else {world.first: cards[0::2], world.second: cards[1::2]}
        )
        seconds = timed(world, split)
        settle(world)
        require_whole(world, *cards)
        return many * (scenes + 1) / seconds
    raise AssertionError("no database")


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--cards", type=int, default=4)
    asked.add_argument("--scenes", type=int, default=20)
    asked.add_argument("--analysis", action=argparse.BooleanOptionalAction, default=True)
    options = asked.parse_args()
    if options.analysis:
        support_stations.INTAKE = support_stations.INTAKE.replace("executor=HereExecutor()", "executor=None")
    load = os.getloadavg()
    make_server = postgres_server.__wrapped__()
    server = next(make_server)
    try:
        with tempfile.TemporaryDirectory() as folder:
            found = {}
            for stations in (1, 2):
                place = Path(folder) / str(stations)
                place.mkdir()
                found[stations] = measured(
                    server,
                    place,
                    stations=stations,
                    many=options.cards,
                    scenes=options.scenes,
                    analysis=options.analysis,
                )
    finally:
        next(make_server, None)
    print(
        json.dumps(
            {
                "photos_per_second": {str(n): round(rate, 2) for n, rate in found.items()},
                "ratio": round(found[2] / found[1], 2),
                "cores": os.cpu_count(),
                "load_before": round(load[0], 1),
            }
        )
    )


if __name__ == "__main__":
    main()
