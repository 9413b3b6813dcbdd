"""Every place where a copy of a claim's photos is or may be, and the removal of one copy.

What to delete is chosen by typed addresses (`retention.purge.addresses`), never by text.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from shlex import quote

from evidence.archive import bags, exchange
from evidence.archive.digest_search import find_digests
from evidence.archive.targets import FolderTarget
from evidence.catalog.keeping import RETIRED
from evidence.catalog.stations import Station, left_place
from evidence.disk.durable import discard, sync_folder
from evidence.disk.faults import writing
from evidence.disk.objects import object_path
from evidence.errors import PurgeRefusedError, counted
from evidence.filing.backup import make_ready, push_released
from evidence.filing.bags import bag_folder
from evidence.filing.releases import (
    is_in_another_bag,
    originals_at,
    receivers,
    require_current,
    require_current_bags,
)
from evidence.filing.target_records import retired_targets
from evidence.filing.traces import remove_damaged
from evidence.model import ClaimId, Sha256
from evidence.office.quarantine import is_present
from evidence.retention.purge.addresses import (
    ArchiveBag,
    AtStation,
    CopyAddress,
    IntakeObject,
    OwedCopies,
    Stray,
    TargetBag,
    Thumbnail,
    Traces,
    place_text,
    station_left,
)
from evidence.settings import ARCHIVE_PLACE
from evidence.workspace import Workspace


class ClaimCopies:
    """Finds and removes copies in an archive and on its targets."""

    def __init__(self, workspace: Workspace, targets: Mapping[str, FolderTarget]) -> None:
        self._workspace = workspace
        self._targets = targets

    def photos(self, claim: ClaimId) -> Sequence[Sha256]:
        """See `Repository.photos`."""
        here = {record.sha256 for record in self._workspace.catalog.photos.of_claim(claim)}
        return sorted(here | set(self._workspace.catalog.keeping.payload(claim)))

    def find(self, claim: ClaimId, photos: Sequence[Sha256]) -> list[CopyAddress]:
        """See `Repository.find_copies`."""
        self._refuse_unnamed_targets(photos)
        row = self._workspace.catalog.claims.get(claim)
        bag = self._workspace.bag_of(claim, row.folder) if row and row.folder else None
        found: list[CopyAddress] = []
        if bag and _exists(bag):
            found.append(ArchiveBag(bag=bag.name))
        for target in self._targets.values():
            if is_present(target):
                found += self._on_target(target, claim, bag, photos)
        for sha in photos:
            found += [IntakeObject(sha256=sha, name=name) for name in _named(self._workspace.store, sha)]
            found += [Thumbnail(sha256=sha, name=name) for name in _named(self._workspace.thumbs, sha)]
        here = find_digests(self._workspace.claims, photos)
        found += [Stray(path=path) for path in self._strays(here, claim, bag)]
        return found

    def elsewhere(self, claim: ClaimId, photos: Sequence[Sha256]) -> list[AtStation]:
        """What the catalog knows of the claim at other stations: each removes its part itself.

        Every station may have texts and pages that name the claim. Raises PurgeRefusedError when the claim's bag there
        holds photos that now belong to others.
        """
        stations = self._workspace.catalog.stations
        others = stations.others()
        if not others:
            return []
        bag_at = stations.of_bags([claim]).get(claim)
        waiting = stations.waiting_of(photos)
        originals = self._workspace.catalog.photos.originals(photos)
        found: list[AtStation] = []
        for one in others:
            copies: list[ArchiveBag | TargetBag | IntakeObject | Traces] = [Traces()]
            if one.archive == bag_at:
                copies += self._bag_at(claim, one)
            mine = sorted(sha for sha, at in waiting.items() if one.archive in at and sha in originals)
            copies += [
                IntakeObject(sha256=sha, name=object_path(Path(), sha, originals[sha].suffix).name)
                for sha in mine
            ]
            found += [AtStation(station=one.archive, name=one.name, copy=copy) for copy in copies]
        return found

    def _bag_at(self, claim: ClaimId, station: Station) -> list[ArchiveBag | TargetBag]:
        """The claim's bag at another station and its copies on that station's disks."""
        row = self._workspace.catalog.claims.get(claim)
        if row is None or not row.folder:
            return []
        moved = set(self._workspace.catalog.keeping.payload(claim))
        moved -= {record.sha256 for record in self._workspace.catalog.photos.of_claim(claim)}
        if moved:
            raise PurgeRefusedError(
                f"The bag of claim {claim} at the station {station.name} holds {counted(len(moved), 'file')} that "
                "belong to other claims now.",
                "Run `evidence backup` there, which brings it up to date, then run this again.",
            )
        counts = self._counts(claim)
        disks = {place for place, _ in self._workspace.catalog.stations.disks_of(station.archive)}
        return [
            ArchiveBag(bag=row.folder),
            *(TargetBag(target=name, bag=row.folder) for name in sorted(disks) if counts[name]),
        ]

    def places(self, claim: ClaimId) -> list[str]:
        """What the catalog calls the places with copies of the claim's files."""
        return sorted(self._counts(claim))

    def owed(self, claim: ClaimId) -> list[OwedCopies]:
        """See `Repository.owed_copies`."""
        counts = self._counts(claim)
        return [*self._owed_here(counts), *self._owed_elsewhere(counts)]

    def _owed_elsewhere(self, counts: Counter[str]) -> list[OwedCopies]:
        """Archives of stations that left, and disks that other stations lost or replaced."""
        left = {left_place(one): one for one in self._workspace.catalog.stations.all() if one.left_at}
        mine = {one.place for one in retired_targets(self._workspace)}
        found = []
        for place, files in sorted(counts.items()):
            if (one := left.get(place)) is not None:
                found.append(owed_by_left(one, files=files))
            elif RETIRED in place and place not in mine:
                found.append(
                    OwedCopies(
                        target=place.partition(RETIRED)[0],
                        place=place,
                        state="lost or replaced",
                        since="the day that its station's log names",
                        reason="declared at another station",
                        by="see that log",
                        files=files,
                    )
                )
        return found

    def _owed_here(self, counts: Counter[str]) -> list[OwedCopies]:
        return [
            OwedCopies(
                target=one.name,
                place=one.place,
                state="lost" if one.lost else "replaced",
                since=one.at.date().isoformat(),
                reason=one.reason,
                by=" and ".join(one.by),
                files=counts[one.place],
            )
            for one in retired_targets(self._workspace)
            if counts[one.place]
        ]

    def away(self, claim: ClaimId) -> list[OwedCopies]:
        """See `Repository.away_copies`."""
        counts = self._counts(claim)
        return [
            OwedCopies(
                target=name,
                place=name,
                state="away",
                since=self._workspace.today().isoformat(),
                reason="not connected",
                by=self._workspace.actor,
                files=counts[name],
            )
            for name, target in sorted(self._targets.items())
            if counts[name] and not is_present(target)
        ]

    def _counts(self, claim: ClaimId) -> Counter[str]:
        """How many files of the claim were copied to each place."""
        copies = self._workspace.catalog.keeping.copies(self.photos(claim))
        return Counter(row.place for rows in copies.values() for row in rows)

    def remove(self, copy: CopyAddress) -> None:
        """See `Repository.remove`."""
        match copy:
            case ArchiveBag(bag=bag):
                bags.remove_bag(self._workspace.claims / bag)
                remove_damaged(self._workspace.root, bag)
            case TargetBag(target=target, bag=bag):
                self._release_others(self._targets[target], bag)
                self._targets[target].remove_bag(bag)
                remove_damaged(self._targets[target].root, bag)
            case IntakeObject(sha256=sha, name=name):
                _remove_file(self._workspace.store / sha[:2] / name)
            case Thumbnail(sha256=sha, name=name):
                _remove_file(self._workspace.thumbs / sha[:2] / name)
            case Traces() | AtStation():
                raise AssertionError("not a copy of this station")
            case Stray():
                raise PurgeRefusedError(
                    f"{place_text(copy)} holds one of the claim's photos, but the archive did not put it there.",
                    "Remove it by hand, then run this command again.",
                )

    def _on_target(
        self, target: FolderTarget, claim: ClaimId, bag: Path | None, photos: Sequence[Sha256]
    ) -> list[CopyAddress]:
        """Copies on one target. Raises an EvidenceError when it cannot be reached: it may hold a copy."""
        make_ready(self._workspace, target)
        found: list[CopyAddress] = []
        require_current(self._workspace, target)
        if bag:
            require_current_bags(self._workspace, target, [bag.name])
        if bag and _exists(target.root / bag.name):
            found.append(TargetBag(target=target.name, bag=bag.name))
        paths = self._strays(target.find_digests(photos), claim, bag)
        return [*found, *(Stray(path=path, target=target.name) for path in paths)]

    def _release_others(self, target: FolderTarget, bag: str) -> None:
        """Before a copy is removed: bring what it holds of other claims into their bags at that target.

        Raises PurgeRefusedError for an original that neither the claim nor another bag there has.
        """
        row = self._workspace.catalog.claims.in_folder(bag)
        assert row is not None, "a purge removes the bag of a claim that it knows"
        claim = row.claim.claim
        mine = set(self.photos(claim))
        others = {path: sha for path, sha in originals_at(target, bag).items() if sha not in mine}
        if not others:
            return
        push_released(self._workspace, target, sorted(receivers(self._workspace, claim, others.values())))
        left = [
            path for path, sha in others.items() if not is_in_another_bag(self._workspace, target, claim, sha)
        ]
        if left:
            raise PurgeRefusedError(
                f"The copy of claim {claim} on {target.name} holds {len(left)} originals that this archive does "
                f"not have, first {min(left)}.",
                "Bring them back from that target, then make a new plan.",
            )

    def _strays(self, paths: Iterable[str], claim: ClaimId, bag: Path | None) -> list[str]:
        """Those paths below a folder of bags that are neither in the claim's bag nor in another bag of the archive."""
        mine = tuple(f"{path.name}/" for path in _with_leftovers(bag)) if bag else ()
        outside = [path for path in paths if not path.startswith(mine)]
        others = self._bags_of_others(claim) if outside else set()
        return [path for path in outside if path.partition("/")[0] not in others]

    def _bags_of_others(self, claim: ClaimId) -> set[str]:
        """The names of other claims' bags, and of the tray's: a file in one of them is that claim's photo too."""
        return {
            bag_folder(self._workspace, one).name
            for one in self._workspace.catalog.keeping.bags()
            if one != claim
        }

    def _refuse_unnamed_targets(self, photos: Sequence[Sha256]) -> None:
        """Raise PurgeRefusedError when the catalog lists copies on a target that the settings no longer name."""
        copies = self._workspace.catalog.keeping.copies(photos)
        places = {row.place for rows in copies.values() for row in rows}
        places -= self._workspace.catalog.stations.targets_elsewhere()
        missing = sorted(one for one in places - set(self._targets) - {ARCHIVE_PLACE} if RETIRED not in one)
        if missing:
            raise PurgeRefusedError(
                f"Copies were made to the backup target {missing[0]}, which the settings no longer name.",
                f"Connect it and run `evidence target add {quote(missing[0])} PATH`; "
                f"if it is lost, `evidence target lost {quote(missing[0])} --reason TEXT`.",
            )


def owed_by_left(station: Station, *, files: int) -> OwedCopies:
    """The archive of a station that left, as a plan lists it."""
    return OwedCopies(
        target=station_left(station.name),
        place=left_place(station),
        state="left",
        since=station.left_at.date().isoformat() if station.left_at else "",
        reason=station.left_why or "",
        by=station.left_by or "",
        files=files,
    )


def _named(store: Path, sha: Sha256) -> list[str]:
    """Names of the files that a store by digest keeps for a photo."""
    return sorted(path.name for path in (store / sha[:2]).glob(f"{sha}*"))


def _remove_file(path: Path) -> None:
    """Remove a file for good: a power failure must not bring it back. Raises DestinationError."""
    discard(path)
    with writing(path.parent):
        if path.parent.is_dir():
            sync_folder(path.parent)


def _exists(bag: Path) -> bool:
    """True when the bag is there, or a folder that an interrupted build or removal left: one removal takes all."""
    return any(path.exists() for path in _with_leftovers(bag))


def _with_leftovers(bag: Path) -> tuple[Path, ...]:
    """A bag's folder, and the hidden ones that an interrupted build or removal may leave beside it."""
    return (bag, *exchange.hidden_states(bag))
