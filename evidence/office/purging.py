"""Purge claims: plan, approve and run, and the archive as a purge sees it.

What to delete is chosen by typed addresses (`retention.addresses`), never by text.
"""

from __future__ import annotations

import contextlib
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from shlex import quote

from evidence.analysis.refresh import refresh_days
from evidence.archive import bags, exchange
from evidence.archive.digest_search import find_digests
from evidence.archive.targets import FolderTarget
from evidence.disk.durable import discard, sync_folder
from evidence.disk.faults import writing
from evidence.disk.objects import sweep_parts
from evidence.errors import BadInputError, EvidenceError, PurgeRefusedError
from evidence.filing.archive_files import push_archive_files
from evidence.filing.backup import make_ready, open_targets, push_released
from evidence.filing.bags import bag_folder, file_away, recover_bags
from evidence.filing.card_pages import remove_pages_naming
from evidence.filing.custody_heads import head_text, make_key, note_head
from evidence.filing.record_files import keep_records
from evidence.filing.releases import (
    is_in_another_bag,
    originals_at,
    receivers,
    require_current,
    require_current_bags,
)
from evidence.filing.target_records import retired_targets
from evidence.lookup import UNASSIGNED
from evidence.model import ClaimId, ClaimState, Sha256
from evidence.office.date_check import require_right_date
from evidence.office.people import require_login
from evidence.office.quarantine import QuarantineFolders, is_present, require_rows
from evidence.office.retention import facts_of
from evidence.office.rules import note_rules, schedule_of
from evidence.office.traces import entries_that_stay, remove_texts, thin_ledgers
from evidence.retention.addresses import (
    ArchiveBag,
    CopyAddress,
    IntakeObject,
    OwedCopies,
    Stray,
    TargetBag,
    Thumbnail,
    place_text,
)
from evidence.retention.facts import ClaimFacts
from evidence.retention.plans import PROGRESS
from evidence.retention.purge import PlanTerms, PurgeReport, approve, make_plan, run_plan, undo_plan
from evidence.retention.repository import ClaimTraces, PurgeLogEntry, Tombstone
from evidence.settings import ARCHIVE_PLACE
from evidence.workspace import DAMAGED, Workspace


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPurge:
    """A frozen plan, ready for a second person's approval."""

    plan: str
    """Name of the plan's folder."""
    digest: str
    claims: tuple[ClaimId, ...]
    owed: tuple[OwedCopies, ...]
    """Lost or replaced disks that may hold copies of these claims; the purge cannot reach them."""


def plan_purge(
    workspace: Workspace, claims: Sequence[ClaimId] | None = None, *, confirmed: date | None = None
) -> PlannedPurge:
    """Freeze a plan for these claims, or for all that are due; raises PurgeRefusedError when none may be purged.

    `confirmed` is today's date as a person confirms it, see `date_check`.
    """
    require_login(workspace)
    terms = workspace.settings.purge
    require_right_date(workspace, confirmed=confirmed)
    schedule = schedule_of(workspace)
    note_rules(workspace, schedule)
    with workspace.filing():
        _finish_interrupted_work(workspace)
        frozen = make_plan(
            ArchiveRepository(workspace),
            schedule,
            by=workspace.actor,
            plans_folder=workspace.plans,
            claims=claims,
            logged_in=workspace.logged_in,
            terms=PlanTerms(quarantine_days=terms.quarantine_days, approval_days=terms.approval_days),
        )
    return PlannedPurge(
        plan=frozen.folder.name,
        digest=frozen.digest,
        claims=tuple(one.claim for one in frozen.plan.claims),
        owed=tuple(owed for one in frozen.plan.claims for owed in one.owed),
    )


def approve_purge(workspace: Workspace, plan: str) -> str:
    """Approve another person's plan; returns the digest that the approval is bound to."""
    require_login(workspace)
    with workspace.locked():
        folder = plan_folder(workspace, plan)
        repository = ArchiveRepository(workspace)
        return approve(repository, folder, by=workspace.actor, logged_in=workspace.logged_in).digest


def run_purge(workspace: Workspace, plan: str, *, confirmed: date | None = None) -> PurgeReport:
    """Move every copy that an approved plan names into quarantine; after its days, delete all of it.

    Then search for more, and remove what names the claims. Running a plan again finishes what was left over. For
    `confirmed` see `date_check`.
    """
    require_login(workspace)
    folder = plan_folder(workspace, plan)
    require_right_date(workspace, confirmed=confirmed)
    schedule = schedule_of(workspace)
    note_rules(workspace, schedule)
    with workspace.filing():
        if not (folder / PROGRESS).exists():  # once the run has begun, bags are missing on purpose
            _finish_interrupted_work(workspace)
        repository = ArchiveRepository(workspace)
        report = run_plan(
            repository,
            schedule,
            folder,
            by=workspace.actor,
            logged_in=workspace.logged_in,
        )
        _follow(workspace)  # with a signed head, so that no later change of the log can hide the purge
        remaining = list(dict.fromkeys(repository.remaining))
        if report.purged and (owed := workspace.catalog.overwrite_deleted()):
            remaining.append(owed)
        return replace(report, remaining=tuple(remaining))


def undo_purge(workspace: Workspace, plan: str) -> tuple[ClaimId, ...]:
    """Bring back every claim of the plan from quarantine, or withdraw a plan that was not run; returns the claims."""
    require_login(workspace)
    with workspace.filing():
        back = undo_plan(ArchiveRepository(workspace), plan_folder(workspace, plan), by=workspace.actor)
        file_away(workspace)
        _follow(workspace)
        return back


def _follow(workspace: Workspace) -> None:
    """Bring the record files and the archive's own files up to date, here and at the targets that are there.

    The record files there name the claim until they follow; an absent target gets them at its next backup. The log's
    head follows its entries: without a head over it, a last entry that a disk wrote wrongly looks like a later one.
    """
    keep_records(workspace)
    make_key(workspace)
    followed = []
    for target in open_targets(workspace):
        with contextlib.suppress(EvidenceError):
            make_ready(workspace, target)
            push_archive_files(workspace, target)
            followed.append((target.name, target.root))
    note_head(workspace, followed)


def _finish_interrupted_work(workspace: Workspace) -> None:
    """Bring the bags up to date: after a killed run, a bag may hold a photo that now belongs to another claim."""
    recover_bags(workspace)
    sweep_parts(workspace.store)
    file_away(workspace)


def plan_folder(workspace: Workspace, plan: str) -> Path:
    """The folder of a plan, by its name or the first letters of it; raises BadInputError."""
    known = []
    if workspace.plans.is_dir():
        known = sorted(path for path in workspace.plans.iterdir() if path.is_dir())
    found = [path for path in known if path.name.startswith(plan)]
    if len(found) != 1:
        raise BadInputError(
            f"There is no purge plan {plan}."
            if not found
            else f"{len(found)} purge plans begin with {plan}.",
            f"The plans are {', '.join(path.name for path in known) or 'none yet'}.",
        )
    return found[0]


class ArchiveRepository:
    """The archive as a purge sees it (`retention.repository.Repository`)."""

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace
        self._targets = {target.name: target for target in open_targets(workspace)}
        self._logged_keys: set[str] | None = None
        self.remaining: list[str] = []
        """What could not be removed of purged claims, as text."""

    def now(self) -> datetime:
        """See `Repository`."""
        return self._workspace.now()

    def today(self) -> date:
        """See `Repository`."""
        return self._workspace.today()

    def claims(self) -> Sequence[ClaimId]:
        """See `Repository`."""
        return [r.claim.claim for r in self._workspace.catalog.claims.all() if not r.state.is_gone]

    def facts(self, claim: ClaimId) -> ClaimFacts:
        """See `Repository`."""
        return facts_of(self._workspace, claim)

    def photos(self, claim: ClaimId) -> Sequence[Sha256]:
        """See `Repository`."""
        here = {record.sha256 for record in self._workspace.catalog.photos.of_claim(claim)}
        return sorted(here | set(self._workspace.catalog.keeping.payload(claim)))

    def claims_holding(self, photo: Sha256) -> Sequence[ClaimId]:
        """See `Repository`."""
        records = self._workspace.catalog.photos.records([photo])
        claims = {record.claim or ClaimId(UNASSIGNED) for record in records}
        claims |= {
            claim or ClaimId(UNASSIGNED)
            for claim, _ in self._workspace.catalog.keeping.held_in([photo]).get(photo, [])
        }
        return sorted(claims)

    def known_copies(self, claim: ClaimId) -> Sequence[CopyAddress]:
        """See `Repository`."""
        return self.find_copies(claim, self.photos(claim))

    def owed_copies(self, claim: ClaimId) -> Sequence[OwedCopies]:
        """See `Repository`."""
        copies = self._workspace.catalog.keeping.copies(self.photos(claim))
        counts = Counter(row.place for rows in copies.values() for row in rows)
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

    @contextmanager
    def removing(self) -> Iterator[None]:
        """See `Repository`."""
        with self._workspace.locked(), self._workspace.holding():
            yield

    def remove(self, copy: CopyAddress) -> None:
        """See `Repository`."""
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

    def traces(self, claim: ClaimId) -> ClaimTraces:
        """See `Repository`."""
        row = self._workspace.catalog.claims.get(claim)
        photos = self.photos(claim)
        taken = sorted(
            record.corrected.date().isoformat()
            for record in self._workspace.catalog.photos.of_claim(claim)
            if record.corrected
        )
        sizes = self._workspace.catalog.photos.originals(photos).values()
        words = (row.claim.insured, row.claim.address, row.folder or "") if row else ()
        return ClaimTraces(
            insured=row.claim.insured if row else "",
            taken=(taken[0], taken[-1]) if taken else (),
            octets=sum(one.size for one in sizes),
            private=tuple(word for word in words if word),
        )

    def away_copies(self, claim: ClaimId) -> Sequence[OwedCopies]:
        """See `Repository`."""
        copies = self._workspace.catalog.keeping.copies(self.photos(claim))
        counts = Counter(row.place for rows in copies.values() for row in rows)
        return [
            OwedCopies(
                target=name,
                place=name,
                state="away",
                since=self.today().isoformat(),
                reason="not connected",
                by=self._workspace.actor,
                files=counts[name],
            )
            for name, target in sorted(self._targets.items())
            if counts[name] and not is_present(target)
        ]

    def begin_quarantine(self, claim: ClaimId, plan: str) -> None:
        """See `Repository`."""
        folders = self._folders(claim, plan)
        if folders.rows() is None:
            shared = {sha for sha in self.photos(claim) if set(self.claims_holding(sha)) - {claim}}
            mine = {sha for sha in self.photos(claim) if sha not in shared}
            folders.keep_rows(self._workspace.catalog.quarantine.rows(claim, mine))
        rows = require_rows(folders.rows(), claim)
        remove_pages_naming(self._workspace, claim, self.photos(claim))
        with self._workspace.catalog.transaction():
            self._workspace.catalog.quarantine.take(claim, rows)

    def set_aside(self, claim: ClaimId, plan: str, copy: CopyAddress) -> None:
        """See `Repository`."""
        if isinstance(copy, TargetBag):
            self._targets[copy.target].require_present()
        self._folders(claim, plan).set_aside(copy)

    def restore(self, claim: ClaimId, plan: str) -> None:
        """See `Repository`."""
        row = self._workspace.catalog.claims.get(claim)
        if row is None or row.state is not ClaimState.QUARANTINED:
            self._folders(claim, plan).close()
            return
        folders = self._folders(claim, plan)
        rows = require_rows(folders.rows(), claim)
        folders.bring_back()
        if row.folder and rows["held_in"]:
            folders.fetch_bag(row.folder)
        with self._workspace.locked(), self._workspace.catalog.transaction():
            self._workspace.catalog.quarantine.put_back(claim, rows)
            self._workspace.catalog.keeping.mark_dirty([claim, None])
        folders.close()

    def remove_aside(self, claim: ClaimId, plan: str, targets: Sequence[str]) -> Sequence[str]:
        """See `Repository`."""
        return self._folders(claim, plan).delete_copies(list(targets))

    def _folders(self, claim: ClaimId, plan: str) -> QuarantineFolders:
        return QuarantineFolders(self._workspace, self._targets, claim, plan)

    def find_copies(self, claim: ClaimId, photos: Sequence[Sha256]) -> Sequence[CopyAddress]:
        """See `Repository`."""
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
        return [path for path in paths if not path.startswith(mine) and not self._in_another_bag(path, claim)]

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

    def log(self, entry: PurgeLogEntry) -> None:
        """See `Repository`."""
        if self.is_logged(entry.key):
            return
        self._workspace.custody.append(
            actor=entry.actor,
            action=entry.event,
            subject=entry.claim or "purge",
            details={**entry.details, "key": entry.key},
            at=entry.at,
        )
        self._keys().add(entry.key)

    def log_head(self) -> str:
        """See `Repository`."""
        return head_text(self._workspace)

    def is_logged(self, key: str) -> bool:
        """See `Repository`."""
        return key in self._keys()

    def record_tombstone(self, tombstone: Tombstone) -> None:
        """See `Repository`."""
        catalog, claim = self._workspace.catalog, tombstone.claim
        folders = self._folders(claim, tombstone.plan)
        rows = folders.rows()
        mine = set(tombstone.photos)
        shared = {sha for sha in mine if any(other != claim for other in self.claims_holding(sha))}
        going = sorted(mine - shared)
        seen = catalog.photos.sightings(going)
        intakes = {one.intake for sightings in seen.values() for one in sightings}
        intakes |= {row["intake"] for row in rows["sighting"]} if rows else set()
        thin_ledgers(self._workspace, intakes, going)
        remove_texts(self._workspace, claim, going, tombstone.private)
        if stays := entries_that_stay(self._workspace, tombstone.private):
            self.remaining.append(f"Claim {claim}: {stays}")
        with self._workspace.locked(), catalog.transaction():
            remove_pages_naming(self._workspace, claim, mine)
            if rows:
                catalog.quarantine.forget(claim, rows)
            catalog.keeping.delete_bag(claim)
            catalog.photos.delete(going)
            catalog.forget_photos(going)
            catalog.claims.reduce_to_tombstone(claim)
            # A card that was taken in during the purge may have brought photos of the claim: they wait unassigned.
            late = [record.sha256 for record in catalog.photos.of_claim(claim) if record.sha256 not in mine]
            if late:
                refresh_days(self._workspace, late)
        folders.close()

    def _in_another_bag(self, path: str, claim: ClaimId) -> bool:
        """True for a file in another claim's bag, or in the tray's: that claim holds the photo too."""
        bag_names = {
            bag_folder(self._workspace, one).name
            for one in self._workspace.catalog.keeping.bags()
            if one != claim
        }
        return path.partition("/")[0] in bag_names

    def _keys(self) -> set[str]:
        if self._logged_keys is None:
            entries = self._workspace.custody.entries()
            self._logged_keys = {str(entry.details["key"]) for entry in entries if "key" in entry.details}
        return self._logged_keys


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
