"""Certificate, tombstone and custody entry of a claim of which no copy is left."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import Any

from evidence.model import ClaimId
from evidence.paper.certificate import Person, PurgeCertificate, certificate_text
from evidence.retention.purge.addresses import certificate_line, elsewhere, owed_line, place_lines
from evidence.retention.purge.plan_files import remove_details
from evidence.retention.purge.plans import PlannedClaim, manifest_digest
from evidence.retention.purge.progress import PurgeStep, time_of
from evidence.retention.purge.purge_run import PurgeRun
from evidence.retention.purge.released import keep_released
from evidence.retention.purge.repository import Tombstone
from evidence.retention.purge.stored import write_anew, write_once


@dataclass(frozen=True, slots=True, kw_only=True)
class Purged:
    """A claim of which no copy is left that can be reached, and its certificate."""

    claim: ClaimId
    certificate: Path
    owed: tuple[str, ...] = ()
    """Disks that are away, lost or replaced, and stations that left, which may still hold copies, as text."""
    stations: tuple[str, ...] = ()
    """What other stations are still to remove, as text."""


def conclude(run: PurgeRun, planned: PlannedClaim) -> Purged:
    """Write certificate, tombstone and custody entry; running it again writes nothing new."""
    claim = planned.claim
    cleared = run.progress.at(claim, PurgeStep.CLEARED)
    assert cleared is not None
    text = _certificate(run, planned, cleared)
    by, owed = str(cleared["by"]), [str(one) for one in cleared.get("owed", map(owed_line, planned.owed))]
    certificate = hashlib.sha256(text.encode()).hexdigest()
    manifest = planned.manifest or manifest_digest(planned.photos)
    stations = tuple(str(one) for one in cleared.get("stations", ()))
    run.log(
        f"purged:{run.frozen.digest}:{claim}",
        "purged",
        by,
        claim,
        certificate=certificate,
        photos=str(planned.files or len(planned.photos)),
        manifest=manifest,
        authority=planned.reason,
        planned_by=run.frozen.plan.by,
        approved_by=run.approval.by,
        **({"stations": "; ".join(stations)} if stations else {}),
        **(
            {"owed": "; ".join(owed), "owed_targets": ", ".join(cleared.get("owed_targets", ()))}
            if owed
            else {}
        ),
    )
    run.repository.record_tombstone(
        Tombstone(
            claim=claim,
            purged=time_of(cleared),
            photos=planned.photos,
            private=planned.private,
            plan=run.frozen.digest,
            planned_by=run.frozen.plan.by,
            approved_by=run.approval.by,
            run_by=by,
            authority=planned.reason,
            manifest=manifest,
            certificate=certificate,
            elsewhere=tuple(elsewhere(planned.copies)),
        )
    )
    keep_released(run.frozen.folder, claim, planned.photos)
    remove_details(run.frozen.folder.parent, claim)
    run.progress.note(claim, PurgeStep.DONE, run.repository.now())
    return Purged(claim=claim, certificate=_certificate_path(run, claim), owed=tuple(owed), stations=stations)


def _certificate(run: PurgeRun, planned: PlannedClaim, cleared: Mapping[str, Any]) -> str:
    """The certificate's text, on disk; a certificate that was written before a crash is kept."""
    path = _certificate_path(run, planned.claim)
    if path.exists():
        return path.read_bytes().decode()
    from evidence.paper import certificate_page  # noqa: PLC0415 - slow to import, and only a run needs it

    certificate = _certificate_of(run, planned, cleared)
    text = certificate_text(certificate)
    write_anew(path.with_suffix(".pdf"), certificate_page.certificate_pdf(certificate))
    write_once(path, text.encode())
    return text


def _certificate_of(run: PurgeRun, planned: PlannedClaim, cleared: Mapping[str, Any]) -> PurgeCertificate:
    removed, stays = _removed_places(planned, cleared)
    aside = run.progress.at(planned.claim, PurgeStep.ASIDE)
    return PurgeCertificate(
        claim=planned.claim,
        due_since=planned.since,
        authority=planned.reason,
        plan_digest=run.frozen.digest,
        files=planned.files or len(planned.photos),
        octets=planned.octets,
        manifest=planned.manifest or manifest_digest(planned.photos),
        removed=removed,
        spared=stays,
        owed=list(cleared.get("owed", map(owed_line, planned.owed))),
        stations=list(cleared.get("stations", ())),
        people=_people(run, cleared),
        quarantined=time_of(aside) if aside else None,
        verified=time_of(cleared),
        log_head=run.repository.log_head(),
        tool=_tool(),
    )


def _removed_places(planned: PlannedClaim, cleared: Mapping[str, Any]) -> tuple[list[str], list[str]]:
    """Where copies were removed, and where they stay for other claims."""
    if "removed" in cleared:
        return list(cleared["removed"]), list(cleared["stays"])
    # a run that an older program cleared
    known = {*planned.copies, *planned.spared}
    older = {certificate_line(copy): copy for copy in known}
    spared = {older[line] for line in cleared["spared"] if line in older}
    return list(place_lines(known - spared)), list(place_lines(spared))


def _people(run: PurgeRun, cleared: Mapping[str, Any]) -> list[Person]:
    plan, approval = run.frozen.plan, run.approval
    return [
        Person(action="Planned", name=plan.by, at=plan.made, logged_in=plan.logged_in),
        Person(action="Approved", name=approval.by, at=approval.at, logged_in=approval.logged_in),
        Person(
            action="Deleted and verified",
            name=str(cleared["by"]),
            at=time_of(cleared),
            logged_in=bool(cleared.get("logged_in")),
        ),
    ]


def _certificate_path(run: PurgeRun, claim: ClaimId) -> Path:
    """Named by a digest, because a claim number may hold characters that a file name cannot."""
    return run.frozen.folder / f"certificate-{hashlib.sha256(claim.encode()).hexdigest()[:12]}.txt"


def _tool() -> str:
    name = "photo-evidence-archive"
    try:
        return f"{name} {metadata.version(name)}"
    except metadata.PackageNotFoundError:
        return f"{name} (run from its source)"
