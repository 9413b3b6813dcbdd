"""A claim's bag, or a whole archive, restored from one backup target alone."""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from evidence.archive.assembly import sync_tree
from evidence.archive.bagread import DATA, SHA256_MANIFEST, parse_manifest, read_sound_tags, read_tags
from evidence.archive.custody_key import archive_key, replace_key
from evidence.archive.exchange import remove_tree
from evidence.archive.names import fold, why_unsafe
from evidence.archive.nesting import refuse_within
from evidence.archive.target_marker import MARKER
from evidence.disk.durable import make_folder, replace_file, sync_folder
from evidence.disk.faults import writing
from evidence.errors import BadInputError, CustodyError, EvidenceError
from evidence.filing.bag_records import read_bag_records, usable_tags
from evidence.filing.bags import NOT_A_BAG, bag_folder, file_away, tags_from_catalog
from evidence.filing.gathering import BAG_BEHIND
from evidence.filing.rebuild import RebuildReport, rebuild
from evidence.filing.records import CLAIM_RECORD, MALFORMED
from evidence.filing.restored_files import (
    BroughtBack,
    copied,
    find_lost_entries,
    name_of,
    require_log_and_settings,
    restore_archive_files,
)
from evidence.filing.target_log import AT_TARGET
from evidence.model import ClaimId, Finding, Sha256
from evidence.progress import Progress, quiet
from evidence.settings import load_settings
from evidence.workspace import SETTINGS, Workspace, named_actor, system_actor, utc_now

TRAY = "unassigned"
UNFINISHED = "restoring.mark"
"""A file in the new archive until everything is back; a killed restore is continued by running it again."""
PARTS = ".restoring"
"""A folder of files that are not whole yet; a bag must not hold such files."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RestoreReport:
    """What came back from the target."""

    bags: tuple[str, ...]
    files: int
    """Payload files copied and verified."""
    findings: tuple[Finding, ...]
    rebuilt: RebuildReport | None
    """None for a single claim."""


def find_target(named: str, archive: Path | None) -> Path:
    """The folder of a target: a path to it, or its name in the settings of `archive`. Raises BadInputError."""
    path = Path(named)
    if (path / MARKER).is_file():
        return path.absolute()
    if archive is not None and (archive / SETTINGS).is_file():
        file = archive / SETTINGS
        for one in load_settings(file.read_text(encoding="utf-8-sig"), origin=str(file)).target:
            if one.name == named and (one.path / MARKER).is_file():
                return one.path.absolute()
    raise BadInputError(
        f"{named} is not the folder of a backup target: it holds no {MARKER}.",
        "Connect its disk and give the folder that holds the bags.",
    )


def restore(
    target: Path,
    into: Path,
    *,
    actor: str | None = None,
    now: Callable[[], datetime] = utc_now,
    progress: Progress = quiet,
) -> RestoreReport:
    """Bring back a whole archive into a new or empty folder, and make its catalog anew.

    Every file is compared with its digest. What does not match is left out and named. A killed restore is
    continued by the same call. Raises BadInputError, DestinationError and what `rebuild` raises.
    """
    name = system_actor() if actor is None else named_actor(actor)
    _require_free_folder(target, into, mark=UNFINISHED)
    with writing(into):
        make_folder(into)
        (into / UNFINISHED).touch()
        for part in ("claims", "intake", "ledgers", "custody", "config/required_shots", "purges", "learnt"):
            (into / part).mkdir(parents=True, exist_ok=True)
        if os.name == "posix":
            into.chmod(0o750)
    back = BroughtBack(parts=into / PARTS)
    with writing(into):
        remove_tree(back.parts)  # of a killed restore
    for bag in _each_bag(target, progress):
        _restore_bag(target / bag, into / bag if bag == TRAY else into / "claims" / bag, back)
    restore_archive_files(target / AT_TARGET, into, back)
    find_lost_entries(target, into, back)
    require_log_and_settings(into, back, actor=name, now=now)
    report = rebuild(into, actor=name, now=now, progress=progress, arrived=True)
    with Workspace(into, actor=name, now=now) as workspace:
        _require_key(workspace)
        _write_damaged_records(workspace, back)
        workspace.record(
            "restored",
            "archive",
            target=str(target),
            bags=len(back.bags),
            files=back.files,
            lacking=len(back.findings),
        )
    with writing(into):
        remove_tree(back.parts)
        (into / UNFINISHED).unlink()
        sync_folder(into)
    found = _build_outdated_bags(into, name, now, report.findings)
    return RestoreReport(
        bags=tuple(back.bags), files=back.files, findings=(*back.findings, *found), rebuilt=report
    )


def _build_outdated_bags(
    into: Path, actor: str, now: Callable[[], datetime], findings: Sequence[Finding]
) -> list[Finding]:
    """Build the bags that lack changes which came back beside them; returns what is left of the findings.

    It comes after the mark is gone: a restore that is continued compares the bags with those at the target. What is
    not built now is built by the next command.
    """
    found: list[Finding] = []
    with Workspace(into, actor=actor, now=now) as workspace:
        with contextlib.suppress(EvidenceError):
            found += file_away(workspace).findings
        waiting = set(workspace.catalog.keeping.dirty())
    left = [one for one in findings if one.code != BAG_BEHIND or ClaimId(one.subject) in waiting]
    return left + found


def restore_claim(target: Path, into: Path, claim: str, *, progress: Progress = quiet) -> RestoreReport:
    """Bring back the bag of one claim into a new or empty folder. Raises BadInputError, DestinationError."""
    _require_free_folder(target, into, mark=None)
    found = next((bag for bag in _each_bag(target, quiet) if _claim_of(target / bag) == claim), None)
    if found is None:
        raise BadInputError(
            f"{target} holds no bag of claim {claim}.", "Check the number, or try another backup target."
        )
    progress("Restoring bags", 0, 1)
    back = BroughtBack(parts=into / PARTS)
    with writing(into):
        make_folder(into)
    _restore_bag(target / found, into / found, back)
    with writing(into):
        remove_tree(back.parts)
    progress("Restoring bags", 1, 1)
    return RestoreReport(bags=tuple(back.bags), files=back.files, findings=tuple(back.findings), rebuilt=None)


def _require_free_folder(target: Path, into: Path, *, mark: str | None) -> None:
    """Raise BadInputError unless `into` is new, empty or a restore that was killed, and apart from the target."""
    here, there = into.absolute(), target.absolute()
    if here == there or here in there.parents or there in here.parents:
        raise BadInputError(
            f"{into} and the backup target {target} lie inside one another.", "Give a folder of its own."
        )
    refuse_within(into)
    if not into.exists() or (mark and (into / mark).is_file()):
        return
    if not into.is_dir() or any(into.iterdir()):
        raise BadInputError(
            f"{into} is not an empty folder.", "Choose a new or empty folder; nothing is restored over files."
        )


def _each_bag(target: Path, progress: Progress) -> Iterator[str]:
    name_of(target)
    names = sorted(one.name for one in target.iterdir() if _is_bag(one))
    for number, name in enumerate(names):
        progress("Restoring bags", number, len(names))
        yield name
    progress("Restoring bags", len(names), len(names))


def _is_bag(folder: Path) -> bool:
    """True for a folder of a target that holds a bag, also one that lost its declaration or its manifest."""
    if (
        folder.name.startswith(".")
        or folder.is_symlink()
        or (fold(folder.name) in NOT_A_BAG and folder.name != TRAY)
    ):
        return False
    return (folder / "bagit.txt").is_file() or (folder / SHA256_MANIFEST).is_file()


def _claim_of(bag: Path) -> str:
    try:
        about = json.loads((bag / CLAIM_RECORD).read_bytes())
        return str(about["claim"]["claim"]) if about["claim"] else TRAY
    except (OSError, ValueError, KeyError, TypeError):
        return ""


def _require_key(workspace: Workspace) -> None:
    """Give the archive a key to sign its log with: the private key of the lost one is at no target."""
    log, root, at = workspace.custody, workspace.root, workspace.now()
    try:
        archive_key(log, root, actor=workspace.actor, at=at)
    except CustodyError:
        replace_key(log, root, actor=workspace.actor, reason="restored from a backup target", at=at)


# --- bags --------------------------------------------------------------------------------


def _restore_bag(source: Path, bag: Path, back: BroughtBack) -> None:
    """Copy a bag file by file, each compared with the manifest; a file that is bad is left out and named.

    Of a bag with damaged records what is sound comes back; the rest is written from the catalog after the rebuild.
    """
    try:
        tags: Mapping[str, bytes] = read_tags(source)
        listed: Mapping[str, Sha256] = parse_manifest(tags[SHA256_MANIFEST])
    except (EvidenceError, OSError, KeyError, ValueError):
        try:
            tags, listed = _salvaged(source, back)
        except (EvidenceError, OSError, *MALFORMED):
            back.add_finding(
                "bag_unreadable",
                source.name,
                f"The records of the bag {source.name} are damaged; it was left out.",
            )
            return
    for path, digest in listed.items():
        if why_unsafe(path) or not path.startswith(DATA):
            back.add_finding(
                "unsafe_name", f"{source.name}/{path}", f"{path} is not a name that a bag may hold."
            )
        elif copied(source / path, bag / path, digest, back):
            back.files += 1
        else:
            back.add_finding(
                "not_restored",
                f"{source.name}/{path}",
                f"{path} is bad or missing at the target; bring it back from another copy.",
            )
    with writing(bag):
        (bag / "data").mkdir(parents=True, exist_ok=True)
        for path, content in sorted(tags.items(), key=lambda item: item[0] == "bagit.txt"):
            place = bag / path  # bagit.txt comes last: a folder with it is a bag
            make_folder(place.parent)
            if not _holds(place, content):
                replace_file(place, content)
        sync_tree(bag)
    back.bags.append(bag.name)


def _salvaged(source: Path, back: BroughtBack) -> tuple[Mapping[str, bytes], Mapping[str, Sha256]]:
    """The tag files of a damaged bag that are sound, and the digests of its files by path."""
    records = read_bag_records(source)
    back.add_finding(
        "records_damaged",
        source.name,
        f"{', '.join(records.lacking)} of the bag {source.name} is damaged or missing at the target and was made anew.",
    )
    back.damaged.append(source.name)
    return usable_tags(read_sound_tags(source)), {DATA + path: sha for path, sha in records.manifest.items()}


def _write_damaged_records(workspace: Workspace, back: BroughtBack) -> None:
    """Make the bags whole again of which tag files were damaged at the target; they are built anew afterwards."""
    for claim in workspace.catalog.keeping.bags():
        bag = bag_folder(workspace, claim)
        if bag.name not in back.damaged:
            continue
        with writing(bag):
            for path, content in tags_from_catalog(workspace, claim).items():
                make_folder((bag / path).parent)
                if not _holds(bag / path, content):
                    replace_file(bag / path, content)
            sync_tree(bag)
        workspace.catalog.keeping.mark_dirty([claim])


def _holds(path: Path, content: bytes) -> bool:
    """True for a whole file; a killed restore may have left a piece of it."""
    return path.is_file() and path.read_bytes() == content
