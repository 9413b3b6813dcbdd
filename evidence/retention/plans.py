"""The frozen plan of a purge, its approval and its progress, as files that a person can read.

`plan.json` holds the plan as canonical JSON (RFC 8785), and its SHA-256 identifies it: a plan that was changed or
written in another way has another digest. `approval.json` names the digest of the plan that it approves.
`progress.jsonl` says how far the run has come; each line is on disk before the step that depends on it.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime
from enum import StrEnum
from pathlib import Path, PurePosixPath
from typing import Any

import rfc8785

from evidence.disk.durable import make_folder, replace_file, sync_folder
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
    place_text,
    shared_photo,
)

PLAN, APPROVAL, PROGRESS = "plan.json", "approval.json", "progress.jsonl"


class PlanFormat(StrEnum):
    """How a plan file writes the addresses of copies."""

    PLACES = "purge-plan-1"
    """As display text, in plans of older programs. They are read; none is written."""
    ADDRESSES = "purge-plan-2"
    """As typed addresses."""


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
    """Lost or replaced disks that may hold copies; the purge cannot reach them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What is to be purged."""

    made: datetime
    """Aware, UTC, whole seconds."""
    by: str
    claims: tuple[PlannedClaim, ...]
    rules: str = ""
    """Digest of the retention rules by which it was made; empty in plans of older programs."""
    format: PlanFormat = PlanFormat.ADDRESSES


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


def canonical(plan: Plan) -> bytes:
    """The plan as canonical JSON (RFC 8785); equal plans give equal bytes."""
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


def freeze(plan: Plan, plans_folder: Path) -> FrozenPlan:
    """Write the plan into its own folder below `plans_folder`, named by its time and digest."""
    data = canonical(plan)
    digest = hashlib.sha256(data).hexdigest()
    folder = plans_folder / f"{plan.made:%Y%m%dT%H%M%SZ}-{digest[:12]}"
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
    except (ValueError, KeyError, TypeError, AttributeError):
        intact = False
    if not intact:
        raise PurgeRefusedError(f"{path}: this plan file was altered or is damaged.", "Make a new plan.")
    return FrozenPlan(plan=plan, digest=hashlib.sha256(data).hexdigest(), folder=folder)


def write_approval(frozen: FrozenPlan, approval: Approval) -> None:
    """Write the approval beside its plan."""
    data = {
        "format": "purge-approval-1",
        "plan": approval.digest,
        "by": approval.by,
        "at": _stamp(approval.at),
    }
    write_once(frozen.folder / APPROVAL, rfc8785.dumps(data))


def read_approval(frozen: FrozenPlan) -> Approval | None:
    """The approval beside the plan, or None. Raises PurgeRefusedError when it is for another plan or damaged."""
    path = frozen.folder / APPROVAL
    if not path.exists():
        return None
    try:
        data = json.loads(path.read_bytes())
        approval = Approval(digest=data["plan"], by=data["by"], at=_read_time(data["at"]))
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
