"""Replaces bad and missing files here and at the backup targets, from copies that still match.

A source is another bag, the intake area, another place, or a card. It is hashed while it is copied, and the copy is
read back from the disk, so nothing is ever repaired from a file that does not match. The bad bytes are moved to the
folder `damaged` of their place.
"""

from __future__ import annotations

import contextlib
import secrets
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from evidence.archive.bagcheck import check_bag
from evidence.archive.bagread import DATA, SHA256_MANIFEST, parse_manifest, read_tags
from evidence.archive.custody_texts import FOLDER as TEXTS
from evidence.archive.exchange import locked
from evidence.archive.names import SIDECAR
from evidence.archive.targets import FolderTarget
from evidence.cards.reading import open_on_card
from evidence.cards.volumes import mounted_cards, open_source
from evidence.disk.copying import copy_file
from evidence.disk.durable import (
    discard,
    make_folder,
    publish,
    replace_file,
    sweep_folder,
    sync_folder,
    write_part,
)
from evidence.disk.faults import writing
from evidence.disk.hashing import hash_file
from evidence.errors import (
    ArchiveOlderError,
    BagError,
    CardReadError,
    CopyMismatchError,
    CustodyError,
    EvidenceError,
)
from evidence.filing.archive_files import require_newer_log
from evidence.filing.backup import make_ready, open_targets, push_log, push_released
from evidence.filing.bags import file_away, recover_bags, tags_from_catalog
from evidence.filing.copies import verified_copies
from evidence.filing.releases import require_current
from evidence.filing.repair_sources import Place, Repaired, RepairSource, Work, sources
from evidence.filing.target_files import repair_archive_files
from evidence.filing.target_log import AT_TARGET, CUSTODY
from evidence.model import ClaimId, Finding, Sha256
from evidence.progress import Progress, quiet
from evidence.settings import ARCHIVE_PLACE
from evidence.workspace import DAMAGED, Workspace

_FILE_FAULTS = frozenset({"mismatch", "unreadable"})
"""Findings of a check of which the subject is a file with bad bytes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RepairReport:
    """What a repair did. A finding names what could not be repaired."""

    read: int
    repaired: tuple[Repaired, ...]
    findings: tuple[Finding, ...]


def repair(
    workspace: Workspace,
    *,
    card: Path | None = None,
    everything: bool = False,
    progress: Progress = quiet,
) -> RepairReport:
    """Read what was found bad, or every file with `everything`, and replace what does not match.

    The bags are locked for one bag at a time, so that others have their turn in between. `card` is searched for
    good copies, and so is every mounted card. Raises BadInputError for a `card` that is none, DestinationError.
    """
    with workspace.filing():
        recover_bags(workspace)
    cards = [open_source(card).root] if card else [one.root for one in mounted_cards()]
    work = Work(workspace=workspace, places=[Place(target=None, root=workspace.root)], cards=cards)
    wanted = _flagged(workspace)
    with workspace.filing():
        _add_targets(work, wanted, everything=everything)
    for place in work.places:
        with workspace.filing():
            for left in (place.root / DAMAGED).glob("*.new"):
                discard(left)  # of a killed repair
            sweep_folder(place.root / DAMAGED)
        if place.target is not None:
            try:
                with workspace.filing():
                    _bring_texts(work, place.target)  # before bad files there are moved aside
            except EvidenceError as trouble:
                work.add_finding("not_repaired", f"{place.name}: the texts of the custody log", str(trouble))
        if place.read_only:
            continue
        claims = workspace.catalog.keeping.bags() if everything else sorted(wanted.get(place.name, {}))
        for number, claim in enumerate(claims):
            progress(f"Repairing {place.name}", number, len(claims))
            suspects = None if everything else wanted[place.name][claim]
            try:
                with workspace.filing():
                    _repair_bag(work, place, claim, suspects)
            except EvidenceError as trouble:
                work.add_finding("not_repaired", f"{place.name}: {claim or 'unassigned'}", str(trouble))
        if place.target is not None:
            try:
                with workspace.filing():
                    _repair_archive_files(work, place, place.target, everything=everything)
            except EvidenceError as trouble:
                work.add_finding("not_repaired", f"{place.name}: the archive's own files", str(trouble))
        progress(f"Repairing {place.name}", len(claims), len(claims))
        if place.target is None:
            file_away(workspace)  # records and sidecars that were moved aside are written again
    _name_missing_texts(work)
    workspace.record(
        "repair_run",
        "every place",
        read=work.read,
        repaired=len(work.repaired),
        not_repaired=len(work.findings),
    )
    with workspace.filing():
        _push_log(work)
    return RepairReport(read=work.read, repaired=tuple(work.repaired), findings=tuple(work.findings))


def _flagged(workspace: Workspace) -> dict[str, dict[ClaimId, set[Sha256]]]:
    """Digests of the copies found bad, by place and claim of the bag."""
    found: dict[str, dict[ClaimId, set[Sha256]]] = defaultdict(lambda: defaultdict(set))
    for row in workspace.catalog.keeping.found_bad():
        found[row.place][row.claim].add(row.sha256)
    return found


def _add_targets(work: Work, wanted: Mapping[str, object], *, everything: bool) -> None:
    named = open_targets(work.workspace)
    for target in named:
        try:
            make_ready(work.workspace, target)
        except EvidenceError as trouble:
            if everything or target.name in wanted:
                work.add_finding("unreachable", target.name, str(trouble))
            continue
        later = _is_later(work.workspace, target)
        if later and (everything or target.name in wanted):
            work.add_finding("not_repaired", target.name, str(later))
        work.places.append(Place(target=target, root=target.root, read_only=later is not None))
    for name in sorted(set(wanted) - {one.name for one in named} - {ARCHIVE_PLACE}):
        work.add_finding("unreachable", name, f"The settings no longer name the backup target {name}.")


def _push_log(work: Work) -> None:
    """Bring the log with the entries of this repair, and its signed head, to the targets that it changed."""
    changed = {one.place for one in work.repaired}
    targets = [one.target for one in work.places if one.target is not None and one.name in changed]
    work.findings += push_log(work.workspace, targets)


def _is_later(workspace: Workspace, target: FolderTarget) -> ArchiveOlderError | None:
    """Why nothing may be changed at a target that holds a later state of this archive; its copies are read only."""
    try:
        with contextlib.suppress(CustodyError):  # our own log is damaged: its bags are repaired all the same
            require_current(workspace, target)
            require_newer_log(workspace, target)
    except ArchiveOlderError as trouble:
        return trouble
    return None


# --- one bag -----------------------------------------------------------------------------


def _repair_bag(work: Work, place: Place, claim: ClaimId, suspects: set[Sha256] | None) -> None:
    """Repair one bag in one place; None reads the whole bag. Raises EvidenceError."""
    workspace = work.workspace
    row = workspace.catalog.claims.get(claim)
    if row is not None and row.state.is_gone:
        return  # it was purged since the repair began
    bag = place.bag(workspace, claim)
    payload = workspace.catalog.keeping.payload(claim)
    with locked(bag):
        push = not _has_records(work, place, claim, bag)
        if not push or place.target is None:
            if suspects is None:
                push |= _set_aside_sidecars(work, place, bag, payload)
            for sha, path in payload.items():
                if suspects is None or sha in suspects:
                    _repair_original(work, place, claim, bag / DATA / path, sha)
    if push and place.target is None:
        with workspace.catalog.transaction():
            workspace.catalog.keeping.mark_dirty([claim])
    elif push and place.target is not None:
        _push(work, place.target, claim, bag, payload)


def _push(work: Work, target: FolderTarget, claim: ClaimId, bag: Path, payload: Mapping[Sha256, str]) -> None:
    """Copy the archive's bag over one whose records are damaged or gone."""
    done = push_released(work.workspace, target, [claim])
    subject = f"{target.name}: {bag.name}"
    if not done:
        work.add_finding("not_repaired", subject, f"{bag.name} holds originals that the archive has not.")
        return
    work.read += len(payload)
    work.workspace.record(
        "repaired", claim or "unassigned", place=target.name, path=bag.name, source="the archive"
    )
    work.repaired.append(
        Repaired(
            place=target.name, claim=claim, path=bag.name, sha256=Sha256(""), source="the archive", kept_at=""
        )
    )


def _repair_original(work: Work, place: Place, claim: ClaimId, path: Path, sha: Sha256) -> None:
    """Read one original; replace it when it does not match, or name it when there is no good copy."""
    work.read += 1
    keeping = work.workspace.catalog.keeping
    if _digest_of(path) == sha:
        if any(row.place == place.name and row.found_bad_at for row in keeping.copies([sha]).get(sha, ())):
            keeping.put_copies(verified_copies(work.workspace, place.target, claim, [sha]))
        return
    relative = path.relative_to(place.root).as_posix()
    subject = claim or "unassigned"
    staged = place.root / DAMAGED / f"{secrets.token_hex(8)}.new"
    for one in sources(work, path, sha):
        try:
            _fetch(one, staged, sha)
        except (CopyMismatchError, CardReadError):
            continue
        kept_at = _exchange(place, staged, path)
        log = work.workspace.record
        log("found_bad", subject, place=place.name, path=relative, sha256=sha, kept_at=kept_at)
        log("repaired", subject, place=place.name, path=relative, sha256=sha, source=one.name)
        keeping.put_copies(verified_copies(work.workspace, place.target, claim, [sha]))
        work.repaired.append(
            Repaired(
                place=place.name, claim=claim, path=relative, sha256=sha, source=one.name, kept_at=kept_at
            )
        )
        return
    keeping.mark_corrupt(place.name, [sha], at=work.workspace.now())
    work.add_finding(
        "not_repaired",
        f"{place.name}: {relative}",
        f"{path.name} is bad or missing and no copy matches its digest {sha[:12]}. "
        "Connect another backup target or the card, then run `evidence repair --card DIR`.",
    )


def _fetch(source: RepairSource, staged: Path, sha: Sha256) -> None:
    """Copy a source that has this digest to a new file. Raises CardReadError, CopyMismatchError, DestinationError."""
    if not source.on_card:
        copy_file(source.path, staged, sha)
        return
    handle = open_on_card(source.path)
    try:
        part, found, _size = write_part(handle, str(source.path), staged.parent)
    finally:
        handle.close()
    if found != sha:
        discard(part)
        raise CopyMismatchError(source.path)
    with writing(staged):
        publish(part, staged)


def _exchange(place: Place, staged: Path, path: Path) -> str:
    """Move what is at `path` aside and the verified copy there; returns where the bad file is, or ''."""
    kept_at = _move_aside(place, path)
    with writing(path):
        make_folder(path.parent)
        staged.rename(path)
        sync_folder(path.parent)
    return kept_at


def _move_aside(place: Place, path: Path) -> str:
    """Move a bad file to the place's `damaged` folder; returns its path there, or '' when there was none."""
    with writing(path):
        if not path.is_symlink() and not path.exists():
            return ""
        inside = path.relative_to(place.root)
        if inside.parts[0] == "claims":
            inside = inside.relative_to("claims")
        aside = place.root / DAMAGED / inside.with_name(f"{inside.name}.{secrets.token_hex(4)}")
        make_folder(aside.parent)
        path.rename(aside)
        sync_folder(aside.parent)
        sync_folder(path.parent)
    return aside.relative_to(place.root).as_posix()


def _digest_of(path: Path) -> str:
    try:
        return "" if path.is_symlink() else hash_file(path, uncached=True)
    except OSError:
        return ""


# --- the archive's own files at a target -------------------------------------------------


def _repair_archive_files(work: Work, place: Place, target: FolderTarget, *, everything: bool) -> None:
    """Copy the archive's own files anew that are bad or missing at a target. Raises EvidenceError."""
    done = repair_archive_files(
        work.workspace, target, everything=everything, move_aside=lambda path: _move_aside(place, path)
    )
    work.read += done.read
    for path in done.left:
        work.add_finding("not_repaired", f"{place.name}: {path}", f"{path} is bad or missing.")
    for path, kept_at in done.kept_at.items():
        sha = Sha256(_digest_of(target.root / path))
        one = Repaired(
            place=place.name,
            claim=ClaimId(""),
            path=path,
            sha256=sha,
            source=ARCHIVE_PLACE,
            kept_at=kept_at,
        )
        work.repaired.append(one)


def _bring_texts(work: Work, target: FolderTarget) -> None:
    """Take in texts of the custody log that are missing here and that a target has. Raises EvidenceError."""
    log = work.workspace.custody
    if work.texts is None:
        work.texts = log.missing_texts()
    if not work.texts.digests:
        return
    entries = log.bring_texts(work.texts, target.root / AT_TARGET / CUSTODY)
    if entries:
        path = (CUSTODY.parent / TEXTS).as_posix()
        work.workspace.record(
            "repaired", "custody log", place=ARCHIVE_PLACE, path=path, source=target.name, entries=entries
        )
        work.repaired.append(
            Repaired(
                place=ARCHIVE_PLACE,
                claim=ClaimId(""),
                path=path,
                sha256=Sha256(""),
                source=target.name,
                kept_at="",
            )
        )


def _name_missing_texts(work: Work) -> None:
    """A finding for texts that no target has, or for a log that cannot be read."""
    try:
        texts = work.workspace.custody.missing_texts() if work.texts is None else work.texts
    except CustodyError as trouble:
        work.add_finding("not_repaired", "custody log", str(trouble))
        return
    if found := texts.message():
        work.add_finding("text_missing", f"custody log, entry {found[0]}", found[1])


# --- records and sidecars ----------------------------------------------------------------


def _has_records(work: Work, place: Place, claim: ClaimId, bag: Path) -> bool:
    """True when the bag's tag files match its tag manifest; in the archive they are brought back if not."""
    with contextlib.suppress(BagError, OSError):
        read_tags(bag)
        return True
    if place.target is not None:
        return False
    payload = {path: sha for sha, path in work.workspace.catalog.keeping.payload(claim).items()}
    for other in work.places[1:]:
        with contextlib.suppress(BagError, OSError, KeyError, ValueError):
            tags = read_tags(other.bag(work.workspace, claim))
            listed = parse_manifest(tags[SHA256_MANIFEST])
            if all(listed.get(DATA + path) == sha for path, sha in payload.items()):
                _put_tags(work, place, claim, bag, tags, other.name)
                return False
    with writing(bag):
        tags = tags_from_catalog(work.workspace, claim)
    _put_tags(work, place, claim, bag, tags, "the catalog")
    return False


def _put_tags(
    work: Work, place: Place, claim: ClaimId, bag: Path, tags: Mapping[str, bytes], source: str
) -> None:
    subject = claim or "unassigned"
    for name, content in tags.items():
        path = bag / name
        with contextlib.suppress(OSError):
            if path.read_bytes() == content:
                continue
        kept_at = _move_aside(place, path)
        with writing(path):
            make_folder(path.parent)
            replace_file(path, content)
            sync_folder(path.parent)
        relative = path.relative_to(place.root).as_posix()
        log = work.workspace.record
        log("found_bad", subject, place=place.name, path=relative, kept_at=kept_at)
        log("repaired", subject, place=place.name, path=relative, source=source)
        work.repaired.append(
            Repaired(
                place=place.name,
                claim=claim,
                path=relative,
                sha256=Sha256(""),
                source=source,
                kept_at=kept_at,
            )
        )


def _set_aside_sidecars(work: Work, place: Place, bag: Path, payload: Mapping[Sha256, str]) -> bool:
    """Move bad sidecars aside; True when there was a bad or missing one, which is then written again."""
    check = check_bag(bag)
    originals = {DATA + path for path in payload.values()}
    bad = {one.subject for one in check.bad if one.code in _FILE_FAULTS} | set(check.missing)
    sidecars = [path for path in sorted(bad - originals) if path.endswith(SIDECAR)]
    work.read += check.checked - len(payload)
    for path in sidecars:
        _move_aside(place, bag / path)
    return bool(sidecars)
