"""The index of hashes at size: bytes, processor time to build, save and load, for a lookup and for a card.

    python tests/bench/alike_bench.py [--codes 10000000] [--kind uniform|clustered] [PHOTO ...]

`clustered` draws its hashes as real photos give them: a share of the photos come in bursts a few bits apart, a share
are plain pictures close to a few centres, and the bits of all others are set as often as in the hashes of PHOTO.
Without PHOTO it uses the shares that docs/measurements.md gives. Each size runs in a process of its own, so that the
peak of its memory is its own.
"""

from __future__ import annotations

import argparse
import json
import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from PIL import Image, ImageOps

from evidence.alike.hash_index import HashIndex
from evidence.alike.index_file import load_index, save_index
from evidence.alike.turning import turned_hashes
from evidence.sight.quality import perceptual_hash

RADII = (0, 2, 4, 6, 8, 10)
ASKED = 300
"""Lookups, as many as a card has photos."""
BURST_SHARE, BURST_SIZE = 0.3, 4
"""Photos that are taken in bursts of nearly the same picture, and the photos of one."""
PLAIN_SHARE, PLAIN_CENTRES = 0.02, 40
"""Photos of plain walls, skies and black pictures, and how many different hashes they scatter around."""
PLAIN_FLIPS, BURST_FLIPS = 3, 4
"""Bits that each of them may differ from its centre."""


def scattered(chance: np.random.Generator, centres: np.ndarray, flips: int) -> np.ndarray:
    """Each code with up to `flips` of its bits changed."""
    found = centres.copy()
    for _ in range(flips):
        change = chance.random(len(found)) < 0.7
        found ^= np.where(
            change, np.uint64(1) << chance.integers(0, 64, len(found), dtype=np.uint64), np.uint64(0)
        )
    return found


def balanced(chance: np.random.Generator, many: int, often: np.ndarray) -> np.ndarray:
    """Codes whose bits are set as often as `often` says, shape (64,), the highest bit first."""
    codes = np.zeros(many, dtype=np.uint64)
    for bit in range(64):
        codes |= (chance.random(many) < often[bit]).astype(np.uint64) << np.uint64(63 - bit)
    return codes


def clustered(chance: np.random.Generator, many: int, often: np.ndarray) -> np.ndarray:
    """Codes with bursts and dense clusters."""
    plain, burst = int(many * PLAIN_SHARE), int(many * BURST_SHARE)
    centres = balanced(chance, PLAIN_CENTRES, often)
    first = balanced(chance, burst // BURST_SIZE, often)
    return np.concatenate(
        [
            scattered(chance, chance.choice(centres, plain), PLAIN_FLIPS),
            scattered(chance, np.repeat(first, BURST_SIZE), BURST_FLIPS),
            balanced(chance, many - plain - len(first) * BURST_SIZE, often),
        ]
    )


def bit_shares(photos: list[Path]) -> np.ndarray:
    """How often each bit is set in the hashes of these photos, kept away from never and always."""
    codes = []
    for path in photos:
        with Image.open(path) as picture:
            small = ImageOps.exif_transpose(picture).convert("L")
            small.thumbnail((256, 256))
            codes.append(int(perceptual_hash(np.asarray(small)), 16))
    bits = np.array([[code >> (63 - bit) & 1 for bit in range(64)] for code in codes])
    return np.clip(bits.mean(axis=0), 0.05, 0.95)


def measure(codes: np.ndarray, chance: np.random.Generator) -> dict[str, object]:
    """Every figure of one index."""
    start = time.process_time()
    index = HashIndex(codes)
    built = time.process_time() - start
    asked = chance.choice(codes, ASKED).tolist()
    found: dict[str, object] = {
        "codes": len(index),
        "index_mb": round(index.octets / 1e6),
        "built_s": round(built, 2),
    }
    start = time.process_time()
    index.near(asked[0], max(RADII))  # the masks are made once in a process
    found["first_ms"] = round((time.process_time() - start) * 1000, 2)
    for radius in RADII:
        times = []
        for code in asked:
            start = time.process_time()
            index.near(code, radius)
            times.append((time.process_time() - start) * 1000)
        found[f"radius {radius}"] = {
            "mean_ms": round(float(np.mean(times)), 3),
            "worst_ms": round(max(times), 3),
            "card_s": round(sum(times) / 1000, 3),
        }
    start = time.process_time()
    for code in asked:
        for turned in turned_hashes(f"{code:016x}").values():
            index.near(int(turned, 16), 6)
    found["radius 6, turned and mirrored, card_s"] = round(time.process_time() - start, 3)
    start = time.process_time()
    index.add(chance.integers(0, 2**64, 100_000, dtype=np.uint64))
    found["add_100k_s"] = round(time.process_time() - start, 3)
    start = time.process_time()
    for code in asked:
        index.near(code, 6)
    found["radius 6 with a tail of 100k, mean_ms"] = round((time.process_time() - start) * 1000 / ASKED, 3)
    start = time.process_time()
    index.remove(codes[:300])
    found["remove_300_s"] = round(time.process_time() - start, 4)
    return found


def through_a_file(codes: np.ndarray) -> dict[str, object]:
    """Seconds to save and to load."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "hashes.index")
        arrays = HashIndex(codes).compacted()
        start = time.process_time()
        save_index(path, arrays, last=1, samples={})
        saved = time.process_time() - start
        del arrays
        start = time.process_time()
        assert load_index(path) is not None
        return {
            "file_mb": round(path.stat().st_size / 1e6),
            "saved_s": round(saved, 2),
            "loaded_s": round(time.process_time() - start, 2),
        }


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--codes", type=int, default=10_000_000)
    parser.add_argument("--kind", choices=("uniform", "clustered"), default="uniform")
    parser.add_argument("photos", nargs="*", type=Path)
    given = parser.parse_args()
    chance = np.random.default_rng(16)
    often = bit_shares(given.photos) if given.photos else np.full(64, 0.5)
    if given.kind == "uniform":
        codes = chance.integers(0, 2**64, given.codes, dtype=np.uint64)
    else:
        codes = clustered(chance, given.codes, often)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    figures = measure(codes, chance)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    scale = 1e6 if sys.platform == "darwin" else 1e3
    figures["peak_mb_above_the_given_codes"] = round((peak - before) / scale)
    print(json.dumps({"kind": given.kind, **figures, **through_a_file(codes)}, indent=1))


if __name__ == "__main__":
    main()
