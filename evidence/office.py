"""The office's work joined: closing, holds, what is due, and the desk that a purge works on."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from evidence import filing
from evidence.archive import bags, swap
from evidence.archive.holdings import find_digests
from evidence.cards.copying import sweep_parts
from evidence.cards.durable import discard
from evidence.catalog.claims import ClaimRow, Decision
from evidence.catalog.claims import Hold as HoldRow
from evidence.errors import BadInputError, PurgeRefusedError
from evidence.home import SETTINGS, ArchiveHome
from evidence.model import ClaimId, ClaimState, Sha256
from evidence.retention.desk import CopyKind, KnownCopy, PurgeEntry, Tombstone
from evidence.retention.plans import PROGRESS
from evidence.retention.purge import PurgeReport, approve, make_plan, run_plan
from evidence.retention.rules import RetentionRules, load_rules, with_own
from evidence.retention.schedule import ClaimFacts, Hold, Standing, Turn, TurnKind, standing
from evidence.settings import default_text

# --- closing and holds -------------------------------------------------------------------


def close_claim(home: ArchiveHome, claim: ClaimId, *, on: date) -> None:
    """The claim was closed on this calendar day; its retention period starts.

    Raises BadInputError when it is closed already, for a day to come, and for one before the date of loss: a
    mistyped year would let the period run out years too early.
    """
    with home.working():
        row = _row(home, claim)
        if row.state is ClaimState.CLOSED:
            raise BadInputError(
                f"Claim {claim} is closed already, on {row.closed_on}.", "Reopen it first if that is wrong."
            )
        _refuse_future(home, on, "Close")
        if row.claim.loss_date and on < row.claim.loss_date:
            raise BadInputError(
                f"Claim {claim} cannot have been closed on {on}: the date of loss is {row.claim.loss_date}.",
                "Give the day it was closed.",
            )
        with home.catalog.together():
            _turn(home, claim, TurnKind.CLOSED, on)
            home.catalog.claims.set_state(claim, ClaimState.CLOSED, closed_on=on)
            home.note("claim_closed", claim, on=on.isoformat())
        filing.file_away(home)


def reopen_claim(home: ArchiveHome, claim: ClaimId, *, on: date) -> None:
    """The claim was reopened; its period starts anew at the next closing.

    Raises BadInputError when it is not closed, for a day to come, and for one before it was closed.
    """
    with home.working():
        row = _row(home, claim)
        if row.state is not ClaimState.CLOSED:
            raise BadInputError(f"Claim {claim} is not closed.", "Only a closed claim can be reopened.")
        _refuse_future(home, on, "Reopen")
        if row.closed_on and on < row.closed_on:
            raise BadInputError(
                f"Claim {claim} cannot have been reopened on {on}: it was closed on {row.closed_on}.",
                "Give the day it was reopened.",
            )
        with home.catalog.together():
            _turn(home, claim, TurnKind.REOPENED, on)
            home.catalog.claims.set_state(claim, ClaimState.OPEN)
            home.note("claim_reopened", claim, on=on.isoformat())
        filing.file_away(home)


def _refuse_future(home: ArchiveHome, on: date, verb: str) -> None:
    if on > home.now().astimezone().date():
        raise BadInputError(f"{on} lies in the future.", f"{verb} a claim on the day it happened.")


def _turn(home: ArchiveHome, claim: ClaimId, kind: TurnKind, on: date) -> None:
    home.catalog.claims.record(
        at=home.now(),
        actor=home.actor,
        kind=kind.value,
        claim=claim,
        before=None,
        after={"on": on.isoformat()},
    )
    home.catalog.keeping.mark_known_dirty([claim])


def place_hold(home: ArchiveHome, claim: ClaimId, *, reason: str) -> int:
    """Nothing of the claim may be purged until the hold is lifted; returns the hold's number."""
    if not reason.strip():
        raise BadInputError(
            "A hold needs a reason.", "Add --reason, for instance 'suit filed, counsel's letter of ...'."
        )
    with home.working():
        _row(home, claim)
        with home.catalog.together():
            number = home.catalog.claims.place_hold(claim, reason=reason, by=home.actor, at=home.now())
            home.note("hold_placed", claim, hold=number, reason=reason)
            home.catalog.keeping.mark_known_dirty([claim])
        filing.file_away(home)
    return number


def lift_hold(home: ArchiveHome, number: int, *, why: str) -> None:
    """End a hold. Raises BadInputError when it is unknown or lifted already, or no reason is given."""
    if not why.strip():
        raise BadInputError("Lifting a hold needs a reason.", "Add --reason.")
    with home.working():
        hold = next((one for one in home.catalog.claims.holds() if one.number == number), None)
        if hold is None or not hold.active:
            raise BadInputError(f"There is no hold {number} in force.", "`evidence hold list` shows them.")
        with home.catalog.together():
            home.catalog.claims.lift_hold(number, by=home.actor, why=why, at=home.now())
            home.note("hold_lifted", hold.claim, hold=number, reason=why)
            home.catalog.keeping.mark_known_dirty([hold.claim])
        filing.file_away(home)


def _row(home: ArchiveHome, claim: ClaimId) -> ClaimRow:
    row = home.catalog.claims.get(claim)
    if row is None:
        raise BadInputError(f"There is no claim {claim}.", "`evidence claims` lists them.")
    if row.state is ClaimState.PURGED:
        raise BadInputError(
            f"Claim {claim} was purged.", "Its certificate is in the archive's purges folder."
        )
    return row


# --- retention ---------------------------------------------------------------------------


def rules_of(home: ArchiveHome) -> RetentionRules:
    """The program's retention rules with the office's own over them, which never go below a minimum."""
    shipped = load_rules(default_text("retention.toml"), "config/retention.toml")
    own = home.root / "config" / "retention.toml"
    if not own.is_file():
        return shipped
    return with_own(shipped, load_rules(home.text("retention.toml"), str(own)))


def facts_of(home: ArchiveHome, claim: ClaimId) -> ClaimFacts:
    """What retention needs to know of the claim, as it stands now. Raises BadInputError, for a purged one too."""
    turns = home.catalog.claims.decisions(kinds=_TURNS, claim=claim)
    return _facts(_row(home, claim), turns, home.catalog.claims.holds(claim, active_only=True))


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


def standing_of(home: ArchiveHome, *, as_of: date | None = None) -> Standing:
    """Every claim that is not purged: due, held or kept, and why."""
    turns: dict[ClaimId | None, list[Decision]] = defaultdict(list)
    holds: dict[ClaimId, list[HoldRow]] = defaultdict(list)
    for turn in home.catalog.claims.decisions(kinds=_TURNS):
        turns[turn.claim].append(turn)
    for hold in home.catalog.claims.holds(active_only=True):
        holds[hold.claim].append(hold)
    rows = [row for row in home.catalog.claims.all() if row.state is not ClaimState.PURGED]
    facts = [_facts(row, turns[row.claim.claim], holds[row.claim.claim]) for row in rows]
    return standing(facts, rules_of(home), today=as_of or home.now().astimezone().date())


# --- purging -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """A frozen plan, ready for a second person."""

    plan: str
    digest: str
    claims: tuple[ClaimId, ...]


def plan_purge(home: ArchiveHome, claims: Sequence[ClaimId] | None = None) -> Planned:
    """Freeze a plan for these claims, or for all that is due; raises PurgeRefusedError when nothing may go."""
    with home.working():
        _settle_bags(home)
        frozen = make_plan(ArchiveDesk(home), rules_of(home), by=home.actor, shelf=home.plans, claims=claims)
    return Planned(
        plan=frozen.folder.name, digest=frozen.digest, claims=tuple(one.claim for one in frozen.plan.claims)
    )


def approve_purge(home: ArchiveHome, plan: str) -> str:
    """Another person's word for the plan; returns the digest it is bound to."""
    with home.working():
        return approve(ArchiveDesk(home), plan_folder(home, plan), by=home.actor).digest


def run_purge(home: ArchiveHome, plan: str) -> PurgeReport:
    """Remove what an approved plan names, everywhere, and look for it."""
    with home.working():
        folder = plan_folder(home, plan)
        if not (folder / PROGRESS).exists():  # once begun, bags are missing on purpose
            _settle_bags(home)
        return run_plan(ArchiveDesk(home), rules_of(home), folder, by=home.actor)


def _settle_bags(home: ArchiveHome) -> None:
    """What a killed run left is finished first: a bag may still hold a photo that is another claim's by now."""
    filing.recover(home)
    sweep_parts(home.store)
    filing.file_away(home)


def plan_folder(home: ArchiveHome, plan: str) -> Path:
    """The folder of a plan named by its folder or the first letters of it; raises BadInputError."""
    known = sorted(path for path in home.plans.iterdir() if path.is_dir()) if home.plans.is_dir() else []
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

    def __init__(self, home: ArchiveHome) -> None:
        self._home = home
        self._targets = {target.name: target for target in filing.open_targets(home)}
        self._keys: set[str] | None = None

    def now(self) -> datetime:
        """See `PurgeDesk`."""
        return self._home.now()

    def today(self) -> date:
        """See `PurgeDesk`."""
        return self._home.now().astimezone().date()

    def claims(self) -> Sequence[ClaimId]:
        """See `PurgeDesk`."""
        return [r.claim.claim for r in self._home.catalog.claims.all() if r.state is not ClaimState.PURGED]

    def facts(self, claim: ClaimId) -> ClaimFacts:
        """See `PurgeDesk`."""
        return facts_of(self._home, claim)

    def photos(self, claim: ClaimId) -> Sequence[Sha256]:
        """See `PurgeDesk`."""
        here = {record.sha256 for record in self._home.catalog.photos.of_claim(claim)}
        return sorted(here | set(self._home.catalog.keeping.payload(claim)))

    def also_in(self, photo: Sha256) -> Sequence[ClaimId]:
        """See `PurgeDesk`."""
        records = self._home.catalog.photos.records([photo])
        claims = {record.claim or ClaimId("unassigned") for record in records}
        claims |= {
            claim or ClaimId("unassigned")
            for claim, _ in self._home.catalog.keeping.held_in([photo]).get(photo, [])
        }
        return sorted(claims)

    def copies(self, claim: ClaimId) -> Sequence[KnownCopy]:
        """See `PurgeDesk`."""
        return self.look_for(claim, self.photos(claim))

    def remove(self, copy: KnownCopy) -> None:
        """See `PurgeDesk`."""
        kind, place = copy.kind, copy.place
        if kind is CopyKind.BAG:
            bags.remove_bag(self._home.root / place.removeprefix("archive/"))
        elif kind is CopyKind.TARGET:
            name, _, bag = place.removeprefix("target ").partition(": ")
            self._targets[name].remove_bag(bag)
        elif kind is CopyKind.OTHER:
            raise PurgeRefusedError(
                f"{place} holds one of the claim's photos and is no bag of ours.",
                "Remove it by hand, then run this again.",
            )
        else:
            discard(self._home.root / place.removeprefix("archive/"))

    def look_for(self, claim: ClaimId, photos: Sequence[Sha256]) -> Sequence[KnownCopy]:
        """See `PurgeDesk`."""
        home = self._home
        self._refuse_unreachable(photos)
        found: list[KnownCopy] = []
        row = home.catalog.claims.get(claim)
        bag = home.bag_of(claim, row.folder) if row and row.folder else None
        # The bag, or what a broken-off build of it left beside it: one removal takes both.
        if bag and any(path.exists() for path in _with_traces(bag)):
            found.append(KnownCopy(kind=CopyKind.BAG, place=self._named(bag)))
        for target in self._targets.values():
            filing.make_ready(home, target)  # a target out of reach may hold a copy: then nothing is purged
            if bag and any(path.exists() for path in _with_traces(target.root / bag.name)):
                found.append(KnownCopy(kind=CopyKind.TARGET, place=f"target {target.name}: {bag.name}"))
            strange = self._strangers(target.holds(photos), claim, bag)
            found += [
                KnownCopy(kind=CopyKind.OTHER, place=f"target {target.name}: {path}") for path in strange
            ]
        for sha in photos:
            found += [
                self._by_digest(CopyKind.INTAKE, path, sha)
                for path in sorted((home.store / sha[:2]).glob(f"{sha}*"))
            ]
            found += [
                self._by_digest(CopyKind.THUMBNAIL, path, sha)
                for path in sorted((home.thumbs / sha[:2]).glob(f"{sha}*"))
            ]
        strange = self._strangers(find_digests(home.claims, photos), claim, bag)
        found += [KnownCopy(kind=CopyKind.OTHER, place=f"archive/claims/{path}") for path in strange]
        return found

    def _strangers(self, paths: Iterable[str], claim: ClaimId, bag: Path | None) -> list[str]:
        """Those of the paths below a folder of bags that lie neither in the claim's bag nor rightly in another."""
        mine = tuple(f"{path.name}/" for path in _with_traces(bag)) if bag else ()
        return [path for path in paths if not path.startswith(mine) and not self._rightly_there(path, claim)]

    def _refuse_unreachable(self, photos: Sequence[Sha256]) -> None:
        """Raise PurgeRefusedError when the catalog knows of copies at a target that the settings name no more."""
        copies = self._home.catalog.keeping.copies(photos)
        places = {row.place for rows in copies.values() for row in rows}
        lost = sorted(places - set(self._targets) - {filing.ARCHIVE_PLACE})
        if lost:
            raise PurgeRefusedError(
                f"Copies were made to the backup target {lost[0]}, which the settings name no more.",
                f"Name it in {SETTINGS} again, so that they can be removed there too.",
            )

    def record(self, entry: PurgeEntry) -> None:
        """See `PurgeDesk`."""
        if self.recorded(entry.key):
            return
        self._home.custody.append(
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
        catalog, claim = self._home.catalog, tombstone.claim
        with catalog.together():
            mine = {record.sha256 for record in catalog.photos.of_claim(claim)} | set(tombstone.photos)
            shared = {sha for sha in mine if any(other != claim for other in self.also_in(sha))}
            catalog.keeping.forget(claim)
            catalog.photos.forget(sorted(mine - shared))
            catalog.claims.forget(claim)

    def _rightly_there(self, path: str, claim: ClaimId) -> bool:
        """True for a file in another claim's bag, or the tray's, at a target: that claim keeps the photo too."""
        bag_names = {
            filing.bag_place(self._home, one).name
            for one in self._home.catalog.keeping.bags()
            if one != claim
        }
        return path.partition("/")[0] in bag_names

    def _known_keys(self) -> set[str]:
        if self._keys is None:
            entries = self._home.custody.entries()
            self._keys = {str(entry.details["key"]) for entry in entries if "key" in entry.details}
        return self._keys

    def _named(self, path: Path) -> str:
        return f"archive/{path.relative_to(self._home.root).as_posix()}"

    def _by_digest(self, kind: CopyKind, path: Path, sha: Sha256) -> KnownCopy:
        return KnownCopy(kind=kind, place=self._named(path), sha256=sha, by_digest=True)


def _with_traces(bag: Path) -> tuple[Path, ...]:
    """A bag's folder, and the hidden ones that a broken-off build or removal may leave beside it."""
    return (bag, swap.next_of(bag), swap.old_of(bag), swap.gone_of(bag))
