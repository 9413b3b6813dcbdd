"""The frozen plan of a purge, its approval and its progress, as files that a person can read.

`plan.json` holds the plan in the canonical form of RFC 8785, so its SHA-256 names it: any change, and
any other way to write it, is another plan. `approval.json` is bound to that digest. `progress.jsonl`
says how far the run has come; a line is on disk before the deed that depends on it.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime
from enum import StrEnum
from pathlib import Path
from typing import Any

import rfc8785

from evidence.errors import BadInputError, DestinationError, PurgeRefusedError
from evidence.model import ClaimId, Sha256
from evidence.retention.desk import CopyKind, KnownCopy

FORMAT = "purge-plan-1"
PLAN, APPROVAL, PROGRESS = "plan.json", "approval.json", "progress.jsonl"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedClaim:
    """One claim of a plan: on what authority, and all that must go."""

    claim: ClaimId
    since: date
    reason: str
    photos: tuple[Sha256, ...]
    copies: tuple[KnownCopy, ...]
    spared: tuple[KnownCopy, ...]
    """Places that serve another claim with the same photo; they stay."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What shall be purged, frozen."""

    made: datetime
    """Aware, UTC, whole seconds."""
    by: str
    claims: tuple[PlannedClaim, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FrozenPlan:
    """A plan with the digest that names it and the folder it lies in."""

    plan: Plan
    digest: str
    folder: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Approval:
    """A second person's word for one plan and no other."""

    digest: str
    by: str
    at: datetime
    """Aware, UTC, whole seconds."""


def canonical(plan: Plan) -> bytes:
    """The plan's bytes by RFC 8785; equal plans have equal bytes."""
    return rfc8785.dumps(
        {
            "format": FORMAT,
            "made": _stamp(plan.made),
            "by": plan.by,
            "claims": [
                {
                    "claim": c.claim,
                    "since": c.since.isoformat(),
                    "reason": c.reason,
                    "photos": list(c.photos),
                    "copies": [_copy_out(copy) for copy in c.copies],
                    "spared": [_copy_out(copy) for copy in c.spared],
                }
                for c in plan.claims
            ],
        }
    )


def freeze(plan: Plan, shelf: Path) -> FrozenPlan:
    """Write the plan into a folder of its own under `shelf`, named by its time and digest."""
    data = canonical(plan)
    digest = hashlib.sha256(data).hexdigest()
    folder = shelf / f"{plan.made:%Y%m%dT%H%M%SZ}-{digest[:12]}"
    write_once(folder / PLAN, data)
    return FrozenPlan(plan=plan, digest=digest, folder=folder)


def thaw(folder: Path) -> FrozenPlan:
    """Read a plan back. Raises BadInputError where there is none, PurgeRefusedError where it was altered."""
    path = folder / PLAN
    try:
        data = path.read_bytes()
    except OSError as error:
        raise BadInputError(
            f"{folder}: no purge plan to read there ({error.strerror}).",
            "Make one with `evidence purge plan`.",
        ) from None
    try:
        plan = _plan_in(json.loads(data))
        whole = canonical(plan) == data
    except (ValueError, KeyError, TypeError, AttributeError):
        whole = False
    if not whole:
        raise PurgeRefusedError(f"{path}: this is not a plan as it was written.", "Make a new plan.")
    return FrozenPlan(plan=plan, digest=hashlib.sha256(data).hexdigest(), folder=folder)


def write_approval(frozen: FrozenPlan, approval: Approval) -> None:
    """Lay the approval beside its plan."""
    data = {
        "format": "purge-approval-1",
        "plan": approval.digest,
        "by": approval.by,
        "at": _stamp(approval.at),
    }
    write_once(frozen.folder / APPROVAL, rfc8785.dumps(data))


def read_approval(frozen: FrozenPlan) -> Approval | None:
    """The approval beside the plan, or None. Raises PurgeRefusedError for one that is not for this plan."""
    path = frozen.folder / APPROVAL
    if not path.exists():
        return None
    try:
        data = json.loads(path.read_bytes())
        approval = Approval(digest=data["plan"], by=data["by"], at=_time_in(data["at"]))
    except (ValueError, KeyError, TypeError):
        raise PurgeRefusedError(f"{path}: this approval cannot be read.", "Make a new plan.") from None
    if approval.digest != frozen.digest:
        raise PurgeRefusedError(
            f"{path}: this approves another plan.", "Have this plan approved, or make a new one."
        )
    return approval


class Step(StrEnum):
    """A word of the progress file."""

    STARTED = "started"
    """Checked for the last time; from here on copies may be missing."""
    CLEARED = "cleared"
    """Every copy removed, looked for, and not found."""
    DONE = "done"
    """Certificate, tombstone and custody entry stand."""


class Progress:
    """How far the run of a plan has come, line by line; a line broken off by a crash counts as unwritten."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / PROGRESS
        self._lines = self._read()

    def at(self, claim: ClaimId, step: Step) -> Mapping[str, Any] | None:
        """What was noted when the claim reached the step, or None."""
        return next((line for line in self._lines if line["claim"] == claim and line["step"] == step), None)

    def note(self, claim: ClaimId, step: Step, at: datetime, **details: str | list[str]) -> Mapping[str, Any]:
        """Note it, on disk when this returns; a step already noted stays as it was noted first."""
        known = self.at(claim, step)
        if known is not None:
            return known
        line = {**details, "claim": claim, "step": str(step), "at": _stamp(at)}
        with self._path.open("ab") as file:
            if self._torn():
                file.write(b"\n")
            file.write(rfc8785.dumps(line) + b"\n")
            file.flush()
            os.fsync(file.fileno())
        _sync_folder(self._path.parent)
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

    def _torn(self) -> bool:
        data = self._path.read_bytes()
        return bool(data) and not data.endswith(b"\n")


def write_once(path: Path, data: bytes) -> None:
    """Put a whole file in place, on disk when this returns; the same bytes again are no failure.

    Raises DestinationError when it cannot be written or another file has its name.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists():
            if path.read_bytes() == data:
                return
            raise DestinationError(f"{path}: another file has this name.", "Look at it, then move it away.")
        part = path.with_name(path.name + ".part")
        with part.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
        _sync_folder(path.parent)
    except OSError as error:
        raise DestinationError(
            f"{path}: cannot be written ({error.strerror}).", "Make room or rights there."
        ) from error


def _sync_folder(folder: Path) -> None:
    """Make a rename durable where the system lets a folder be synced (POSIX); Windows has no such call."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _stamp(at: datetime) -> str:
    return at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _time_in(text: str) -> datetime:
    return datetime.strptime(text, "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=UTC)


def time_of(line: Mapping[str, Any]) -> datetime:
    """When a line of the progress file was noted, aware, UTC."""
    return _time_in(line["at"])


def _copy_out(copy: KnownCopy) -> dict[str, Any]:
    return {"kind": str(copy.kind), "place": copy.place, "sha256": copy.sha256, "by_digest": copy.by_digest}


def _copies_in(items: Sequence[Mapping[str, Any]]) -> tuple[KnownCopy, ...]:
    return tuple(
        KnownCopy(kind=CopyKind(i["kind"]), place=i["place"], sha256=i["sha256"], by_digest=i["by_digest"])
        for i in items
    )


def _plan_in(data: Mapping[str, Any]) -> Plan:
    return Plan(
        made=_time_in(data["made"]),
        by=data["by"],
        claims=tuple(
            PlannedClaim(
                claim=ClaimId(c["claim"]),
                since=date.fromisoformat(c["since"]),
                reason=c["reason"],
                photos=tuple(Sha256(p) for p in c["photos"]),
                copies=_copies_in(c["copies"]),
                spared=_copies_in(c["spared"]),
            )
            for c in data["claims"]
        ),
    )
