"""How the rooms stand: `python tests/bench/rooms_count.py` prints rooms, floors and arrows.

An arrow is one room that imports another. The floors are the fewest that the arrows allow: a room stands one floor above
the highest that it imports. A circle of imports ends with an error; `tests/test_import_rules.py` allows none.
"""

from __future__ import annotations

import sys
from graphlib import TopologicalSorter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from test_import_rules import FLOOR, PACKAGE, modules, ours_of, room_of


def main() -> None:
    below: dict[str, set[str]] = {room: set() for room in FLOOR}
    for path in modules():
        if room_of(path) in below:
            below[room_of(path)] |= ours_of(path)
    floor: dict[str, int] = {}
    for room in TopologicalSorter(below).static_order():
        floor[room] = 1 + max((floor[other] for other in below[room]), default=-1)
    folders = {room for room in below if (PACKAGE / room).is_dir()}
    between = sum(len(below[room] & folders) for room in folders)
    print(
        f"{len(below)} rooms, {len(folders)} of them folders, on {1 + max(floor.values())} floors; "
        f"{sum(map(len, below.values()))} arrows, {between} of them between folders; no circle"
    )
    for number in reversed(range(1 + max(floor.values()))):
        print(f"{number:2}  {'  '.join(sorted(room for room in floor if floor[room] == number))}")


if __name__ == "__main__":
    main()
