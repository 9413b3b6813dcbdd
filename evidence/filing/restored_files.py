"""The archive's own files, brought back from a backup target by a restore: settings, logs, ledgers, record files."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from shlex import quote

from evidence.archive.custody import CustodyLog
from evidence.archive.custody_key import kept_id
from evidence.archive.custody_proof import NOTES
from evidence.archive.custody_reading import whole_lines
from evidence.archive.heads import newest_head
from evidence.archive.names import why_unsafe
from evidence.archive.target_marker import MARKER
from evidence.disk.copying import copy_file
from evidence.disk.durable import make_folder, replace_file
from evidence.disk.faults import writing
from evidence.disk.hashing import digest_if_readable
from evidence.errors import BadInputError, CardReadError, CopyMismatchError, CustodyError, EvidenceError
from evidence.filing.archive_files import list_archive_files
from evidence.filing.findings import CollectsFindings
from evidence.filing.target_log import AT_TARGET, CUSTODY, copy_log, entries_at
from evidence.model import Finding, Sha256
from evidence.settings import default_text, load_settings
from evidence.workspace import SETTINGS


@dataclass(slots=True)
class BroughtBack(CollectsFindings):
    """What came back so far."""

    parts: Path
    """Where files are written before they get their names."""
    bags: list[str] = field(default_factory=list)
    files: int = 0
    findings: list[Finding] = field(default_factory=list)
    damaged: list[str] = field(default_factory=list)
    """Bags of which tag files were damaged at the target."""


def name_of(target: Path) -> str:
    """The name of a backup target, by its marker. Raises BadInputError."""
    try:
        return str(json.loads((target / MARKER).read_bytes())["target"])
    except (OSError, ValueError, KeyError, TypeError):
        raise BadInputError(
            f"{target / MARKER} cannot be read.", "Check the disk, or try another backup target."
        ) from None


def copied(source: Path, dest: Path, digest: Sha256, back: BroughtBack) -> bool:
    """Copy one file and read the copy back; False when the source is not what the manifest records."""
    try:
        if source.is_symlink():
            return False
        copy_file(source, dest, digest, parts=back.parts)
    except (CopyMismatchError, CardReadError):
        return False
    return True


def restore_archive_files(there: Path, into: Path, back: BroughtBack) -> None:
    """Copy the archive's own files; what is bad or missing is left out and named. Raises DestinationError."""
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
        _restore_log(there / CUSTODY, into / CUSTODY)
        _restore_texts(there / CUSTODY, into / CUSTODY, back)


def _restore_archive_file(
    there: Path, into: Path, name: str, digests: Collection[Sha256], back: BroughtBack
) -> None:
    """Copy one file that has one of these digests."""
    source, dest = there / name, into / name
    if why_unsafe(name) or source.is_symlink():
        back.add_finding("unsafe_name", name, f"{name} is not a name that an archive holds.")
        return
    if dest.exists():
        return  # a killed restore brought it back whole, and the rebuild may have changed it since
    found = digest_if_readable(source)
    if found in digests and copied(source, dest, Sha256(found), back):
        _make_writable(dest)
    else:
        back.add_finding("not_restored", f"{AT_TARGET}/{name}", f"{name} is bad or missing at the target.")


def _restore_unproved(
    there: Path, into: Path, manifest: str, names: Sequence[str], back: BroughtBack
) -> None:
    """Copy files whose manifest is lost: settings without proof are better than none, and a person is told to check."""
    for name in names:
        if name == SETTINGS and not _are_settings(there / name):
            back.add_finding("not_restored", f"{AT_TARGET}/{name}", f"{name} at the target is damaged.")
        else:
            _restore_archive_file(there, into, name, {Sha256(digest_if_readable(there / name))} - {""}, back)
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


def _make_writable(path: Path) -> None:
    with writing(path):
        path.chmod(0o640)


def _restore_log(source: Path, dest: Path) -> None:
    """The custody log, up to its last whole line; its own chain proves it."""
    with writing(dest):
        if dest.exists():
            return
        make_folder(dest.parent)
        copy_log(source, dest, whole_lines(source))


def _restore_texts(source: Path, dest: Path, back: BroughtBack) -> None:
    """The sound texts of a damaged side file too; each proves itself. What is missing then is named."""
    log = CustodyLog(dest)
    with contextlib.suppress(CustodyError):
        log.bring_texts(log.missing_texts(), source)
    verdict = log.verify()
    if not verdict.valid:
        back.findings += [one for one in verdict.findings if one.code not in NOTES]


def find_lost_entries(target: Path, into: Path, back: BroughtBack) -> None:
    """Add a finding when the target lost its custody log or the log's last entries, which its own signed head counts."""
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
        f"`evidence target replace {quote(name_of(target))} PATH`, then `evidence backup`.",
    )


def require_log_and_settings(
    into: Path, back: BroughtBack, *, actor: str, now: Callable[[], datetime]
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


def _require_head(log: CustodyLog, back: BroughtBack, *, actor: str, at: datetime) -> None:
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
