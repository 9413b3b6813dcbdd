"""The office's work joined: closing, holds, what is due, and the desk that a purge works on."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from evidence.archive import bags, swap
from evidence.archive.holdings import find_digests
from evidence.catalog.claims import ClaimRow, Decision, HoldRow
from evidence.disk.durable import discard
from evidence.disk.objects import sweep_parts
from evidence.errors import BadInputError, PurgeRefusedError
from evidence.filing.backup import make_ready, open_targets
from evidence.filing.bags import bag_folder, file_away, recover_bags
from evidence.model import ClaimId, ClaimState, Sha256
from evidence.retention.desk import CopyKind, KnownCopy, PurgeEntry, Tombstone
from evidence.retention.plans import PROGRESS
from evidence.retention.purge import PurgeReport, approve, make_plan, run_plan
from evidence.retention.rules import RetentionRules, load_rules, with_own
from evidence.retention.schedule import ClaimFacts, Hold, Standing, Turn, TurnKind, standing
from evidence.settings import ARCHIVE_PLACE, default_text
from evidence.workspace import SETTINGS, Workspace

# --- closing and holds -------------------------------------------------------------------


def close_claim(workspace: Workspace, claim: ClaimId, *, on: date) -> None:
    """The claim was closed on this calendar day; its retention period starts.

    Raises BadInputError when it is closed already, for a day to come, and for one before the date of loss: a
    mistyped year would let the period run out years too early.
    """
    with workspace.locked():
        row = _row(workspace, claim)
        if row.state is ClaimState.CLOSED:
            raise BadInputError(
                f"Claim {claim} is closed already, on {row.closed_on}.", "Reopen it first if that is wrong."
            )
        _refuse_future(workspace, on, "Close")
        if row.claim.loss_date and on < row.claim.loss_date:
            raise BadInputError(
                f"Claim {claim} cannot have been closed on {on}: the date of loss is {row.claim.loss_date}.",
                "Give the day it was closed.",
            )
        with workspace.catalog.transaction():
            _turn(workspace, claim, TurnKind.CLOSED, on)
            workspace.catalog.claims.set_state(claim, ClaimState.CLOSED, closed_on=on)
            workspace.record("claim_closed", claim, on=on.isoformat())
        file_away(workspace)


def reopen_claim(workspace: Workspace, claim: ClaimId, *, on: date) -> None:
    """The claim was reopened; its period starts anew at the next closing.

    Raises BadInputError when it is not closed, for a day to come, and for one before it was closed.
    """
    with workspace.locked():
        row = _row(workspace, claim)
        if row.state is not ClaimState.CLOSED:
            raise BadInputError(f"Claim {claim} is not closed.", "Only a closed claim can be reopened.")
        _refuse_future(workspace, on, "Reopen")
        if row.closed_on and on < row.closed_on:
            raise BadInputError(
                f"Claim {claim} cannot have been reopened on {on}: it was closed on {row.closed_on}.",
                "Give the day it was reopened.",
            )
        with workspace.catalog.transaction():
            _turn(workspace, claim, TurnKind.REOPENED, on)
            workspace.catalog.claims.set_state(claim, ClaimState.OPEN)
            workspace.record("claim_reopened", claim, on=on.isoformat())
        file_away(workspace)


def _refuse_future(workspace: Workspace, on: date, verb: str) -> None:
    if on > workspace.now().astimezone().date():
        raise BadInputError(f"{on} lies in the future.", f"{verb} a claim on the day it happened.")


def _turn(workspace: Workspace, claim: ClaimId, kind: TurnKind, on: date) -> None:
    workspace.catalog.claims.record(
        at=workspace.now(),
        actor=workspace.actor,
        kind=kind.value,
        claim=claim,
        before=None,
        after={"on": on.isoformat()},
    )
    workspace.catalog.keeping.mark_known_dirty([claim])


def place_hold(workspace: Workspace, claim: ClaimId, *, reason: str) -> int:
    """Nothing of the claim may be purged until the hold is lifted; returns the hold's number."""
    if not reason.strip():
        raise BadInputError(
            "A hold needs a reason.", "Add --reason, for instance 'suit filed, counsel's letter of ...'."
        )
    with workspace.locked():
        _row(workspace, claim)
        with workspace.catalog.transaction():
            number = workspace.catalog.claims.place_hold(
                claim, reason=reason, by=workspace.actor, at=workspace.now()
            )
            workspace.record("hold_placed", claim, hold=number, reason=reason)
            workspace.catalog.keeping.mark_known_dirty([claim])
        file_away(workspace)
    return number


def lift_hold(workspace: Workspace, number: int, *, why: str) -> None:
    """End a hold. Raises BadInputError when it is unknown or lifted already, or no reason is given."""
    if not why.strip():
        raise BadInputError("Lifting a hold needs a reason.", "Add --reason.")
    with workspace.locked():
        hold = next((one for one in workspace.catalog.claims.holds() if one.number == number), None)
        if hold is None or not hold.active:
            raise BadInputError(f"There is no hold {number} in force.", "`evidence hold list` shows them.")
        with workspace.catalog.transaction():
            workspace.catalog.claims.lift_hold(number, by=workspace.actor, why=why, at=workspace.now())
            workspace.record("hold_lifted", hold.claim, hold=number, reason=why)
            workspace.catalog.keeping.mark_known_dirty([hold.claim])
        file_away(workspace)


def _row(workspace: Workspace, claim: ClaimId) -> ClaimRow:
    row = workspace.catalog.claims.get(claim)
    if row is None:
        raise BadInputError(f"There is no claim {claim}.", "`evidence claims` lists them.")
    if row.state is ClaimState.PURGED:
        raise BadInputError(
            f"Claim {claim} was purged.", "Its certificate is in the archive's purges folder."
        )
    return row


# --- retention ---------------------------------------------------------------------------


def rules_of(workspace: Workspace) -> RetentionRules:
    """The program's retention rules with the office's own over them, which never go below a minimum."""
    shipped = load_rules(default_text("retention.toml"), "config/retention.toml")
    own = workspace.root / "config" / "retention.toml"
    if not own.is_file():
        return shipped
    return with_own(shipped, load_rules(workspace.text("retention.toml"), str(own)))


def facts_of(workspace: Workspace, claim: ClaimId) -> ClaimFacts:
    """What retention needs to know of the claim, as it stands now. Raises BadInputError, for a purged one too."""
    turns = workspace.catalog.claims.decisions(kinds=_TURNS, claim=claim)
    return _facts(_row(workspace, claim), turns, workspace.catalog.claims.holds(claim, active_only=True))


_TURNS = tuple(kind.value for kind in TurnKind)


def _facts(row: ClaimRow, turns: Iterable[Decision], holds: Iterable[HoldRow]) -> ClaimFacts:
    return ClaimFacts(
        claim=row.claim.claim,
        jurisdiction=row.claim.jurisdiction,
        peril=row.claim.peril,
        history=tuple(Turn(kind=TurnKind(one.kind), on=date.fromisoformat(one.after["on"])) for one in turns),
        holds=tuple(
            Hold(hold=f"hold {one.number}", why=one.reason, by=one.placed_by, placed=one.placed_at)
            for one in holds
        ),
    )


def standing_of(workspace: Workspace, *, as_of: date | None = None) -> Standing:
    """Every claim that is not purged: due, held or kept, and why."""
    turns: dict[ClaimId | None, list[Decision]] = defaultdict(list)
    holds: dict[ClaimId, list[HoldRow]] = defaultdict(list)
    for turn in workspace.catalog.claims.decisions(kinds=_TURNS):
        turns[turn.claim].append(turn)
    for hold in workspace.catalog.claims.holds(active_only=True):
        holds[hold.claim].append(hold)
    rows = [row for row in workspace.catalog.claims.all() if row.state is not ClaimState.PURGED]
    facts = [_facts(row, turns[row.claim.claim], holds[row.claim.claim]) for row in rows]
    return standing(facts, rules_of(workspace), today=as_of or workspace.now().astimezone().date())


# --- purging -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """A frozen plan, ready for a second person."""

    plan: str
    digest: str
    claims: tuple[ClaimId, ...]


def plan_purge(workspace: Workspace, claims: Sequence[ClaimId] | None = None) -> Planned:
    """Freeze a plan for these claims, or for all that is due; raises PurgeRefusedError when nothing may go."""
    with workspace.locked():
        _settle_bags(workspace)
        frozen = make_plan(
            ArchiveDesk(workspace),
            rules_of(workspace),
            by=workspace.actor,
            shelf=workspace.plans,
            claims=claims,
        )
    return Planned(
        plan=frozen.folder.name, digest=frozen.digest, claims=tuple(one.claim for one in frozen.plan.claims)
    )


def approve_purge(workspace: Workspace, plan: str) -> str:
    """Another person's word for the plan; returns the digest it is bound to."""
    with workspace.locked():
        return approve(ArchiveDesk(workspace), plan_folder(workspace, plan), by=workspace.actor).digest


def run_purge(workspace: Workspace, plan: str) -> PurgeReport:
    """Remove what an approved plan names, everywhere, and look for it."""
    with workspace.locked():
        folder = plan_folder(workspace, plan)
        if not (folder / PROGRESS).exists():  # once begun, bags are missing on purpose
            _settle_bags(workspace)
        return run_plan(ArchiveDesk(workspace), rules_of(workspace), folder, by=workspace.actor)


def _settle_bags(workspace: Workspace) -> None:
    """What a killed run left is finished first: a bag may still hold a photo that is another claim's by now."""
    recover_bags(workspace)
    sweep_parts(workspace.store)
    file_away(workspace)


def plan_folder(workspace: Workspace, plan: str) -> Path:
    """The folder of a plan named by its folder or the first letters of it; raises BadInputError."""
    known = (
        sorted(path for path in workspace.plans.iterdir() if path.is_dir())
        if workspace.plans.is_dir()
        else []
    )
    found = [path for path in known if path.name.startswith(plan)]
    if len(found) != 1:
        raise BadInputError(
            f"There is no purge plan {plan}."
            if not found
            else f"{len(found)} purge plans begin with {plan}.",
            f"The plans are {', '.join(path.name for path in known) or 'none yet'}.",
        )
    return found[0]


class ArchiveDesk:
    """The archive as a purge sees it (`retention.desk.PurgeDesk`)."""

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace
        self._targets = {target.name: target for target in open_targets(workspace)}
        self._keys: set[str] | None = None

    def now(self) -> datetime:
        """See `PurgeDesk`."""
        return self._workspace.now()

    def today(self) -> date:
        """See `PurgeDesk`."""
        return self._workspace.now().astimezone().date()

    def claims(self) -> Sequence[ClaimId]:
        """See `PurgeDesk`."""
        return [
            r.claim.claim for r in self._workspace.catalog.claims.all() if r.state is not ClaimState.PURGED
        ]

    def facts(self, claim: ClaimId) -> ClaimFacts:
        """See `PurgeDesk`."""
        return facts_of(self._workspace, claim)

    def photos(self, claim: ClaimId) -> Sequence[Sha256]:
        """See `PurgeDesk`."""
        here = {record.sha256 for record in self._workspace.catalog.photos.of_claim(claim)}
        return sorted(here | set(self._workspace.catalog.keeping.payload(claim)))

    def also_in(self, photo: Sha256) -> Sequence[ClaimId]:
        """See `PurgeDesk`."""
        records = self._workspace.catalog.photos.records([photo])
        claims = {record.claim or ClaimId("unassigned") for record in records}
        claims |= {
            claim or ClaimId("unassigned")
            for claim, _ in self._workspace.catalog.keeping.held_in([photo]).get(photo, [])
        }
        return sorted(claims)

    def copies(self, claim: ClaimId) -> Sequence[KnownCopy]:
        """See `PurgeDesk`."""
        return self.look_for(claim, self.photos(claim))

    def remove(self, copy: KnownCopy) -> None:
        """See `PurgeDesk`."""
        kind, place = copy.kind, copy.place
        if kind is CopyKind.BAG:
            bags.remove_bag(self._workspace.root / place.removeprefix("archive/"))
        elif kind is CopyKind.TARGET:
            name, _, bag = place.removeprefix("target ").partition(": ")
            self._targets[name].remove_bag(bag)
        elif kind is CopyKind.OTHER:
            raise PurgeRefusedError(
                f"{place} holds one of the claim's photos and is no bag of ours.",
                "Remove it by hand, then run this again.",
            )
        else:
            discard(self._workspace.root / place.removeprefix("archive/"))

    def look_for(self, claim: ClaimId, photos: Sequence[Sha256]) -> Sequence[KnownCopy]:
        """See `PurgeDesk`."""
        workspace = self._workspace
        self._refuse_unreachable(photos)
        found: list[KnownCopy] = []
        row = workspace.catalog.claims.get(claim)
        bag = workspace.bag_of(claim, row.folder) if row and row.folder else None
        # The bag, or what a broken-off build of it left beside it: one removal takes both.
        if bag and any(path.exists() for path in _with_traces(bag)):
            found.append(KnownCopy(kind=CopyKind.BAG, place=self._named(bag)))
        for target in self._targets.values():
            make_ready(workspace, target)  # a target out of reach may hold a copy: then nothing is purged
            if bag and any(path.exists() for path in _with_traces(target.root / bag.name)):
                found.append(KnownCopy(kind=CopyKind.TARGET, place=f"target {target.name}: {bag.name}"))
            strange = self._strangers(target.holds(photos), claim, bag)
            found += [
                KnownCopy(kind=CopyKind.OTHER, place=f"target {target.name}: {path}") for path in strange
            ]
        for sha in photos:
            found += [
                self._by_digest(CopyKind.INTAKE, path, sha)
                for path in sorted((workspace.store / sha[:2]).glob(f"{sha}*"))
            ]
            found += [
                self._by_digest(CopyKind.THUMBNAIL, path, sha)
                for path in sorted((workspace.thumbs / sha[:2]).glob(f"{sha}*"))
            ]
        strange = self._strangers(find_digests(workspace.claims, photos), claim, bag)
        found += [KnownCopy(kind=CopyKind.OTHER, place=f"archive/claims/{path}") for path in strange]
        return found

    def _strangers(self, paths: Iterable[str], claim: ClaimId, bag: Path | None) -> list[str]:
        """Those of the paths below a folder of bags that lie neither in the claim's bag nor rightly in another."""
        mine = tuple(f"{path.name}/" for path in _with_traces(bag)) if bag else ()
        return [path for path in paths if not path.startswith(mine) and not self._rightly_there(path, claim)]

    def _refuse_unreachable(self, photos: Sequence[Sha256]) -> None:
        """Raise PurgeRefusedError when the catalog knows of copies at a target that the settings name no more."""
        copies = self._workspace.catalog.keeping.copies(photos)
        places = {row.place for rows in copies.values() for row in rows}
        lost = sorted(places - set(self._targets) - {ARCHIVE_PLACE})
        if lost:
            raise PurgeRefusedError(
                f"Copies were made to the backup target {lost[0]}, which the settings name no more.",
                f"Name it in {SETTINGS} again, so that they can be removed there too.",
            )

    def record(self, entry: PurgeEntry) -> None:
        """See `PurgeDesk`."""
        if self.recorded(entry.key):
            return
        self._workspace.custody.append(
            actor=entry.actor,
            action=entry.event,
            subject=entry.claim or "purge",
            details={**entry.details, "key": entry.key},
            at=entry.at,
        )
        self._known_keys().add(entry.key)

    def recorded(self, key: str) -> bool:
        """See `PurgeDesk`."""
        return key in self._known_keys()

    def bury(self, tombstone: Tombstone) -> None:
        """See `PurgeDesk`."""
        catalog, claim = self._workspace.catalog, tombstone.claim
        with catalog.transaction():
            mine = {record.sha256 for record in catalog.photos.of_claim(claim)} | set(tombstone.photos)
            shared = {sha for sha in mine if any(other != claim for other in self.also_in(sha))}
            catalog.keeping.forget(claim)
            catalog.photos.forget(sorted(mine - shared))
            catalog.claims.forget(claim)

    def _rightly_there(self, path: str, claim: ClaimId) -> bool:
        """True for a file in another claim's bag, or the tray's, at a target: that claim keeps the photo too."""
        bag_names = {
            bag_folder(self._workspace, one).name
            for one in self._workspace.catalog.keeping.bags()
            if one != claim
        }
        return path.partition("/")[0] in bag_names

    def _known_keys(self) -> set[str]:
        if self._keys is None:
            entries = self._workspace.custody.entries()
            self._keys = {str(entry.details["key"]) for entry in entries if "key" in entry.details}
        return self._keys

    def _named(self, path: Path) -> str:
        return f"archive/{path.relative_to(self._workspace.root).as_posix()}"

    def _by_digest(self, kind: CopyKind, path: Path, sha: Sha256) -> KnownCopy:
        return KnownCopy(kind=kind, place=self._named(path), sha256=sha, by_digest=True)


def _with_traces(bag: Path) -> tuple[Path, ...]:
    """A bag's folder, and the hidden ones that a broken-off build or removal may leave beside it."""
    return (bag, swap.next_of(bag), swap.old_of(bag), swap.gone_of(bag))
