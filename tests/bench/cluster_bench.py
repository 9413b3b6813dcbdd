"""Measures the pace of the analysis on a cluster beside that of the processes of this computer, by turns.

    python tests/bench/cluster_bench.py [PHOTOS] [WORKERS] [ROUNDS]

Draws a card of PHOTOS (60) photos of 12 megapixels with all sorts of writing, starts a scheduler and WORKERS (2) workers on
this computer's loopback, and analyses the card ROUNDS (3) times on each. A round counts from the first photo handed in to
the last result; both have analysed photos before. Also compares all looks and thumbnails.
"""

from __future__ import annotations

import hashlib
import os
import statistics
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "support"), str(ROOT / "tests" / "bench")]

from look_bench import CARD, card_photo  # noqa: E402
from support_cluster import LoopbackCluster  # noqa: E402

from evidence.model import MediaKind  # noqa: E402
from evidence.sight.batch import Looking  # noqa: E402
from evidence.sight.cluster import cluster_at  # noqa: E402
from evidence.sight.request import LookOptions, LookRequest  # noqa: E402


def card(folder, photos):
    """Requests for a drawn card, in a fixed order."""
    rng = np.random.default_rng(5100)
    sorts = [sort for sort, many in CARD.items() for _ in range(many)]
    for number, at in enumerate(rng.permutation(photos)):
        path = folder / f"{number}.jpg"
        Image.fromarray(card_photo(sorts[at % len(sorts)], number, rng)).save(path, quality=90)
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        yield LookRequest(path=path, sha256=digest, kind=MediaKind.PHOTO)


def analysed(looking, requests, thumbs):
    """Photos a second, and what was found."""
    start = time.perf_counter()
    for request in requests:
        looking.add(replace(request, thumb_dir=thumbs))
    found = dict(looking.rest())
    return len(requests) / (time.perf_counter() - start), found


def main():
    """Run the rounds and print each pace, the medians and their ratio."""
    given = [int(one) for one in sys.argv[1:]]
    photos, count, rounds = given + [60, 2, 3][len(given) :]
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        requests = list(card(folder, photos))
        heavy = statistics.mean(one.path.stat().st_size for one in requests) / 1e6
        print(
            f"{photos} photos of 12 MP, {heavy:.1f} MB each; {count} workers; load {os.getloadavg()[0]:.1f}"
        )
        with (
            LoopbackCluster(folder, workers=count) as running,
            cluster_at(running.address) as cluster,
            Looking(workers=count, cluster=cluster) as there,
            Looking(workers=count) as here,
        ):
            here.start(LookOptions())
            for looking in (here, there):
                analysed(looking, requests[: 4 * count], folder / "warm")
            paces = {"here": [], "cluster": []}
            for number in range(rounds):
                found = {}
                for kind, looking in (("here", here), ("cluster", there)):
                    pace, found[kind] = analysed(looking, requests, folder / f"{kind}{number}")
                    paces[kind].append(pace)
                    print(f"  {kind}: {pace:.2f} photos/s (load {os.getloadavg()[0]:.1f})")
                thumbs = [
                    {p.name: p.read_bytes() for p in (folder / f"{kind}{number}").rglob("*.jpg")}
                    for kind in paces
                ]
                equal = found["here"] == found["cluster"] and thumbs[0] == thumbs[1]
                print(
                    f"  looks and thumbnails {'equal' if equal else 'DIFFER'}; not finished there: {cluster.redone}"
                )
            here_pace, there_pace = (statistics.median(of) for of in paces.values())
            print(
                f"medians: here {here_pace:.2f}, cluster {there_pace:.2f}, ratio {there_pace / here_pace:.2f}"
            )


if __name__ == "__main__":
    main()
