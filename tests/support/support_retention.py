"""Two archives for a purge to work on: one in memory, one of real folders."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from support_cli import CONFIRMED, Ran, cli

from evidence.errors import BadInputError
from evidence.model import ClaimId, Sha256
from evidence.retention.facts import ChangeKind, ClaimFacts, LegalHold, StateChange
from evidence.retention.purge.addresses import (
    ArchiveBag,
    AtStation,
    CopyAddress,
    IntakeObject,
    OwedCopies,
    Stray,
    TargetBag,
    Thumbnail,
    place_text,
)
from evidence.retention.purge.repository import ClaimTraces, PurgeLogEntry, Tombstone

NOON = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
TODAY = date(2026, 11, 25)


def planned(archive: Path, claim: str) -> Ran:
    return cli("purge", "plan", claim, *CONFIRMED, "--json", archive=archive, actor="Ada Clerk")


def approved(archive: Path, claim: str) -> str:
    """The name of a plan for the claim that a second person approved."""
    plan = planned(archive, claim)
    assert plan.status == 0, plan.err
    name: str = plan.data["plan"]
    assert cli("purge", "approve", name, archive=archive, actor="Ben Witness").status == 0
    return name


def reload_assignments(archive: Path, text: str):
    """Load this list of claims through the command."""
    path = archive.parent / "again.csv"
    path.write_text(text, encoding="utf-8")
    return cli("assignments", path, "--json", archive=archive)


def every_file(*roots):
    return [path for root in roots for path in root.rglob("*") if path.is_file()]


def found(words, *roots):
    """Where any of these is, in names and bytes of files."""
    left = []
    for path in every_file(*roots):
        content = path.read_bytes()
        left += [
            (word, str(path)) for word, raw in words.items() if raw in content or raw in str(path).encode()
        ]
    return left


def digest(data: bytes) -> Sha256:
    return Sha256(hashlib.sha256(data).hexdigest())


def closed(claim: str, on: date = date(2015, 3, 15), **more: object) -> ClaimFacts:
    return replace(
        ClaimFacts(claim=ClaimId(claim), history=(StateChange(kind=ChangeKind.CLOSED, on=on),)), **more
    )  # type: ignore[arg-type]


def a_hold(why: str = "suit filed") -> LegalHold:
    return LegalHold(name="H-1", why=why, by="Counsel", placed=NOON)


def intake_object(photo: bytes) -> IntakeObject:
    return IntakeObject(sha256=digest(photo), name=digest(photo))


class KilledError(BaseException):
    """Simulates a killed process: nothing in the program may catch it."""


@dataclass
class MemoryRepository:
    """Claims, copies and log as plain values; `before` is called with each method's name and may raise."""

    known: dict[ClaimId, ClaimFacts] = field(default_factory=dict)
    held_photos: dict[ClaimId, list[Sha256]] = field(default_factory=dict)
    places: dict[ClaimId, set[CopyAddress]] = field(default_factory=dict)
    undeletable: set[CopyAddress] = field(default_factory=set)
    """Copies that `remove` leaves in place without an error."""
    entries: list[PurgeLogEntry] = field(default_factory=list)
    tombstones: dict[ClaimId, Tombstone] = field(default_factory=dict)
    removed: list[CopyAddress] = field(default_factory=list)
    day: date = TODAY
    later: timedelta = timedelta(0)
    """How much later than NOON it is."""
    aside: dict[ClaimId, set[CopyAddress]] = field(default_factory=dict)
    counted: set[ClaimId] = field(default_factory=set)
    """Claims that are in quarantine."""
    away: dict[ClaimId, list[OwedCopies]] = field(default_factory=dict)
    before: Callable[[str], None] = lambda _method: None

    def add(self, facts: ClaimFacts, *photos: bytes) -> None:
        claim = facts.claim
        self.known[claim] = facts
        self.held_photos[claim] = [digest(p) for p in photos]
        self.places[claim] = {ArchiveBag(bag=claim)}
        for sha in self.held_photos[claim]:
            self.places[claim] |= {
                IntakeObject(sha256=sha, name=sha),
                Thumbnail(sha256=sha, name=f"{sha}_320.jpg"),
                TargetBag(target="nas", bag=f"{claim}/{sha[:8]}"),
            }

    def now(self) -> datetime:
        return NOON + self.later

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

    def claims_holding(self, photo: Sha256) -> Sequence[ClaimId]:
        return [claim for claim in self.claims() if photo in self.held_photos[claim]]

    def known_copies(self, claim: ClaimId) -> Sequence[CopyAddress]:
        self.before("known_copies")
        return sorted(self.places[claim], key=place_text)

    def left_with(self, copies: Sequence[AtStation]) -> Sequence[OwedCopies]:
        return ()

    def traces(self, claim: ClaimId) -> ClaimTraces:
        return ClaimTraces()

    def away_copies(self, claim: ClaimId) -> Sequence[OwedCopies]:
        return self.away.get(claim, [])

    def begin_quarantine(self, claim: ClaimId, plan: str) -> None:
        self.before("begin_quarantine")
        self.counted.add(claim)

    def set_aside(self, claim: ClaimId, plan: str, copy: CopyAddress) -> None:
        self.before("set_aside")
        if copy in self.places[claim]:
            for places in self.places.values():
                places.discard(copy)
            self.aside.setdefault(claim, set()).add(copy)

    def restore(self, claim: ClaimId, plan: str) -> Mapping[str, int]:
        self.before("restore")
        self.places[claim] |= self.aside.pop(claim, set())
        self.before("half restored")
        self.counted.discard(claim)
        return {}

    def end_quarantine(self, claim: ClaimId, plan: str) -> None:
        self.before("end_quarantine")

    def remove_aside(self, claim: ClaimId, plan: str, targets: Sequence[str]) -> Sequence[str]:
        self.before("remove_aside")
        away = {one.target for one in self.away.get(claim, [])}
        self.aside[claim] = {
            one for one in self.aside.get(claim, ()) if isinstance(one, TargetBag) and one.target in away
        }
        return sorted(away & set(targets))

    def working_on(self, claim: ClaimId) -> AbstractContextManager[None]:
        return nullcontext()

    def removing(self) -> AbstractContextManager[None]:
        return nullcontext()

    def remove(self, copy: CopyAddress) -> None:
        self.before("remove")
        self.removed.append(copy)
        if copy in self.undeletable:
            return
        for places in self.places.values():
            places.discard(copy)

    def find_copies(self, claim: ClaimId, photos: Sequence[Sha256]) -> Sequence[CopyAddress]:
        self.before("find_copies")
        return sorted(self.places[claim], key=place_text)

    def owed_copies(self, claim: ClaimId) -> Sequence[OwedCopies]:
        return ()

    def log(self, entry: PurgeLogEntry) -> None:
        self.before("log")
        if not self.is_logged(entry.key):
            self.entries.append(entry)
        self.before("after log")

    def log_head(self) -> str:
        return "12 entries, root 00, signature 00, key 00"

    def is_logged(self, key: str) -> bool:
        return any(entry.key == key for entry in self.entries)

    def record_tombstone(self, tombstone: Tombstone) -> None:
        self.before("record_tombstone")
        self.tombstones[tombstone.claim] = tombstone
        self.before("after record_tombstone")

    def events(self, claim: ClaimId) -> Counter[str]:
        return Counter(entry.event for entry in self.entries if entry.claim == claim)


class FolderRepository:
    """An archive of real folders: bags, intake objects, thumbnails, two targets, a log file.

    `find_copies` walks every folder and hashes every file: it uses nothing but the disk.
    """

    def __init__(self, root: Path, *, day: date = TODAY) -> None:
        self.root, self.day = root, day
        self.index: dict[ClaimId, ClaimFacts] = {}
        for name in ("claims", "intake", "thumbs", "unsorted", "log", "tombstones"):
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

    def claims_holding(self, photo: Sha256) -> Sequence[ClaimId]:
        return [claim for claim in self.claims() if photo in self.photos(claim)]

    def known_copies(self, claim: ClaimId) -> Sequence[CopyAddress]:
        found = []
        for home in [self.root / "claims", *self.targets]:
            if (home / claim).exists():
                is_archive = home.name == "claims"
                found.append(ArchiveBag(bag=claim) if is_archive else TargetBag(target=home.name, bag=claim))
        for sha in self.photos(claim):
            found += self._by_digest(sha)
        return found

    def _by_digest(self, sha: Sha256) -> Iterator[CopyAddress]:
        for copy in (IntakeObject(sha256=sha, name=sha), Thumbnail(sha256=sha, name=f"{sha}.jpg")):
            if self.path(copy).exists():
                yield copy

    def path(self, copy: CopyAddress) -> Path:
        match copy:
            case ArchiveBag(bag=bag):
                return self.root / "claims" / bag
            case TargetBag(target=target, bag=bag):
                return self.root / target / bag
            case IntakeObject(name=name):
                return self.root / "intake" / name
            case Thumbnail(name=name):
                return self.root / "thumbs" / name
            case Stray(path=path):
                return self.root / path

    def left_with(self, copies: Sequence[AtStation]) -> Sequence[OwedCopies]:
        return ()

    def traces(self, claim: ClaimId) -> ClaimTraces:
        return ClaimTraces()

    def away_copies(self, claim: ClaimId) -> Sequence[OwedCopies]:
        return ()

    def begin_quarantine(self, claim: ClaimId, plan: str) -> None:
        raise NotImplementedError

    def set_aside(self, claim: ClaimId, plan: str, copy: CopyAddress) -> None:
        raise NotImplementedError

    def restore(self, claim: ClaimId, plan: str) -> Mapping[str, int]:
        raise NotImplementedError

    def end_quarantine(self, claim: ClaimId, plan: str) -> None:
        raise NotImplementedError

    def remove_aside(self, claim: ClaimId, plan: str, targets: Sequence[str]) -> Sequence[str]:
        raise NotImplementedError

    def working_on(self, claim: ClaimId) -> AbstractContextManager[None]:
        return nullcontext()

    def removing(self) -> AbstractContextManager[None]:
        return nullcontext()

    def remove(self, copy: CopyAddress) -> None:
        path = self.path(copy)
        if path.is_dir():
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)

    def find_copies(self, claim: ClaimId, photos: Sequence[Sha256]) -> Sequence[CopyAddress]:
        wanted: set[str] = set(photos)
        found: list[CopyAddress] = []
        for path in sorted(self.root.rglob("*")):
            place = path.relative_to(self.root).as_posix()
            if not path.is_file() or place.startswith(("log/", "tombstones/", "purges/")):
                continue
            sha = digest(path.read_bytes())
            if place.startswith("intake/"):
                found += [IntakeObject(sha256=sha, name=path.name)] if sha in wanted else []
            elif place.startswith("thumbs/"):
                found += [Thumbnail(sha256=Sha256(path.stem), name=path.name)] if path.stem in wanted else []
            elif claim in path.parts or (sha in wanted and not self._elsewhere(path, claim)):
                found.append(Stray(path=place))
        return found

    def _elsewhere(self, path: Path, claim: ClaimId) -> bool:
        return any(other != claim and other in path.parts for other in self.index)

    def owed_copies(self, claim: ClaimId) -> Sequence[OwedCopies]:
        return ()

    def log(self, entry: PurgeLogEntry) -> None:
        if not self.is_logged(entry.key):
            line = {"key": entry.key, "event": entry.event, "actor": entry.actor, "claim": entry.claim}
            with (self.root / "log" / "custody.jsonl").open("a", encoding="utf-8") as file:
                file.write(json.dumps({**line, **entry.details}) + "\n")

    def logged(self) -> list[dict[str, str]]:
        path = self.root / "log" / "custody.jsonl"
        return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []

    def log_head(self) -> str:
        return "12 entries, root 00, signature 00, key 00"

    def is_logged(self, key: str) -> bool:
        return any(line["key"] == key for line in self.logged())

    def record_tombstone(self, tombstone: Tombstone) -> None:
        self._tombstone(tombstone.claim).write_text(json.dumps({"photos": tombstone.photos}))

    def _tombstone(self, claim: ClaimId) -> Path:
        return self.root / "tombstones" / f"{claim}.json"


class DyingRepository(FolderRepository):
    """Kills its own process with SIGKILL before its nth call or during a removal."""

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

    def remove(self, copy: CopyAddress) -> None:
        for path in sorted(self.path(copy).rglob("*"), reverse=True):
            self._count()
            path.unlink() if path.is_file() else path.rmdir()
        self._count()
        super().remove(copy)

    def find_copies(self, claim: ClaimId, photos: Sequence[Sha256]) -> Sequence[CopyAddress]:
        self._count()
        return super().find_copies(claim, photos)

    def log(self, entry: PurgeLogEntry) -> None:
        self._count()
        super().log(entry)
        self._count()

    def record_tombstone(self, tombstone: Tombstone) -> None:
        self._count()
        super().record_tombstone(tombstone)
