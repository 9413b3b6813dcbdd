"""Reads every bag again, in the archive and at every target, and compares it with its manifests and the catalog."""

from __future__ import annotations

from dataclasses import dataclass, replace

from evidence.archive.bagcheck import BagCheck, check_bag
from evidence.archive.targets import Target
from evidence.errors import EvidenceError
from evidence.filing.backup import open_targets
from evidence.filing.bags import bag_folder
from evidence.filing.copies import place_name, record_check
from evidence.model import ClaimId, Finding
from evidence.progress import Progress, quiet
from evidence.workspace import Workspace


@dataclass(frozen=True, slots=True, kw_only=True)
class VerifyReport:
    """What reading the archive and every target found."""

    checked: int
    bad: tuple[Finding, ...]
    missing: tuple[Finding, ...]


def verify(workspace: Workspace, *, progress: Progress = quiet) -> VerifyReport:
    """Read every bag again, here and at every target, and record the result for each original."""
    checked, bad, missing = 0, [], []
    all_bags = workspace.catalog.keeping.bags()
    places: list[Target | None] = [None, *open_targets(workspace)]
    for target in places:
        name = place_name(target)
        for number, claim in enumerate(all_bags):
            progress(f"Reading back {name}", number, len(all_bags))
            where = f"{name}: {claim or 'unassigned'}"
            try:
                check = _check(workspace, target, claim)
            except EvidenceError as trouble:
                missing.append(Finding(code="unreachable", message=str(trouble), subject=where))
                payload = workspace.catalog.keeping.payload(claim)
                workspace.catalog.keeping.mark_corrupt(name, list(payload), at=workspace.now())
                continue
            checked += check.checked
            bad += [replace(one, subject=f"{where}: {one.subject}") for one in check.bad]
            missing += [
                Finding(code="missing", message=f"{path} is missing.", subject=f"{where}: {path}")
                for path in check.missing
            ]
            record_check(workspace, target, claim, check)
        progress(f"Reading back {name}", len(all_bags), len(all_bags))
    workspace.record("verified", "every bag and target", checked=checked, bad=len(bad), missing=len(missing))
    return VerifyReport(checked=checked, bad=tuple(bad), missing=tuple(missing))


def _check(workspace: Workspace, target: Target | None, claim: ClaimId) -> BagCheck:
    """Check one bag, at a target or in the archive, against the catalog too. Raises EvidenceError."""
    expected = {path: sha for sha, path in workspace.catalog.keeping.payload(claim).items()}
    bag = bag_folder(workspace, claim)
    if target:
        return target.check_bag(bag.name, expected=expected)
    return check_bag(bag, expected=expected)
