"""The archive as a purge sees it: catalog, custody log, bags and targets behind `retention.purge.repository.Repository`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from datetime import date, datetime

from evidence.analysis.refresh import refresh_days, retag
from evidence.catalog.debts import StationDebt, StationPart
from evidence.catalog.decisions import SplitCorrection
from evidence.catalog.quarantine import phashes_of
from evidence.catalog.records import RowsByTable
from evidence.filing.backup import open_targets
from evidence.filing.card_pages import remove_pages_naming
from evidence.filing.custody_heads import head_text
from evidence.filing.traces import entries_that_stay, remove_texts, thin_ledgers
from evidence.lookup import UNASSIGNED
from evidence.model import CONCLUDED, ClaimId, ClaimState, Sha256
from evidence.office.claim_copies import ClaimCopies, owed_by_left
from evidence.office.quarantine import QuarantineFolders, require_rows
from evidence.office.retention import facts_of
from evidence.retention.facts import ClaimFacts
from evidence.retention.purge.addresses import (
    AtStation,
    CopyAddress,
    OwedCopies,
    TargetBag,
)
from evidence.retention.purge.repository import ClaimTraces, PurgeLogEntry, Tombstone
from evidence.settings import ARCHIVE_PLACE
from evidence.workspace import Workspace


class ArchiveRepository:
    """An archive's implementation of `retention.purge.repository.Repository`."""

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace
        self._targets = {target.name: target for target in open_targets(workspace)}
        self._copies = ClaimCopies(workspace, self._targets)
        self._logged_keys: set[str] = set()
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
        return self._copies.photos(claim)

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
        photos = self.photos(claim)
        return [*self._copies.find(claim, photos), *self._copies.elsewhere(claim, photos)]

    def find_copies(self, claim: ClaimId, photos: Sequence[Sha256]) -> Sequence[CopyAddress]:
        """See `Repository`."""
        return self._copies.find(claim, photos)

    def owed_copies(self, claim: ClaimId) -> Sequence[OwedCopies]:
        """See `Repository`."""
        return self._copies.owed(claim)

    def away_copies(self, claim: ClaimId) -> Sequence[OwedCopies]:
        """See `Repository`."""
        return self._copies.away(claim)

    def left_with(self, copies: Sequence[AtStation]) -> Sequence[OwedCopies]:
        """See `Repository`."""
        stations = self._workspace.catalog.stations.all() if copies else []
        found = []
        for one in (each for each in stations if each.left_at):
            mine = [each.copy for each in copies if each.station == one.archive]
            whole = owed_by_left(one, files=0)
            found += [whole] if mine else []
            found += [replace(whole, target=each.target) for each in mine if isinstance(each, TargetBag)]
        return found

    def working_on(self, claim: ClaimId) -> AbstractContextManager[None]:
        """See `Repository`."""
        return self._workspace.filing_claim(claim)

    @contextmanager
    def removing(self) -> Iterator[None]:
        """See `Repository`."""
        with self._workspace.locked(), self._workspace.holding():
            yield

    def remove(self, copy: CopyAddress) -> None:
        """See `Repository`."""
        self._copies.remove(copy)

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

    def restore(self, claim: ClaimId, plan: str) -> Mapping[str, int]:
        """See `Repository`."""
        catalog, folders = self._workspace.catalog, self._folders(claim, plan)
        row, rows = catalog.claims.get(claim), folders.rows()
        if row is not None and row.state is ClaimState.QUARANTINED:
            rows = require_rows(rows, claim)
            folders.bring_back()
            if row.folder and rows["held_in"] and self._stands_here(rows):
                folders.fetch_bag(row.folder)
            with self._workspace.locked(), catalog.transaction():
                self._put_rows_back(claim, rows)
        now = catalog.photos.claims_of(_files_of(rows)) if rows else {}
        return Counter[str](other or UNASSIGNED for other in now.values() if other != claim)

    def end_quarantine(self, claim: ClaimId, plan: str) -> None:
        """See `Repository`."""
        self._folders(claim, plan).close()

    def _put_rows_back(self, claim: ClaimId, rows: RowsByTable) -> None:
        """Put the rows back; the days and tags of files that a card brought again meanwhile are made anew."""
        catalog = self._workspace.catalog
        again = catalog.photos.claims_of(_files_of(rows))
        catalog.quarantine.put_back(claim, rows, staying=self._staying(claim, again))
        catalog.keeping.mark_dirty([claim, None])
        if again:
            catalog.mark_changed(set(again.values()))
            refresh_days(self._workspace, sorted(again))
            retag(self._workspace, {claim, *catalog.photos.claims_of(sorted(again)).values()})

    def _staying(self, claim: ClaimId, again: Mapping[Sha256, ClaimId | None]) -> set[Sha256]:
        """Those of these files that stay where they are: a person moved them there, or signed or closed their claim."""
        claims = self._workspace.catalog.claims
        rows = claims.of({one for one in again.values() if one})
        concluded = {one for one, row in rows.items() if row.state in CONCLUDED}
        decided: dict[Sha256, ClaimId | None] = {}
        for row in claims.decisions(SplitCorrection, photos=list(again)):
            decided |= row.decision.assigns()
        return {
            sha
            for sha, now in again.items()
            if now in concluded or (now != claim and sha in decided and decided[sha] == now)
        }

    def _stands_here(self, rows: RowsByTable) -> bool:
        """True when the claim's bag does not stand at another station."""
        return all(row.get("station", "") in {"", self._workspace.station} for row in rows["bag"])

    def remove_aside(self, claim: ClaimId, plan: str, targets: Sequence[str]) -> Sequence[str]:
        """See `Repository`."""
        return self._folders(claim, plan).delete_copies(list(targets))

    def _folders(self, claim: ClaimId, plan: str) -> QuarantineFolders:
        return QuarantineFolders(self._workspace, self._targets, claim, plan)

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
        self._logged_keys.add(entry.key)

    def log_head(self) -> str:
        """See `Repository`."""
        return head_text(self._workspace)

    def is_logged(self, key: str) -> bool:
        """See `Repository`."""
        if key not in self._logged_keys:
            found = self._workspace.custody.newest(key, texts=False)
            if any(entry.details.get("key") == key for entry in found):
                self._logged_keys.add(key)
        return key in self._logged_keys

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
        phashes = catalog.hashes.of(going) | (phashes_of(rows) if rows else set())
        debts = self._debts(tombstone, rows, intakes, phashes)
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
            catalog.stations.waits_no_longer(going)
            catalog.debts.put(debts)
            catalog.keeping.mark_dirty(catalog.forget_photos(going) - {claim})
            catalog.reduce_to_tombstone(claim)
            # A card that was taken in during the purge may have brought photos of the claim: they wait unassigned.
            late = [record.sha256 for record in catalog.photos.of_claim(claim) if record.sha256 not in mine]
            if late:
                refresh_days(self._workspace, late)
        self._workspace.hash_index.drop_unused(phashes)
        folders.close()

    def _debts(
        self,
        tombstone: Tombstone,
        rows: RowsByTable | None,
        intakes: Collection[str],
        phashes: Collection[str],
    ) -> list[StationDebt]:
        """What each other station owes from now on; nothing when the claim is a tombstone already."""
        row = self._workspace.catalog.claims.get(tombstone.claim)
        if row is None or row.state is ClaimState.PURGED:
            return []
        places = {one["place"] for one in rows["copy"]} if rows else set(self._copies.places(tombstone.claim))
        stations = self._workspace.catalog.stations
        part = StationPart(
            about=row.claim,
            bag=row.folder or "",
            photos=tombstone.photos,
            places=tuple(sorted(places - {ARCHIVE_PLACE})),
            private=tombstone.private,
            intakes=tuple(sorted(intakes)),
            phashes=tuple(sorted(phashes)),
            plan=tombstone.plan,
            manifest=tombstone.manifest,
            certificate=tombstone.certificate,
            authority=tombstone.authority,
            planned_by=tombstone.planned_by,
            approved_by=tombstone.approved_by,
            run_by=tombstone.run_by,
            run_at=stations.name(stations.own),
        )
        owing = {one.station for one in tombstone.elsewhere} & {one.archive for one in stations.others()}
        return [
            StationDebt(station=one, claim=tombstone.claim, since=tombstone.purged, part=part)
            for one in sorted(owing)
        ]


def _files_of(rows: RowsByTable) -> list[Sha256]:
    return [Sha256(row["sha256"]) for row in rows["original"]]
