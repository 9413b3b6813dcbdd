"""A plan as canonical JSON (RFC 8785), whose SHA-256 identifies it: a changed plan has another digest.

The plan names claims, counts and people, and the digest of a details file for each claim. That file lists the copies,
and what names people; it goes with the claim, and the plan stays valid. Plans of older programs are read, not written.
"""

from __future__ import annotations

import hashlib
import json
import secrets
from collections.abc import Mapping
from dataclasses import asdict, replace
from datetime import date
from pathlib import PurePosixPath
from typing import Any

import rfc8785

from evidence.model import ClaimId, Sha256
from evidence.retention.purge import addresses
from evidence.retention.purge.addresses import (
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
from evidence.retention.purge.plans import Plan, PlanFormat, PlannedClaim, manifest_digest
from evidence.retention.purge.stored import read_time, stamp


def sealed(planned: PlannedClaim) -> PlannedClaim:
    """The claim with a salt, its counts and the digests of its manifest and its details."""
    whole = replace(
        planned,
        salt=secrets.token_hex(16),
        files=len(set(planned.photos)),
        places=place_lines(planned.copies),
        manifest=manifest_digest(planned.photos),
    )
    return replace(whole, details=hashlib.sha256(details(whole)).hexdigest())


def details(planned: PlannedClaim) -> bytes:
    """The content of a claim's details file; equal claims give equal bytes."""
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


def with_details(planned: PlannedClaim, data: bytes) -> PlannedClaim:
    """The claim with what its details file lists. Raises ValueError for the file of another claim or plan."""
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


def canonical(plan: Plan) -> bytes:
    """The plan as canonical JSON (RFC 8785); equal plans give equal bytes."""
    if plan.format is PlanFormat.DETAILS:
        return rfc8785.dumps(_as_stored(plan))
    store = addresses.to_stored if plan.format is PlanFormat.ADDRESSES else _to_places
    return rfc8785.dumps(
        {
            "format": plan.format.value,
            "made": stamp(plan.made),
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


def read_plan(data: Mapping[str, Any]) -> Plan:
    """The plan that `canonical` wrote, without details. Raises ValueError, KeyError or TypeError for other data."""
    form = PlanFormat(data["format"])
    if form is PlanFormat.DETAILS:
        return _from_stored(data)
    load = addresses.from_stored if form is PlanFormat.ADDRESSES else _from_places
    return Plan(
        format=form,
        made=read_time(data["made"]),
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


def _as_stored(plan: Plan) -> dict[str, Any]:
    return {
        "format": plan.format.value,
        "made": stamp(plan.made),
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
        made=read_time(data["made"]),
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
