"""Long custody logs, written with json and hashlib alone from their documented form."""

from __future__ import annotations

import functools
import hashlib
import json
from collections import defaultdict
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from evidence.archive.custody_head import StoredHead, head_bytes
from evidence.archive.merkle import Frontier
from evidence.model import Sha256

START = datetime(2026, 3, 4, 17, 30, tzinfo=UTC)


def value_of(seq: int) -> dict[str, Any]:
    """Entry `seq` of a log in which each claim, photo, person and action has its turn."""
    hour = timedelta(hours=seq // 50, seconds=seq % 50)
    return {
        "action": ("photo_kept", "bag_built", "verified", "moved")[seq % 977 % 4],
        "actor": ("dana", "olga", "Zoë")[seq % 1300 % 3],
        "at": (START + hour).strftime("%Y-%m-%dT%H:%M:%S.%fZ"),
        "details": {"name": f"A{seq % 3000:06}.JPG", "claim": f"HT-{seq // 150:05}", "n": seq % 9},
        "seq": seq,
        "subject": f"{seq * 7919 % 4000:064x}",
    }


def write_log(path: Path, count: int, changed: Mapping[int, Mapping[str, Any]] | None = None) -> None:
    """A log of `count` entries with its head file; `changed` gives other fields to some of them."""
    prev, tree = "0" * 64, Frontier()
    with path.open("wb") as handle:
        for seq in range(1, count + 1):
            value = {**value_of(seq), **(changed or {}).get(seq, {}), "prev": prev}
            line = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
            prev = hashlib.sha256(line).hexdigest()
            tree.add(line)
            handle.write(line + b"\n")
        size = handle.tell()
    head = StoredHead(seq=count, sha256=Sha256(prev), size=size, frontier=tree.hashes)
    path.with_name(path.name + ".head").write_bytes(head_bytes(head))


def strings_of(value: object) -> Iterator[str]:
    """Every string in a JSON value, names too."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for name, one in value.items():
            yield name
            yield from strings_of(one)
    elif isinstance(value, list):
        for one in value:
            yield from strings_of(one)


def scanned(path: Path, *words: str) -> list[int]:
    """Numbers of the entries that hold one of these words, by reading every line."""
    held = _held(path.read_bytes())
    return sorted({seq for word in words for seq in held.get(word, ())})


@functools.lru_cache(maxsize=4)
def _held(log: bytes) -> Mapping[str, list[int]]:
    """Numbers of the entries that hold a word, by word: the tests ask the same logs again and again."""
    held: dict[str, list[int]] = defaultdict(list)
    for line in log.splitlines():
        value = json.loads(line)
        for word in set(strings_of(value)) if "seq" in value else ():
            held[word].append(value["seq"])
    return held
