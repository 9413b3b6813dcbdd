"""The office's work joined: closing, holds, what is due, and the desk that a purge works on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from evidence import filing
from evidence.archive import bags, swap
from evidence.cards.copying import kept_path
from evidence.cards.durable import discard
from evidence.catalog.claims import ClaimRow
from evidence.errors import BadInputError, PurgeRefusedError
from evidence.home import ArchiveHome
from evidence.model import ClaimId, ClaimState, Sha256
from evidence.retention.desk import CopyKind, KnownCopy, PurgeEntry, Tombstone
from evidence.retention.purge import PurgeReport, approve, make_plan, run_plan
from evidence.retention.rules import RetentionRules, load_rules, with_own
from evidence.retention.schedule import ClaimFacts, Hold, Standing, Turn, TurnKind, standing
from evidence.settings import default_text

# --- closing and holds -------------------------------------------------------------------


def close_claim(home: ArchiveHome, claim: ClaimId, *, on: date) -> None:
    """The claim was closed on this calendar day; its retention period starts. Raises BadInputError when it is."""
    with home.working():
        row = _row(home, claim)
        if row.state is ClaimState.CLOSED:
            raise BadInputError(
                f"Claim {claim} is closed already, on {row.closed_on}.", "Reopen it first if that is wrong."
            )
        if on > home.now().astimezone().date():
            raise BadInputError(
                f"{on} lies in the future.", "Close a claim on the day it was closed, or before today."
            )
        _turn(home, claim, TurnKind.CLOSED, on)
        home.catalog.claims.set_state(claim, ClaimState.CLOSED, closed_on=on)
        home.note("claim_closed", claim, on=on.isoformat())
        filing.file_away(home)


def reopen_claim(home: ArchiveHome, claim: ClaimId, *, on: date) -> None:
    """The claim was reopened; its period starts anew at the next closing. Raises BadInputError when it is open."""
    with home.working():
        if _row(home, claim).state is not ClaimState.CLOSED:
            raise BadInputError(f"Claim {claim} is not closed.", "Only a closed claim can be reopened.")
        _turn(home, claim, TurnKind.REOPENED, on)
        home.catalog.claims.set_state(claim, ClaimState.OPEN)
        home.note("claim_reopened", claim, on=on.isoformat())
        filing.file_away(home)


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
    """What retention needs to know of the claim, as it stands now."""
    row = _row(home, claim)
    turns = home.catalog.claims.decisions(kinds=[kind.value for kind in TurnKind], claim=claim)
    return ClaimFacts(
        claim=claim,
        jurisdiction=row.claim.jurisdiction,
        peril=row.claim.peril,
        history=tuple(Turn(kind=TurnKind(one.kind), on=date.fromisoformat(one.after["on"])) for one in turns),
        holds=tuple(
            Hold(hold=f"hold {one.number}", why=one.reason, by=one.placed_by, placed=one.placed_at)
            for one in home.catalog.claims.holds(claim, active_only=True)
        ),
    )


def standing_of(home: ArchiveHome, *, as_of: date | None = None) -> Standing:
    """Every claim that is not purged: due, held or kept, and why."""
    claims = [row.claim.claim for row in home.catalog.claims.all() if row.state is not ClaimState.PURGED]
    today = as_of or home.now().astimezone().date()
    return standing((facts_of(home, claim) for claim in claims), rules_of(home), today=today)


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
        return run_plan(ArchiveDesk(home), rules_of(home), plan_folder(home, plan), by=home.actor)


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
        found: list[KnownCopy] = []
        row = home.catalog.claims.get(claim)
        if row and row.folder:
            bag = home.bag_of(claim, row.folder)
            # The bag, or what a broken-off build of it left beside it: one removal takes both.
            if any(path.exists() for path in _with_traces(bag)):
                found.append(KnownCopy(kind=CopyKind.BAG, place=self._named(bag)))
            for target in self._targets.values():
                filing.make_ready(
                    home, target
                )  # a target out of reach may hold a copy: then nothing is purged
                if any(path.exists() for path in _with_traces(target.root / bag.name)):
                    found.append(KnownCopy(kind=CopyKind.TARGET, place=f"target {target.name}: {bag.name}"))
                inside = f"{bag.name}/"
                found += [
                    KnownCopy(kind=CopyKind.OTHER, place=f"target {target.name}: {path}")
                    for path in target.holds(photos)
                    if not path.startswith(inside) and not self._rightly_there(path, claim)
                ]
        for sha in photos:
            stored = kept_path(home.store, sha)
            if stored is not None:
                found.append(self._by_digest(CopyKind.INTAKE, stored, sha))
            found += [
                self._by_digest(CopyKind.THUMBNAIL, path, sha)
                for path in sorted((home.thumbs / sha[:2]).glob(f"{sha}*"))
            ]
        return found

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
