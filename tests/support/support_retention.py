"""Two desks for a purge to work at: one in memory, one over real folders."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from pathlib import Path

from evidence.errors import BadInputError
from evidence.model import ClaimId, Sha256
from evidence.retention.desk import CopyKind, KnownCopy, PurgeEntry, Tombstone
from evidence.retention.schedule import ClaimFacts, Hold, Turn, TurnKind

NOON = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
TODAY = date(2026, 11, 25)


def digest(data: bytes) -> Sha256:
    return Sha256(hashlib.sha256(data).hexdigest())


def closed(claim: str, on: date = date(2015, 3, 15), **more: object) -> ClaimFacts:
    return replace(ClaimFacts(claim=ClaimId(claim), history=(Turn(kind=TurnKind.CLOSED, on=on),)), **more)  # type: ignore[arg-type]


def a_hold(why: str = "suit filed") -> Hold:
    return Hold(hold="H-1", why=why, by="Counsel", placed=NOON)


class KilledError(BaseException):
    """Stands for the process dying: nothing in the program may catch it."""


@dataclass
class MemoryDesk:
    """Claims, copies and log as plain values; `before` is called with each deed's name and may raise."""

    known: dict[ClaimId, ClaimFacts] = field(default_factory=dict)
    held_photos: dict[ClaimId, list[Sha256]] = field(default_factory=dict)
    places: dict[ClaimId, set[KnownCopy]] = field(default_factory=dict)
    stubborn: set[str] = field(default_factory=set)
    """Places from which nothing goes away, whatever `remove` says."""
    log: list[PurgeEntry] = field(default_factory=list)
    tombstones: dict[ClaimId, Tombstone] = field(default_factory=dict)
    removed: list[KnownCopy] = field(default_factory=list)
    day: date = TODAY
    before: Callable[[str], None] = lambda _deed: None

    def add(self, facts: ClaimFacts, *photos: bytes) -> None:
        claim = facts.claim
        self.known[claim] = facts
        self.held_photos[claim] = [digest(p) for p in photos]
        self.places[claim] = {KnownCopy(kind=CopyKind.BAG, place=f"archive/claims/{claim}")}
        for sha in self.held_photos[claim]:
            self.places[claim] |= {
                KnownCopy(kind=CopyKind.INTAKE, place=f"intake/{sha[:8]}", sha256=sha, by_digest=True),
                KnownCopy(kind=CopyKind.THUMBNAIL, place=f"thumbs/{sha[:8]}", sha256=sha, by_digest=True),
                KnownCopy(kind=CopyKind.TARGET, place=f"target nas: {claim}/{sha[:8]}", sha256=sha),
            }

    def now(self) -> datetime:
        return NOON

    def today(self) -> date:
        return self.day

    def claims(self) -> Sequence[ClaimId]:
        return [claim for claim in self.known if claim not in self.tombstones]

    def facts(self, claim: ClaimId) -> ClaimFacts:
        self.before("facts")
        if claim not in self.known or claim in self.tombstones:
            raise BadInputError(f"No claim {claim}.", "See `evidence claims`.")
        return self.known[claim]

    def photos(self, claim: ClaimId) -> Sequence[Sha256]:
        return list(self.held_photos[claim])

    def also_in(self, photo: Sha256) -> Sequence[ClaimId]:
        return [claim for claim in self.claims() if photo in self.held_photos[claim]]

    def copies(self, claim: ClaimId) -> Sequence[KnownCopy]:
        self.before("copies")
        return sorted(self.places[claim], key=lambda c: c.place)

    def remove(self, copy: KnownCopy) -> None:
        self.before("remove")
        self.removed.append(copy)
        if copy.place in self.stubborn:
            return
        for places in self.places.values():
            places.discard(copy)

    def look_for(self, claim: ClaimId, photos: Sequence[Sha256]) -> Sequence[KnownCopy]:
        self.before("look_for")
        return sorted(self.places[claim], key=lambda c: c.place)

    def record(self, entry: PurgeEntry) -> None:
        self.before(f"record {entry.event}")
        if not self.recorded(entry.key):
            self.log.append(entry)
        self.before(f"after record {entry.event}")

    def recorded(self, key: str) -> bool:
        return any(entry.key == key for entry in self.log)

    def bury(self, tombstone: Tombstone) -> None:
        self.before("bury")
        self.tombstones[tombstone.claim] = tombstone
        self.before("after bury")

    def events(self, claim: ClaimId) -> Counter[str]:
        return Counter(entry.event for entry in self.log if entry.claim == claim)


class FolderDesk:
    """An archive of real folders: bags, intake objects, thumbnails, staging, two targets, a log file.

    `look_for` walks every folder and hashes every file, so it knows nothing that the disk does not say.
    """

    def __init__(self, root: Path, *, day: date = TODAY) -> None:
        self.root, self.day = root, day
        self.index: dict[ClaimId, ClaimFacts] = {}
        for name in ("claims", "intake", "thumbs", "staging", "log", "tombstones"):
            (root / name).mkdir(parents=True, exist_ok=True)
        self.targets = [root / "target_a", root / "target_b"]
        for target in self.targets:
            target.mkdir(exist_ok=True)

    def file(self, facts: ClaimFacts, photos: dict[str, bytes]) -> None:
        self.index[facts.claim] = facts
        for home in [self.root / "claims", *self.targets]:
            data = home / facts.claim / "data"
            data.mkdir(parents=True, exist_ok=True)
            (data.parent / "bagit.txt").write_text("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
            for name, content in photos.items():
                (data / name).write_bytes(content)
        for content in photos.values():
            (self.root / "intake" / digest(content)).write_bytes(content)
            (self.root / "thumbs" / f"{digest(content)}.jpg").write_bytes(b"small " + content)

    def now(self) -> datetime:
        return NOON

    def today(self) -> date:
        return self.day

    def claims(self) -> Sequence[ClaimId]:
        return [claim for claim in self.index if not self._tombstone(claim).exists()]

    def facts(self, claim: ClaimId) -> ClaimFacts:
        if claim not in self.claims():
            raise BadInputError(f"No claim {claim}.", "See `evidence claims`.")
        return self.index[claim]

    def photos(self, claim: ClaimId) -> Sequence[Sha256]:
        bag = self.root / "claims" / claim / "data"
        return [digest(p.read_bytes()) for p in sorted(bag.iterdir())] if bag.exists() else []

    def also_in(self, photo: Sha256) -> Sequence[ClaimId]:
        return [claim for claim in self.claims() if photo in self.photos(claim)]

    def copies(self, claim: ClaimId) -> Sequence[KnownCopy]:
        found = []
        for home in [self.root / "claims", *self.targets]:
            if (home / claim).exists():
                kind = CopyKind.BAG if home.name == "claims" else CopyKind.TARGET
                found.append(KnownCopy(kind=kind, place=f"{home.name}/{claim}"))
        for sha in self.photos(claim):
            found += self._by_digest(sha)
        return found

    def _by_digest(self, sha: Sha256) -> Iterator[KnownCopy]:
        for kind, place in ((CopyKind.INTAKE, f"intake/{sha}"), (CopyKind.THUMBNAIL, f"thumbs/{sha}.jpg")):
            if (self.root / place).exists():
                yield KnownCopy(kind=kind, place=place, sha256=sha, by_digest=True)

    def remove(self, copy: KnownCopy) -> None:
        path = self.root / copy.place
        if path.is_dir():
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)

    def look_for(self, claim: ClaimId, photos: Sequence[Sha256]) -> Sequence[KnownCopy]:
        wanted, found = set(photos), []
        for path in sorted(self.root.rglob("*")):
            place = path.relative_to(self.root).as_posix()
            if not path.is_file() or place.startswith(("log/", "tombstones/", "purges/")):
                continue
            sha = digest(path.read_bytes())
            by_digest = place.startswith(("intake/", "thumbs/"))
            if claim in path.parts or (sha in wanted and not self._elsewhere(path, claim)):
                found.append(KnownCopy(kind=CopyKind.OTHER, place=place, sha256=sha, by_digest=by_digest))
            elif path.stem in wanted:
                found.append(
                    KnownCopy(kind=CopyKind.THUMBNAIL, place=place, sha256=Sha256(path.stem), by_digest=True)
                )
        return found

    def _elsewhere(self, path: Path, claim: ClaimId) -> bool:
        return any(other != claim and other in path.parts for other in self.index)

    def record(self, entry: PurgeEntry) -> None:
        if not self.recorded(entry.key):
            line = {"key": entry.key, "event": entry.event, "actor": entry.actor, "claim": entry.claim}
            with (self.root / "log" / "custody.jsonl").open("a", encoding="utf-8") as file:
                file.write(json.dumps({**line, **entry.details}) + "\n")

    def entries(self) -> list[dict[str, str]]:
        path = self.root / "log" / "custody.jsonl"
        return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []

    def recorded(self, key: str) -> bool:
        return any(line["key"] == key for line in self.entries())

    def bury(self, tombstone: Tombstone) -> None:
        self._tombstone(tombstone.claim).write_text(json.dumps({"photos": tombstone.photos}))

    def _tombstone(self, claim: ClaimId) -> Path:
        return self.root / "tombstones" / f"{claim}.json"


class DyingDesk(FolderDesk):
    """Kills its process, past all handlers, before its nth call or in the midst of a removal."""

    def __init__(self, root: Path, index: dict[ClaimId, ClaimFacts], call: int) -> None:
        super().__init__(root)
        self.index, self._left = index, call

    def _count(self) -> None:
        self._left -= 1
        if self._left == 0:
            os.kill(os.getpid(), signal.SIGKILL)

    def facts(self, claim: ClaimId) -> ClaimFacts:
        self._count()
        return super().facts(claim)

    def remove(self, copy: KnownCopy) -> None:
        for path in sorted((self.root / copy.place).rglob("*"), reverse=True):
            self._count()
            path.unlink() if path.is_file() else path.rmdir()
        self._count()
        super().remove(copy)

    def look_for(self, claim: ClaimId, photos: Sequence[Sha256]) -> Sequence[KnownCopy]:
        self._count()
        return super().look_for(claim, photos)

    def record(self, entry: PurgeEntry) -> None:
        self._count()
        super().record(entry)
        self._count()

    def bury(self, tombstone: Tombstone) -> None:
        self._count()
        super().bury(tombstone)
