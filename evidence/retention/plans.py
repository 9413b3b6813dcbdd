"""The frozen plan of a purge, its approval and its progress, as files that a person can read.

`plan.json` holds the plan as canonical JSON (RFC 8785), and its SHA-256 identifies it: a plan that was changed or
written in another way has another digest. It names claims, counts and people, and the digest of a details file for
each claim. That file lists the copies, and what names people; it goes with the claim, and the plan stays valid.
`approval.json` names the digest of the plan that it approves. `progress.jsonl` says how far the run has come; each
line is on disk before the step that depends on it.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from datetime import UTC, date, datetime
from enum import StrEnum
from pathlib import Path, PurePosixPath
from typing import Any

import rfc8785

from evidence.disk.durable import make_folder, replace_file, sync_folder
from evidence.disk.faults import writing
from evidence.errors import BadInputError, DestinationError, PurgeRefusedError
from evidence.model import ClaimId, Sha256
from evidence.retention import addresses
from evidence.retention.addresses import (
    ArchiveBag,
    CopyAddress,
    IntakeObject,
    OwedCopies,
    Stray,
    TargetBag,
    Thumbnail,
    place_lines,
    place_text,
    shared_photo,
)

PLAN, APPROVAL, PROGRESS = "plan.json", "approval.json", "progress.jsonl"


class PlanFormat(StrEnum):
    """How a plan file writes the addresses of copies."""

    PLACES = "purge-plan-1"
    """As display text, in plans of older programs. They are read; none is written."""
    ADDRESSES = "purge-plan-2"
    """As typed addresses, in the plan itself. They are read; none is written."""
    DETAILS = "purge-plan-3"
    """As typed addresses, in a details file for each claim."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedClaim:
    """One claim of a plan: on what authority it is purged, and everything to delete."""

    claim: ClaimId
    since: date
    reason: str
    photos: tuple[Sha256, ...]
    copies: tuple[CopyAddress, ...]
    spared: tuple[CopyAddress, ...]
    """Copies that stay because another claim holds the same photo."""
    owed: tuple[OwedCopies, ...] = ()
    """Disks that are away, lost or replaced and may hold copies; the purge cannot reach them."""
    insured: str = ""
    taken: tuple[str, ...] = ()
    """First and last day of the photos, ISO 8601; empty when none is known."""
    private: tuple[str, ...] = ()
    """Names and addresses to remove wherever free text holds them."""
    salt: str = ""
    """Random, so that nobody can test a guess of the details against their digest. Empty once they are gone."""
    files: int = 0
    octets: int = 0
    """Bytes of the files, once each."""
    places: tuple[str, ...] = ()
    """Where the copies are, without names and digests."""
    manifest: str = ""
    """One digest over the files' digests; see `manifest_digest`."""
    details: str = ""
    """SHA-256 of the details file."""

    @property
    def thinned(self) -> bool:
        """True when the details are gone, after the purge."""
        return bool(self.details) and not self.salt


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What is to be purged."""

    made: datetime
    """Aware, UTC, whole seconds."""
    by: str
    claims: tuple[PlannedClaim, ...]
    format: PlanFormat = PlanFormat.DETAILS
    logged_in: bool = False
    """True when the planner logged in as a registered person; False when the name was only given."""
    rules: str = ""
    """Digest of the retention rules."""
    quarantine_days: int = 0
    """How long copies stay in quarantine before they are deleted."""
    approval_days: int = 0
    """How long an approval holds; 0 for no end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FrozenPlan:
    """A plan with its digest and the folder that holds its files."""

    plan: Plan
    digest: str
    folder: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Approval:
    """A second person's approval of one plan."""

    digest: str
    """Of the plan."""
    by: str
    at: datetime
    """Aware, UTC, whole seconds."""
    logged_in: bool = False


def manifest_digest(photos: Iterable[Sha256]) -> str:
    """SHA-256 over the files' digests: sorted, each once, each followed by a line feed."""
    return hashlib.sha256("".join(f"{sha}\n" for sha in sorted(set(photos))).encode()).hexdigest()


def sealed(planned: PlannedClaim) -> PlannedClaim:
    """The claim with a salt, its counts and the digests of its manifest and its details."""
    whole = replace(
        planned,
        salt=secrets.token_hex(16),
        files=len(set(planned.photos)),
        places=place_lines(planned.copies),
        manifest=manifest_digest(planned.photos),
    )
    return replace(whole, details=hashlib.sha256(_details(whole)).hexdigest())


def _details(planned: PlannedClaim) -> bytes:
    data: dict[str, Any] = {
        "format": "purge-details-1",
        "salt": planned.salt,
        "claim": planned.claim,
        "insured": planned.insured,
        "taken": list(planned.taken),
        "private": list(planned.private),
        "photos": list(planned.photos),
        "copies": [addresses.to_stored(copy) for copy in planned.copies],
        "spared": [addresses.to_stored(copy) for copy in planned.spared],
    }
    return rfc8785.dumps(data)


def details_path(folder: Path, claim: ClaimId) -> Path:
    """The details file of a claim; its name holds no claim number, which a file name may not allow."""
    return folder / f"details-{hashlib.sha256(claim.encode()).hexdigest()[:12]}.json"


def _with_details(planned: PlannedClaim, folder: Path) -> PlannedClaim:
    """The claim with what its details file lists; without the file, as it is. Raises ValueError for another file."""
    try:
        data = details_path(folder, planned.claim).read_bytes()
    except FileNotFoundError:
        return planned
    if hashlib.sha256(data).hexdigest() != planned.details:
        raise ValueError("the details are not those of the plan")
    value = json.loads(data)
    return replace(
        planned,
        salt=value["salt"],
        insured=value["insured"],
        taken=tuple(value["taken"]),
        private=tuple(value["private"]),
        photos=tuple(Sha256(sha) for sha in value["photos"]),
        copies=tuple(addresses.from_stored(one) for one in value["copies"]),
        spared=tuple(addresses.from_stored(one) for one in value["spared"]),
    )


def remove_details(folder: Path, claim: ClaimId) -> None:
    """Remove a claim's details file for good. Raises DestinationError."""
    path = details_path(folder, claim)
    with writing(path):
        path.unlink(missing_ok=True)
        sync_folder(folder)


def _released_path(folder: Path, claim: ClaimId) -> Path:
    return folder / f"released-{hashlib.sha256(claim.encode()).hexdigest()[:12]}.json"


def keep_released(folder: Path, claim: ClaimId, photos: Iterable[Sha256]) -> None:
    """Keep salted digests of the purged files for good, so that a backup may remove late copies of them.

    A target that is put back to before the purge holds them again, maybe in another claim's bag, years later.
    """
    digests = sorted(set(photos))
    if digests and not _released_path(folder, claim).exists():
        salt = secrets.token_hex(16)
        data = {"salt": salt, "digests": sorted(_salted(salt, sha) for sha in digests)}
        with writing(folder):
            replace_file(_released_path(folder, claim), rfc8785.dumps(data))
            sync_folder(folder)


class ReleasedFiles:
    """Tells of a digest whether its file was purged."""

    def __init__(self, plans_folder: Path) -> None:
        self._lists: list[tuple[str, frozenset[str]]] = []
        for path in sorted(plans_folder.glob("*/released-*.json")):
            with suppress(OSError, ValueError, KeyError, TypeError):
                data = json.loads(path.read_bytes())
                self._lists.append((str(data["salt"]), frozenset(data["digests"])))

    def __contains__(self, sha: Sha256) -> bool:
        return any(_salted(salt, sha) in digests for salt, digests in self._lists)


def _salted(salt: str, sha: Sha256) -> str:
    return hashlib.sha256(bytes.fromhex(salt) + bytes.fromhex(sha)).hexdigest()


def retire_older_plan(frozen: FrozenPlan) -> None:
    """Remove the plan file of an older program, which names files and bags, once all its claims are purged."""
    if frozen.plan.format is not PlanFormat.DETAILS:
        with writing(frozen.folder):
            (frozen.folder / PLAN).unlink(missing_ok=True)
            sync_folder(frozen.folder)


def canonical(plan: Plan) -> bytes:
    """The plan as canonical JSON (RFC 8785); equal plans give equal bytes."""
    if plan.format is PlanFormat.DETAILS:
        return rfc8785.dumps(_as_stored(plan))
    store = addresses.to_stored if plan.format is PlanFormat.ADDRESSES else _to_places
    return rfc8785.dumps(
        {
            "format": plan.format.value,
            "made": _stamp(plan.made),
            "by": plan.by,
            **({"rules": plan.rules} if plan.rules else {}),
            "claims": [
                {
                    "claim": c.claim,
                    "since": c.since.isoformat(),
                    "reason": c.reason,
                    "photos": list(c.photos),
                    "copies": [store(copy) for copy in c.copies],
                    "spared": [store(copy) for copy in c.spared],
                    **({"owed": [asdict(one) for one in c.owed]} if c.owed else {}),
                }
                for c in plan.claims
            ],
        }
    )


def _as_stored(plan: Plan) -> dict[str, Any]:
    return {
        "format": plan.format.value,
        "made": _stamp(plan.made),
        "by": plan.by,
        "logged_in": plan.logged_in,
        "rules": plan.rules,
        "quarantine_days": plan.quarantine_days,
        "approval_days": plan.approval_days,
        "claims": [
            {
                "claim": one.claim,
                "since": one.since.isoformat(),
                "reason": one.reason,
                "files": one.files,
                "octets": one.octets,
                "places": list(one.places),
                "manifest": one.manifest,
                "details": one.details,
                "owed": [asdict(each) for each in one.owed],
            }
            for one in plan.claims
        ],
    }


def _from_stored(data: Mapping[str, Any]) -> Plan:
    return Plan(
        made=_read_time(data["made"]),
        by=data["by"],
        logged_in=data["logged_in"],
        rules=data["rules"],
        quarantine_days=data["quarantine_days"],
        approval_days=data["approval_days"],
        claims=tuple(
            PlannedClaim(
                claim=ClaimId(one["claim"]),
                since=date.fromisoformat(one["since"]),
                reason=one["reason"],
                photos=(),
                copies=(),
                spared=(),
                owed=tuple(OwedCopies(**each) for each in one["owed"]),
                files=one["files"],
                octets=one["octets"],
                places=tuple(one["places"]),
                manifest=one["manifest"],
                details=one["details"],
            )
            for one in data["claims"]
        ),
    )


def freeze(plan: Plan, plans_folder: Path) -> FrozenPlan:
    """Write the plan into its own folder below `plans_folder`, named by its time and digest."""
    plan = replace(plan, claims=tuple(map(sealed, plan.claims)))
    data = canonical(plan)
    digest = hashlib.sha256(data).hexdigest()
    folder = plans_folder / f"{plan.made:%Y%m%dT%H%M%SZ}-{digest[:12]}"
    for planned in plan.claims:
        write_once(details_path(folder, planned.claim), _details(planned))
    write_once(folder / PLAN, data)
    return FrozenPlan(plan=plan, digest=digest, folder=folder)


def load_plan(folder: Path) -> FrozenPlan:
    """Read a plan. Raises BadInputError when there is none, PurgeRefusedError when its file was altered."""
    path = folder / PLAN
    try:
        data = path.read_bytes()
    except OSError as error:
        raise BadInputError(
            f"{folder}: no purge plan can be read there ({error.strerror}).",
            "Make one with `evidence purge plan`.",
        ) from None
    try:
        plan = _read_plan(json.loads(data))
        intact = canonical(plan) == data
        if plan.format is PlanFormat.DETAILS:
            plan = replace(plan, claims=tuple(_with_details(one, folder) for one in plan.claims))
    except (ValueError, KeyError, TypeError, AttributeError):
        intact = False
    if not intact:
        raise PurgeRefusedError(f"{path}: this plan file was altered or is damaged.", "Make a new plan.")
    return FrozenPlan(plan=plan, digest=hashlib.sha256(data).hexdigest(), folder=folder)


def write_approval(frozen: FrozenPlan, approval: Approval) -> None:
    """Write the approval beside its plan."""
    data: dict[str, Any] = {
        "format": "purge-approval-1",
        "plan": approval.digest,
        "by": approval.by,
        "at": _stamp(approval.at),
        "logged_in": approval.logged_in,
    }
    write_once(frozen.folder / APPROVAL, rfc8785.dumps(data))


def read_approval(frozen: FrozenPlan) -> Approval | None:
    """The approval beside the plan, or None. Raises PurgeRefusedError when it is for another plan or damaged."""
    path = frozen.folder / APPROVAL
    if not path.exists():
        return None
    try:
        data = json.loads(path.read_bytes())
        approval = Approval(
            digest=data["plan"],
            by=data["by"],
            at=_read_time(data["at"]),
            logged_in=bool(data.get("logged_in", False)),
        )
    except (ValueError, KeyError, TypeError):
        raise PurgeRefusedError(f"{path}: this approval cannot be read.", "Make a new plan.") from None
    if approval.digest != frozen.digest:
        raise PurgeRefusedError(
            f"{path}: this approves another plan.", "Have this plan approved, or make a new one."
        )
    return approval


class PurgeStep(StrEnum):
    """How far the purge of one claim has come."""

    STARTED = "started"
    """The last check passed; from here on copies may be missing."""
    ASIDE = "aside"
    """Every copy is in quarantine; until the line's day the purge can be taken back."""
    REMOVING = "removing"
    """Copies in quarantine are being deleted; the purge can no longer be taken back."""
    UNDOING = "undoing"
    """The purge is being taken back."""
    UNDONE = "undone"
    """Everything is where it was; the claim needs a new plan."""
    CLEARED = "cleared"
    """Every copy was removed, and a new search found none."""
    DONE = "done"
    """Certificate, tombstone and custody entry are written."""


class Progress:
    """How far the run of a plan has come, line by line; a line that a crash cut short does not count."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / PROGRESS
        self._lines = self._read()

    def at(self, claim: ClaimId, step: PurgeStep) -> Mapping[str, Any] | None:
        """The line written when the claim reached the step, or None."""
        return next((line for line in self._lines if line["claim"] == claim and line["step"] == step), None)

    def is_quarantine(self, claim: ClaimId) -> bool:
        """True when the claim's copies were first moved into quarantine."""
        started = self.at(claim, PurgeStep.STARTED)
        return started is not None and started.get("quarantine") == "yes"

    def note(
        self, claim: ClaimId, step: PurgeStep, at: datetime, **details: str | list[str]
    ) -> Mapping[str, Any]:
        """Write the step's line, on disk when this returns; a step that has its line already keeps that one."""
        known = self.at(claim, step)
        if known is not None:
            return known
        line = {**details, "claim": claim, "step": str(step), "at": _stamp(at)}
        with self._path.open("ab") as file:
            if self._is_cut_short():
                file.write(b"\n")
            file.write(rfc8785.dumps(line) + b"\n")
            file.flush()
            os.fsync(file.fileno())
        sync_folder(self._path.parent)
        self._lines.append(line)
        return line

    def _read(self) -> list[dict[str, Any]]:
        lines: list[dict[str, Any]] = []
        with suppress(FileNotFoundError):
            for raw in self._path.read_bytes().split(b"\n"):
                with suppress(ValueError):
                    line = json.loads(raw)
                    if isinstance(line, dict) and {"claim", "step", "at"} <= line.keys():
                        lines.append(line)
        return lines

    def _is_cut_short(self) -> bool:
        data = self._path.read_bytes()
        return bool(data) and not data.endswith(b"\n")


def write_anew(path: Path, data: bytes) -> None:
    """Write a file, replacing one that a killed run left; on disk when this returns. Raises DestinationError."""
    with writing(path):
        replace_file(path, data)
        sync_folder(path.parent)


def write_once(path: Path, data: bytes) -> None:
    """Write a new file, whole or not at all, on disk when this returns; writing the same bytes again is no failure.

    Raises DestinationError when it cannot be written or another file has its name.
    """
    try:
        make_folder(path.parent)
        if path.exists():
            if path.read_bytes() == data:
                return
            raise DestinationError(
                f"{path}: another file has this name.", "Check that file and move it away."
            )
        replace_file(path, data)
        sync_folder(path.parent)
    except OSError as error:
        raise DestinationError(
            f"{path}: cannot be written ({error.strerror}).",
            "Free some space, or give this user the right to write.",
        ) from error


def _stamp(at: datetime) -> str:
    return at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _read_time(text: str) -> datetime:
    return datetime.strptime(text, "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=UTC)


def time_of(line: Mapping[str, Any]) -> datetime:
    """When a line of the progress file was written, aware, UTC."""
    return _read_time(line["at"])


def _read_plan(data: Mapping[str, Any]) -> Plan:
    form = PlanFormat(data["format"])
    if form is PlanFormat.DETAILS:
        return _from_stored(data)
    load = addresses.from_stored if form is PlanFormat.ADDRESSES else _from_places
    return Plan(
        format=form,
        made=_read_time(data["made"]),
        by=data["by"],
        rules=data.get("rules", ""),
        claims=tuple(
            PlannedClaim(
                claim=ClaimId(c["claim"]),
                since=date.fromisoformat(c["since"]),
                reason=c["reason"],
                photos=tuple(Sha256(p) for p in c["photos"]),
                copies=tuple(load(copy) for copy in c["copies"]),
                spared=tuple(load(copy) for copy in c["spared"]),
                owed=tuple(OwedCopies(**one) for one in c.get("owed", ())),
            )
            for c in data["claims"]
        ),
    )


# --- plans of older programs -------------------------------------------------------------

_BAGS, _TARGET = "archive/claims/", "target "


def _to_places(copy: CopyAddress) -> dict[str, Any]:
    """The address as `purge-plan-1` writes it."""
    photo = shared_photo(copy)
    return {"kind": copy.kind, "place": place_text(copy), "sha256": photo, "by_digest": photo is not None}


def _from_places(data: Mapping[str, Any]) -> CopyAddress:
    """The address that `purge-plan-1` wrote as text. Raises ValueError for any other text.

    It is only compared with the copies that a run finds: what the run deletes is what it finds.
    """
    kind, place, sha256 = data["kind"], data["place"], data["sha256"]
    match kind:
        case IntakeObject.kind:
            return IntakeObject(sha256=sha256, name=PurePosixPath(place).name)
        case Thumbnail.kind:
            return Thumbnail(sha256=sha256, name=PurePosixPath(place).name)
        case ArchiveBag.kind:
            return ArchiveBag(bag=_after(_BAGS, place))
        case TargetBag.kind:
            target, bag = _after(_TARGET, place).split(": ", 1)  # no target's name has a colon
            return TargetBag(target=target, bag=bag)
        case Stray.kind if place.startswith(_BAGS):
            return Stray(path=_after(_BAGS, place))
        case Stray.kind:
            target, path = _after(_TARGET, place).split(": ", 1)
            return Stray(path=path, target=target)
    raise ValueError(f"unknown kind of copy {kind!r}")


def _after(prefix: str, text: str) -> str:
    if not text.startswith(prefix):
        raise ValueError(f"{text!r} does not begin with {prefix!r}")
    return text.removeprefix(prefix)
