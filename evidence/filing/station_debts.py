"""What this station is to remove of claims that were purged at another station of its catalog.

The purge is decided and certified where it runs. In the same transaction that makes the claim a tombstone, every other
station comes to owe the removal of its part. It removes that at its next intake, backup or purge, as far as no hold
covers the claim by then, and notes it in its own log. Its backup disks follow as they do after a purge of its own.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from evidence.archive import bags
from evidence.archive.bagread import DATA
from evidence.archive.digest_search import find_digests
from evidence.archive.exchange import hidden_states
from evidence.archive.names import original_of_sidecar
from evidence.catalog.debts import StationDebt
from evidence.catalog.holds import HoldRow
from evidence.disk.durable import discard, sync_folder
from evidence.disk.faults import writing
from evidence.disk.hashing import hash_file
from evidence.errors import EvidenceError, PurgeRefusedError, counted
from evidence.filing.bag_records import read_bag_records
from evidence.filing.bags import bag_folder
from evidence.filing.card_pages import remove_pages_naming
from evidence.filing.originals import has_good_original, keep_original
from evidence.filing.owed import PURGED
from evidence.filing.record_files import keep_records
from evidence.filing.records import MALFORMED
from evidence.filing.target_records import retired_targets
from evidence.filing.traces import entries_that_stay, remove_damaged, remove_texts, thin_ledgers
from evidence.model import ClaimId, ClaimState, Finding, Sha256
from evidence.retention.holds import covers, in_force
from evidence.retention.purge.plan_files import remove_details
from evidence.retention.purge.released import DECIDED_ELSEWHERE, keep_released
from evidence.workspace import Workspace

HELD, STOPPED = "purge_held", "purge_stopped"
"""Codes of the findings for a part that a hold keeps, and for one that could not be removed."""

ROWS_STAY = (
    "What named the purged claims is still in the database's files, because another program has the catalog open. "
    "Close the boards, then run `evidence purge finish`."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class OwedPart:
    """One claim of which one station is still to remove its part, as it is listed."""

    claim: ClaimId
    station: str
    """The station's name."""
    here: bool
    """True for the station that lists."""
    since: str
    """The day of the purge, ISO 8601."""
    held_by: str
    """The hold that keeps it, for people; empty for none."""


def owed_parts(workspace: Workspace) -> list[OwedPart]:
    """What the stations still owe, oldest first; nothing of a catalog in a file."""
    debts = workspace.catalog.debts.all() if workspace.shared else []
    if not debts:
        return []
    names = {one.archive: one.name for one in workspace.catalog.stations.all()}
    holds, today = workspace.catalog.holds.all(active_only=True), workspace.today()
    return [
        OwedPart(
            claim=one.claim,
            station=names.get(one.station, one.station),
            here=one.station == workspace.station,
            since=one.since.date().isoformat(),
            held_by=_first_hold(holds, one, today),
        )
        for one in debts
    ]


def part_words(one: OwedPart) -> str:
    """The part for people, a sentence without its end."""
    whose = "This station" if one.here else f"The station {one.station}"
    what = f"{whose} is still to remove its part of the purged claim {one.claim}, since {one.since}"
    return f"{what}; {one.held_by} keeps it" if one.held_by else what


@dataclass(frozen=True, slots=True, kw_only=True)
class OwedByStation:
    """What one station is still to remove, in one sentence without an end."""

    words: str
    here: bool
    """True for the station that lists."""
    held: bool
    """True when a hold keeps all of it."""


def by_station(parts: Sequence[OwedPart]) -> list[OwedByStation]:
    """The parts of each station together, this station first."""
    found = []
    for away, station in sorted({(not one.here, one.station) for one in parts}):
        mine = [one for one in parts if (not one.here, one.station) == (away, station)]
        words = part_words(mine[0])
        if len(mine) > 1:
            whose = "This station" if mine[0].here else f"The station {station}"
            held = sum(bool(one.held_by) for one in mine)
            kept = f"; holds keep {held} of them" if held else ""
            words = f"{whose} is still to remove its part of {len(mine)} purged claims, since {mine[0].since}{kept}"
        found.append(OwedByStation(words=words, here=mine[0].here, held=all(one.held_by for one in mine)))
    return found


def held_by(workspace: Workspace, debt: StationDebt) -> str:
    """The first hold in force that covers the claim, as it was; empty for none."""
    return _first_hold(workspace.catalog.holds.all(active_only=True), debt, workspace.today())


def _first_hold(holds: Sequence[HoldRow], debt: StationDebt, today: date) -> str:
    for hold in holds:
        covered = debt.claim in hold.covered or covers(hold.scope, debt.part.about)
        if covered and in_force(hold.until, lifted=not hold.active, today=today):
            return f"hold {hold.number}"
    return ""


def bags_owed(workspace: Workspace) -> set[str]:
    """The names of bags of purged claims that may still stand here."""
    return {one.part.bag for one in workspace.catalog.debts.here()} - {""}


def settle_debts(workspace: Workspace, *, wait: bool = True, overwrite: bool = False) -> list[Finding]:
    """Remove this station's part of every claim that was purged at another one; returns what stopped.

    A kill at any step leaves the debt, and the next call continues. With `wait=False` nothing is removed while another
    command works on the bags. With `overwrite` the table of debts is written anew even if nothing was removed.
    """
    if not workspace.shared:
        return []
    debts = workspace.catalog.debts.here()
    findings = []
    for debt in debts:
        row = workspace.catalog.claims.get(debt.claim)
        if row is not None and row.state is not ClaimState.PURGED:
            continue  # the catalog was brought back to a state before the purge
        try:
            with workspace.filing(wait=wait):
                _Settling(workspace, debt).run()
        except PurgeRefusedError as stop:
            code = HELD if held_by(workspace, debt) else STOPPED
            findings.append(Finding(code=code, message=str(stop), subject=debt.claim))
        except EvidenceError as trouble:
            findings.append(Finding(code=STOPPED, message=str(trouble), subject=debt.claim))
    if len(findings) < len(debts) or overwrite:
        keep_records(workspace)
        if workspace.catalog.overwrite_debts():
            findings.append(Finding(code="rows_stay", message=ROWS_STAY, subject="catalog"))
    return findings


class _Settling:
    """The removal of one debt. Every step may be repeated."""

    def __init__(self, workspace: Workspace, debt: StationDebt) -> None:
        self._workspace, self._debt, self._part = workspace, debt, debt.part
        self._bag = workspace.bag_of(debt.claim, debt.part.bag) if debt.part.bag else None

    def run(self) -> None:
        """Remove everything. Raises PurgeRefusedError for a hold, and for what is not proved to be of the claim."""
        workspace, debt = self._workspace, self._debt
        photos, private = self._part.photos, self._part.private
        self._refuse_held()
        keep_released(workspace.plans / DECIDED_ELSEWHERE, debt.claim, photos)
        for sha in photos:
            self._remove_named(workspace.thumbs, sha)
        if self._bag and _stands(self._bag):
            self._remove_bag(self._bag)
        for sha in photos:
            self._remove_named(workspace.store, sha)
        if self._bag:
            with self._removing():
                remove_damaged(workspace.root, self._bag.name)
        self._refuse_strays()
        with self._removing():
            remove_pages_naming(workspace, debt.claim, photos)
        remove_details(workspace.plans, debt.claim)
        going = self._unknown(photos)
        thin_ledgers(workspace, self._part.intakes, going)
        remove_texts(workspace, debt.claim, going, private)
        workspace.catalog.stations.waits_no_longer(going)
        workspace.hash_index.drop_unused(self._part.phashes)
        self._log(entries_that_stay(workspace, private))
        workspace.catalog.debts.settle(debt)

    # --- what may go -------------------------------------------------------------------

    @contextmanager
    def _removing(self) -> Iterator[None]:
        """Keeps holds and photos as they are around one removal. Raises PurgeRefusedError when a hold has come."""
        with self._workspace.locked(), self._workspace.holding():
            self._refuse_held()
            yield

    def _refuse_held(self) -> None:
        if hold := held_by(self._workspace, self._debt):
            raise PurgeRefusedError(
                f"{hold.capitalize()} keeps this station's part of the purged claim {self._debt.claim}.",
                "It is removed once the hold has ended.",
            )

    def _known(self, digests: Collection[Sha256]) -> set[Sha256]:
        """Those that the catalog has: they are another claim's now, or wait unassigned."""
        known: set[Sha256] = self._workspace.catalog.photos.known(sorted(set(digests)))
        return known

    def _unknown(self, digests: Collection[Sha256]) -> list[Sha256]:
        return sorted(set(digests) - self._known(digests))

    # --- removing ------------------------------------------------------------------------

    def _remove_named(self, store: Path, sha: Sha256) -> None:
        """Remove the files that a store by digest keeps for a photo, unless another claim has that photo."""
        if not any((store / sha[:2]).glob(f"{sha}*")):
            return
        with self._removing():
            if self._known([sha]):
                return
            for path in sorted((store / sha[:2]).glob(f"{sha}*")):
                discard(path)
            with writing(store):
                sync_folder(store / sha[:2])

    def _remove_bag(self, bag: Path) -> None:
        """Remove the claim's bag, after what it holds of other claims was kept in the intake area.

        Raises PurgeRefusedError for the bag of another claim, and for one with originals that were not purged.
        """
        files = self._originals_in(bag)
        with self._removing():
            known = self._known(files.values())
            released = {*self._part.photos, *known}
            if left := [path for path, sha in files.items() if sha not in released]:
                raise PurgeRefusedError(
                    f"The bag {bag.name} of the purged claim {self._debt.claim} was left as it is: it holds "
                    f"{counted(len(left), 'original')} that were not purged, first {min(left)}.",
                    "Check them, then remove the bag by hand.",
                )
            for path, sha in files.items():
                if sha in known:
                    self._keep_of_others(bag / DATA / path, sha)
            bags.remove_bag(bag)

    def _keep_of_others(self, path: Path, sha: Sha256) -> None:
        """Put an original that another claim has too into the intake area, unless it stands elsewhere here."""
        workspace = self._workspace
        if path.is_file() and not has_good_original(workspace, sha):
            workspace.catalog.stations.waits_here([sha])
            keep_original(workspace, workspace.catalog.photos.originals([sha])[sha], path)

    def _originals_in(self, bag: Path) -> Mapping[str, Sha256]:
        """The originals below the bag's data/, also those that its manifest does not list. Raises PurgeRefusedError."""
        if bag.name in self._workspace.catalog.claims.folders():
            raise PurgeRefusedError(
                f"The bag {bag.name} belongs to another claim now.", "Check what the folder holds."
            )
        bags.recover(bag.parent)
        if not bag.is_dir():
            return {}
        try:
            records = read_bag_records(bag)
            claim = records.about["claim"]["claim"]
        except MALFORMED:
            claim = ""
        if claim != self._debt.claim:
            raise PurgeRefusedError(
                f"The folder {bag.name} is not the bag of the purged claim {self._debt.claim}.",
                "Check what it holds.",
            )
        found = {str(one["payload_path"]): Sha256(one["record"]["sha256"]) for one in records.photos}
        listed = {*found, *records.manifest}
        for file in sorted((bag / DATA).rglob("*")):
            path = file.relative_to(bag / DATA).as_posix()
            if path in listed or not file.is_file() or file.is_symlink():
                continue
            if original_of_sidecar(path) not in listed:
                found[path] = hash_file(file, uncached=True)
        return found

    def _refuse_strays(self) -> None:
        """Raise PurgeRefusedError when the bytes of a purged photo stand where the archive put none."""
        keeping = self._workspace.catalog.keeping
        others = {bag_folder(self._workspace, one).name for one in keeping.bags()}
        going = self._unknown(self._part.photos)
        found = find_digests(self._workspace.claims, going)
        if strays := [path for path in found if path.partition("/")[0] not in others]:
            raise PurgeRefusedError(
                f"claims/{strays[0]} holds one of the photos of the purged claim {self._debt.claim}, but the archive "
                "did not put it there.",
                "Remove it by hand, then run `evidence purge finish`.",
            )

    # --- the log -------------------------------------------------------------------------

    def _log(self, stays: str) -> None:
        """Note the purge here, once, with the disks that may still hold copies: they are owed as after one run here."""
        part, debt, workspace = self._part, self._debt, self._workspace
        key = f"purged_here:{part.plan}:{debt.claim}"
        if any(one.details.get("key") == key for one in workspace.custody.newest(key, texts=False)):
            return
        workspace.record(
            PURGED,
            debt.claim,
            key=key,
            plan=part.plan,
            run_at=part.run_at,
            certificate=part.certificate,
            photos=str(len(part.photos)),
            manifest=part.manifest,
            authority=part.authority,
            planned_by=part.planned_by,
            approved_by=part.approved_by,
            run_by=part.run_by,
            **({"owed_targets": ", ".join(owed)} if (owed := sorted(self._disks())) else {}),
            **({"entries_that_stay": stays} if stays else {}),
        )

    def _disks(self) -> Iterator[str]:
        """The names of this station's disks, connected or retired, that had copies of the claim."""
        places = set(self._part.places)
        yield from {one.name for one in self._workspace.settings.target if one.name in places}
        yield from {one.name for one in retired_targets(self._workspace) if one.place in places}


def _stands(bag: Path) -> bool:
    """True when the bag is there, or a folder that an interrupted build or removal left."""
    return any(path.exists() for path in (bag, *hidden_states(bag)))
