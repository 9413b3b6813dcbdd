"""A claim's bag, or a whole archive, restored from one backup target alone."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from shlex import quote

from evidence.archive.assembly import sync_tree
from evidence.archive.bagread import DATA, SHA256_MANIFEST, parse_manifest, read_sound_tags, read_tags
from evidence.archive.custody import CustodyLog
from evidence.archive.custody_key import archive_key, kept_id, replace_key
from evidence.archive.exchange import remove_tree
from evidence.archive.heads import newest_head
from evidence.archive.names import fold, why_unsafe
from evidence.archive.targets import MARKER
from evidence.disk.copying import copy_file
from evidence.disk.durable import make_folder, replace_file, sync_folder
from evidence.disk.faults import writing
from evidence.disk.hashing import hash_file
from evidence.errors import BadInputError, CardReadError, CopyMismatchError, CustodyError, EvidenceError
from evidence.filing.archive_files import list_archive_files
from evidence.filing.bag_records import read_bag_records, usable_tags
from evidence.filing.bags import NOT_A_BAG, bag_folder, tags_from_catalog
from evidence.filing.rebuild import RebuildReport, rebuild
from evidence.filing.records import CLAIM_RECORD
from evidence.filing.target_log import AT_TARGET, CUSTODY, entries_at
from evidence.model import Finding, Sha256
from evidence.progress import Progress, quiet
from evidence.settings import default_text, load_settings
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


@dataclass(slots=True)
class _Progressing:
    """What came back so far."""

    parts: Path
    """Where files are written before they get their names."""
    bags: list[str] = field(default_factory=list)
    files: int = 0
    findings: list[Finding] = field(default_factory=list)
    damaged: list[str] = field(default_factory=list)
    """Bags of which tag files were damaged at the target."""

    def add_finding(self, code: str, subject: str, message: str) -> None:
        self.findings.append(Finding(code=code, message=message, subject=subject))


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
    back = _Progressing(parts=into / PARTS)
    with writing(into):
        remove_tree(back.parts)  # of a killed restore
    for bag in _each_bag(target, progress):
        _restore_bag(target / bag, into / bag if bag == TRAY else into / "claims" / bag, back)
    _restore_archive_files(target / AT_TARGET, into, back)
    _find_lost_entries(target, into, back)
    _require_log_and_settings(into, back, actor=name, now=now)
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
    return RestoreReport(
        bags=tuple(back.bags),
        files=back.files,
        findings=(*back.findings, *report.findings),
        rebuilt=report,
    )


def restore_claim(target: Path, into: Path, claim: str, *, progress: Progress = quiet) -> RestoreReport:
    """Bring back the bag of one claim into a new or empty folder. Raises BadInputError, DestinationError."""
    _require_free_folder(target, into, mark=None)
    found = next((bag for bag in _each_bag(target, quiet) if _claim_of(target / bag) == claim), None)
    if found is None:
        raise BadInputError(
            f"{target} holds no bag of claim {claim}.", "Check the number, or try another backup target."
        )
    progress("Restoring bags", 0, 1)
    back = _Progressing(parts=into / PARTS)
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
    if not into.exists() or (mark and (into / mark).is_file()):
        return
    if not into.is_dir() or any(into.iterdir()):
        raise BadInputError(
            f"{into} is not an empty folder.", "Choose a new or empty folder; nothing is restored over files."
        )


def _each_bag(target: Path, progress: Progress) -> Iterator[str]:
    _name_of(target)
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


def _name_of(target: Path) -> str:
    try:
        return str(json.loads((target / MARKER).read_bytes())["target"])
    except (OSError, ValueError, KeyError, TypeError):
        raise BadInputError(
            f"{target / MARKER} cannot be read.", "Check the disk, or try another backup target."
        ) from None


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


def _restore_bag(source: Path, bag: Path, back: _Progressing) -> None:
    """Copy a bag file by file, each compared with the manifest; a file that is bad is left out and named.

    Of a bag with damaged records what is sound comes back; the rest is written from the catalog after the rebuild.
    """
    try:
        tags: Mapping[str, bytes] = read_tags(source)
        listed: Mapping[str, Sha256] = parse_manifest(tags[SHA256_MANIFEST])
    except (EvidenceError, OSError, KeyError, ValueError):
        try:
            tags, listed = _salvaged(source, back)
        except (EvidenceError, OSError, KeyError, ValueError, TypeError):
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
        elif _copied(source / path, bag / path, digest, back):
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


def _salvaged(source: Path, back: _Progressing) -> tuple[Mapping[str, bytes], Mapping[str, Sha256]]:
    """The tag files of a damaged bag that are sound, and the digests of its files by path."""
    records = read_bag_records(source)
    back.add_finding(
        "records_damaged",
        source.name,
        f"{', '.join(records.lacking)} of the bag {source.name} is damaged or missing at the target and was made anew.",
    )
    back.damaged.append(source.name)
    return usable_tags(read_sound_tags(source)), {DATA + path: sha for path, sha in records.manifest.items()}


def _write_damaged_records(workspace: Workspace, back: _Progressing) -> None:
    """Make the bags whole again of which tag files were damaged at the target; the next command builds them anew."""
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


def _copied(source: Path, dest: Path, digest: Sha256, back: _Progressing) -> bool:
    """Copy one file and read the copy back; False when the source is not what the manifest records."""
    try:
        if source.is_symlink():
            return False
        copy_file(source, dest, digest, parts=back.parts)
    except (CopyMismatchError, CardReadError):
        return False
    return True


# --- the archive's own files -------------------------------------------------------------


def _restore_archive_files(there: Path, into: Path, back: _Progressing) -> None:
    listing = list_archive_files(there)
    if not listing.digests and not listing.unlisted:
        back.add_finding(
            "no_archive_files",
            AT_TARGET,
            "The target holds no settings, logs or record files of the archive.",
        )
    for name, digests in sorted(listing.digests.items()):
        _restore_archive_file(there, into, name, digests, back)
    for manifest, names in sorted(listing.unlisted.items()):
        _restore_unproved(there, into, manifest, names, back)
    if (there / CUSTODY).is_file():
        _restore_log(there / CUSTODY, into / CUSTODY, back)


def _restore_archive_file(
    there: Path, into: Path, name: str, digests: Collection[Sha256], back: _Progressing
) -> None:
    """Copy one file that has one of these digests."""
    source, dest = there / name, into / name
    if why_unsafe(name) or source.is_symlink():
        back.add_finding("unsafe_name", name, f"{name} is not a name that an archive holds.")
        return
    if dest.exists():
        return  # a killed restore brought it back whole, and the rebuild may have changed it since
    found = _digest_of(source)
    if found in digests and _copied(source, dest, Sha256(found), back):
        _make_writable(dest)
    else:
        back.add_finding("not_restored", f"{AT_TARGET}/{name}", f"{name} is bad or missing at the target.")


def _restore_unproved(
    there: Path, into: Path, manifest: str, names: Sequence[str], back: _Progressing
) -> None:
    """Copy files whose manifest is lost: settings without proof are better than none, and a person is told to check."""
    for name in names:
        if name == SETTINGS and not _are_settings(there / name):
            back.add_finding("not_restored", f"{AT_TARGET}/{name}", f"{name} at the target is damaged.")
        else:
            _restore_archive_file(there, into, name, {Sha256(_digest_of(there / name))} - {""}, back)
    back.add_finding(
        "not_proved",
        f"{AT_TARGET}/{manifest}",
        f"{manifest} is missing or cannot be read, so no digest proves {len(names)} of the files that came back: "
        f"check {', '.join(names[:5])}{' and others like it' if len(names) > 5 else ''}.",
    )


def _are_settings(path: Path) -> bool:
    try:
        load_settings(path.read_text(encoding="utf-8-sig"), origin=str(path))
    except (EvidenceError, OSError, UnicodeDecodeError):
        return False
    return True


def _digest_of(path: Path) -> str:
    try:
        return hash_file(path, uncached=True)
    except OSError:
        return ""


def _make_writable(path: Path) -> None:
    with writing(path):
        path.chmod(0o640)


def _restore_log(source: Path, dest: Path, back: _Progressing) -> None:
    """The custody log, up to its last whole line; its own chain proves it."""
    with writing(dest):
        if dest.exists():
            return
        content = source.read_bytes()
        whole = content[: content.rfind(b"\n") + 1]
        make_folder(dest.parent)
        replace_file(dest, whole)
        sync_folder(dest.parent)
    log = CustodyLog(dest)
    verdict = log.verify()
    if not verdict.valid:
        back.findings += verdict.findings


def _find_lost_entries(target: Path, into: Path, back: _Progressing) -> None:
    """Find that the target lost its custody log, or the log's last entries: its own signed head names more."""
    there, archive = entries_at(target), kept_id(into)
    newest = newest_head(target, archive) if archive else None
    entries = newest.head.size if newest else 0
    if there and entries <= there:
        return
    found = (
        f"ends at entry {there}, and the newest signed head there is of {entries} entries. Entries are lost"
        if there
        else "is lost. A new one was begun"
    )
    back.add_finding(
        "log_missing" if not there else "log_older",
        str(CUSTODY),
        f"The custody log at the target {found}. If another target has the whole log, restore from that one instead. "
        "If none has it: the photos are whole, but `evidence custody --verify` reports what is lost of the log for as "
        "long as bags and heads name it. To back up again, keep this disk as it is and use an empty one in its place: "
        f"`evidence target replace {quote(_name_of(target))} PATH`, then `evidence backup`.",
    )


def _require_log_and_settings(
    into: Path, back: _Progressing, *, actor: str, now: Callable[[], datetime]
) -> None:
    """Give the archive default settings and a new log where the target had none."""
    if not (into / CUSTODY).exists():
        log = CustodyLog(into / CUSTODY)
        log.head_path.unlink(missing_ok=True)  # it is the end of the log that is lost
        log.append(actor=actor, action="archive_made", subject=into.absolute().name, details={}, at=now())
    _require_head(CustodyLog(into / CUSTODY), back, actor=actor, at=now())
    if not (into / SETTINGS).exists():
        back.add_finding(
            "settings_missing", SETTINGS, "The target holds no settings; the program's own were written."
        )
        with writing(into):
            replace_file(into / SETTINGS, default_text(SETTINGS).encode())


def _require_head(log: CustodyLog, back: _Progressing, *, actor: str, at: datetime) -> None:
    """Write the log's head file anew where the target lost it or the log does not reach it; a person is told."""
    try:
        reached = log.path.stat().st_size >= log.stored_size()
    except CustodyError:
        reached = False
    if reached or not log.verify_chain():
        return
    log.reseal(actor, "restored from a target without the head of its log", at)
    back.add_finding(
        "head_missing",
        CUSTODY.as_posix(),
        "The end of the custody log is not proved: the target lost its head file, or the log's last entries. "
        "`evidence custody --verify` compares it with the signed heads.",
    )
