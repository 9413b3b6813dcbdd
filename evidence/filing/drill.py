"""Restores a random sample from the backup targets to a temporary folder, checks it, and records the result."""

from __future__ import annotations

import hashlib
import heapq
import secrets
import tempfile
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from evidence.archive.bagcheck import check_bag
from evidence.archive.targets import FolderTarget
from evidence.catalog.originals import Original
from evidence.catalog.read_backs import KeptCopy
from evidence.disk.durable import free_bytes
from evidence.errors import BadInputError, BagError, DestinationError, EvidenceError
from evidence.filing.backup import open_targets
from evidence.filing.bags import bag_folder
from evidence.filing.copies import verified_copies
from evidence.model import PICTURE_KINDS, ClaimId, Finding, PhotoRecord, Sha256
from evidence.progress import Progress, quiet
from evidence.sight.batch import LookProcess
from evidence.sight.request import LookOptions, LookRequest
from evidence.workspace import Workspace

USUAL_PHOTOS = 20
"""Files that a drill restores from each target. Of a target that lost one file in ten, it finds that with 88 % (0.9^20)."""
DOES_NOT_OPEN = frozenset(
    {
        "unreadable",
        "undecodable",
        "truncated",
        "decompression_bomb",
        "no_preview",
        "look_failed",
        "look_crashed",
        "look_timed_out",
    }
)
"""Flags of a look that say that a picture does not open, or not whole. A picture above the memory limit is not opened."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """What is restored from each target: so many files, or so many whole claims."""

    photos: int = USUAL_PHOTOS
    claims: int | None = None
    seed: int
    """Chooses the sample: the items with the lowest SHA-256 of the seed, a blank and their digest or claim."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetDrill:
    """What was restored from one target."""

    target: str
    files: int
    """Originals restored and checked, the failed ones included."""
    octets: int
    claims: tuple[ClaimId, ...]
    """Whole claims restored; empty for a sample of files."""
    failures: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillReport:
    """What a drill found."""

    seed: int
    targets: tuple[TargetDrill, ...]

    @property
    def failed(self) -> bool:
        """True when something could not be restored."""
        return any(one.failures for one in self.targets)


def new_seed() -> int:
    """A seed that nobody can foresee."""
    return secrets.randbelow(10**9)


def drill(
    workspace: Workspace, sample: Sample, *, target: str | None = None, progress: Progress = quiet
) -> DrillReport:
    """Restore a sample from every target, or from the named one, and check it.

    Each file must match the catalog and the target's manifest, and a picture must open. The folder is
    deleted at the end. Raises BadInputError (no such target), DestinationError (the temporary folder).
    """
    targets = [one for one in open_targets(workspace) if target in {None, one.name}]
    if not targets:
        raise BadInputError(
            f"There is no backup target {target}." if target else "No backup target is named.",
            "`evidence target list` shows them; `evidence target add` adds one.",
        )
    done = []
    for one in targets:
        with tempfile.TemporaryDirectory(prefix="evidence-drill-") as folder:
            result = _drill_target(workspace, one, sample, Path(folder), progress)
        done.append(result)
        workspace.record(
            "drill",
            one.name,
            seed=sample.seed,
            files=result.files,
            claims=list(result.claims),
            failed=len(result.failures),
        )
    return DrillReport(seed=sample.seed, targets=tuple(done))


def _drill_target(
    workspace: Workspace, target: FolderTarget, sample: Sample, folder: Path, progress: Progress
) -> TargetDrill:
    try:
        target.names()
    except EvidenceError as trouble:
        return _nothing(target, Finding(code="unreachable", message=str(trouble), subject=target.name))
    chosen = _chosen(workspace, target, sample)
    if not chosen:
        message = "No copy is recorded there. Run `evidence backup` first."
        return _nothing(target, Finding(code="no_copies", message=message, subject=target.name))
    _require_space(folder, sum(one.size for one in chosen))
    claims = tuple(sorted({one.claim for one in chosen})) if sample.claims is not None else ()
    what = f"Restoring from {target.name}"
    failures: list[Finding] = []
    places: dict[Sha256, Path] = {}
    if claims:
        for number, claim in enumerate(claims):
            progress(what, number, len(claims))
            held = [one for one in chosen if one.claim == claim]
            restored, found = _restore_claim(workspace, target, claim, held, folder / str(number))
            places |= restored
            failures += found
        progress(what, len(claims), len(claims))
    else:
        for number, copy in enumerate(chosen):
            progress(what, number, len(chosen))
            dest = folder / f"{number}{Path(copy.path).suffix}"
            try:
                _restore_file(workspace, target, copy, dest)
                places[copy.sha256] = dest
            except BagError as trouble:
                failures.append(_failure(target, copy, "not_restored", str(trouble)))
        progress(what, len(chosen), len(chosen))
    _record_copies(workspace, target, chosen, places)
    failures += _pictures_that_do_not_open(workspace, target, chosen, places)
    return TargetDrill(
        target=target.name,
        files=len(chosen),
        octets=sum(one.size for one in chosen),
        claims=claims,
        failures=tuple(failures),
    )


def _nothing(target: FolderTarget, why: Finding) -> TargetDrill:
    return TargetDrill(target=target.name, files=0, octets=0, claims=(), failures=(why,))


def _failure(target: FolderTarget, copy: KeptCopy, code: str, message: str) -> Finding:
    return Finding(
        code=code, message=message, subject=f"{target.name}: {copy.claim or 'unassigned'}: {copy.path}"
    )


# --- the sample --------------------------------------------------------------------------


def _chosen(workspace: Workspace, target: FolderTarget, sample: Sample) -> list[KeptCopy]:
    read_backs = workspace.catalog.read_backs
    rank = _ranked_by(sample.seed)
    if sample.claims is None:
        copies = read_backs.recorded(target.name)
        return heapq.nsmallest(sample.photos, copies, key=lambda one: rank(one.sha256))
    claims = heapq.nsmallest(sample.claims, read_backs.recorded_claims(target.name), key=rank)
    return [one for claim in claims for one in read_backs.recorded(target.name, claim)]


def _ranked_by(seed: int) -> Callable[[str], bytes]:
    return lambda name: hashlib.sha256(f"{seed} {name}".encode()).digest()


def _require_space(folder: Path, octets: int) -> None:
    free = free_bytes(folder)
    if octets > free:
        raise DestinationError(
            f"The temporary folder has {free >> 20} MiB free; the sample needs {octets >> 20} MiB.",
            "Ask for fewer files, or set TMPDIR to a folder with more space.",
        )


# --- restoring ---------------------------------------------------------------------------


def _restore_file(workspace: Workspace, target: FolderTarget, copy: KeptCopy, dest: Path) -> None:
    """Copy one file from the target; raises BagError unless manifest, bytes and catalog agree."""
    name = bag_folder(workspace, copy.claim).name
    if target.listed(name).get(copy.path) != copy.sha256:
        raise BagError(
            f"The manifest of {name} does not list this file with the digest of the catalog.",
            "Run `evidence verify`.",
        )
    target.fetch_file(name, copy.path, dest, copy.sha256)


def _restore_claim(
    workspace: Workspace, target: FolderTarget, claim: ClaimId, held: Sequence[KeptCopy], folder: Path
) -> tuple[dict[Sha256, Path], list[Finding]]:
    """Restore a whole bag and check it; where it cannot be restored whole, file by file."""
    where = f"{target.name}: {claim or 'unassigned'}"
    bag = folder / "bag"
    name = bag_folder(workspace, claim).name
    try:
        target.fetch_bag(name, bag)
    except BagError as trouble:
        failures = [Finding(code="not_restored", message=str(trouble), subject=where)]
        single: dict[Sha256, Path] = {}
        for number, copy in enumerate(held):
            try:
                dest = folder / f"{number}{Path(copy.path).suffix}"
                _restore_file(workspace, target, copy, dest)
                single[copy.sha256] = dest
            except BagError as why:
                failures.append(_failure(target, copy, "not_restored", str(why)))
        return single, failures
    expected = {path: sha for sha, path in workspace.catalog.keeping.payload(claim).items()}
    check = check_bag(bag, expected=expected)
    failures = [
        *(
            Finding(code=one.code, message=one.message, subject=f"{where}: {one.subject}")
            for one in check.bad
        ),
        *(
            Finding(code="missing", message=f"{path} is missing.", subject=f"{where}: {path}")
            for path in check.missing
        ),
    ]
    good = {one.sha256: bag / "data" / one.path for one in held if f"data/{one.path}" in check.verified}
    return good, failures


def _record_copies(
    workspace: Workspace, target: FolderTarget, chosen: Sequence[KeptCopy], places: dict[Sha256, Path]
) -> None:
    """A drill reads copies back, so it counts as reading them back."""
    keeping = workspace.catalog.keeping
    with workspace.catalog.transaction():
        for copy in chosen:
            if keeping.held_in([copy.sha256]).get(copy.sha256, []).count((copy.claim, copy.path)) == 0:
                continue  # moved or purged meanwhile
            if copy.sha256 in places:
                keeping.put_copies(verified_copies(workspace, target, copy.claim, [copy.sha256]))
            else:
                keeping.mark_corrupt(target.name, [copy.sha256], at=workspace.now())


def _pictures_that_do_not_open(
    workspace: Workspace, target: FolderTarget, chosen: Sequence[KeptCopy], places: dict[Sha256, Path]
) -> list[Finding]:
    """Restored pictures that do not open, or not whole, and that did at the intake."""
    photos = workspace.catalog.photos
    digests = list(places)
    originals = photos.originals(digests)
    records = {one.sha256: one for one in photos.records(digests)}
    failures = []
    with closing(LookProcess(timeout_s=workspace.settings.intake.look_timeout_s)) as process:
        for copy in chosen:
            place, original = places.get(copy.sha256), originals.get(copy.sha256)
            if place is None or original is None:
                continue
            if original.kind not in PICTURE_KINDS or not original.described:
                continue
            known = _flags(records.get(copy.sha256))
            found = process.look(_opening(workspace, place, original))
            failures += [
                _failure(target, copy, flag.code, flag.message)
                for flag in found.flags
                if flag.code in DOES_NOT_OPEN and flag.code not in known
            ][:1]
    return failures


def _opening(workspace: Workspace, place: Path, original: Original) -> LookRequest:
    """A request that decodes the picture, within the memory that a picture may take."""
    return LookRequest(
        path=place,
        sha256=original.sha256,
        kind=original.kind,
        options=LookOptions(
            read_writing=False, scene_kinds=False, memory_mb=workspace.settings.intake.picture_memory_mb
        ),
    )


def _flags(record: PhotoRecord | None) -> set[str]:
    return {one.code for one in record.flags} if record else set()
