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
from evidence.disk.durable import discard, sync_folder
from evidence.disk.faults import writing
from evidence.errors import PurgeRefusedError
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
from evidence.model import ClaimId, Sha256
from evidence.office.quarantine import is_present
from evidence.retention.purge.addresses import (
    ArchiveBag,
    CopyAddress,
    IntakeObject,
    OwedCopies,
    Stray,
    TargetBag,
    Thumbnail,
    place_text,
)
from evidence.settings import ARCHIVE_PLACE
from evidence.workspace import DAMAGED, Workspace


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

    def owed(self, claim: ClaimId) -> list[OwedCopies]:
        """See `Repository.owed_copies`."""
        counts = self._counts(claim)
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
                _remove_damaged(self._workspace.root, bag)
            case TargetBag(target=target, bag=bag):
                self._release_others(self._targets[target], bag)
                self._targets[target].remove_bag(bag)
                _remove_damaged(self._targets[target].root, bag)
            case IntakeObject(sha256=sha, name=name):
                _remove_file(self._workspace.store / sha[:2] / name)
            case Thumbnail(sha256=sha, name=name):
                _remove_file(self._workspace.thumbs / sha[:2] / name)
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
        claim = next(row.claim.claim for row in self._workspace.catalog.claims.all() if row.folder == bag)
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
        retired = {one.place for one in retired_targets(self._workspace)}
        missing = sorted(places - set(self._targets) - {ARCHIVE_PLACE} - retired)
        if missing:
            raise PurgeRefusedError(
                f"Copies were made to the backup target {missing[0]}, which the settings no longer name.",
                f"Connect it and run `evidence target add {quote(missing[0])} PATH`; "
                f"if it is lost, `evidence target lost {quote(missing[0])} --reason TEXT`.",
            )


def _remove_damaged(root: Path, bag: str) -> None:
    """Remove what a repair and a rebuild kept aside of a bag: bad files of it, and catalogs that name its claim."""
    aside = root / DAMAGED
    with writing(aside):
        for folder in (aside / bag, *aside.glob("catalog-*")):
            exchange.remove_tree(folder)


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
