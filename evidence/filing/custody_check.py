"""Checks the custody log against the heads that were kept elsewhere and against the catalog."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from shlex import quote

from evidence.archive.custody import Anchor, Entry
from evidence.archive.custody_checkpoint import Checkpoint, write_checkpoint
from evidence.archive.custody_end import RESTORE
from evidence.archive.custody_key import ID_FILE, kept_id, key_entries, known_archive_id, names_key
from evidence.archive.custody_proof import NOTES as LOG_NOTES
from evidence.archive.heads import KeptLine, SignedHead, fingerprint, kept_lines, read_heads
from evidence.archive.targets import FolderTarget
from evidence.errors import BadInputError, CustodyError, EvidenceError
from evidence.filing.backup import open_targets
from evidence.filing.bags import bag_folder
from evidence.filing.custody_heads import heads_folder
from evidence.filing.findings import CollectsFindings
from evidence.filing.records import CLAIM_RECORD
from evidence.filing.station_heads import (
    PEOPLE,
    STATION_NOTES,
    StationHeads,
    heads_noted_of_us,
    people_elsewhere,
)
from evidence.filing.target_records import read_record
from evidence.model import Finding
from evidence.progress import Progress, quiet
from evidence.workspace import Workspace

NOTES = LOG_NOTES | STATION_NOTES | {"target_absent", "no_heads", "head_unreadable", "key_added"}
"""Findings that do not make the log invalid."""
SHOWN_EVERY = 10_000
"""Entries between two reports of the progress."""
HEAD_MISSING = "head_missing"
"""The code of the finding for a log that has lost its head file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CustodyReport:
    """The length of the log, whether it is valid (None when that was not asked), and the entries to show."""

    entries: int
    valid: bool | None
    findings: tuple[Finding, ...]
    shown: tuple[Entry, ...]
    heads: int = 0
    """Signed heads that the log was compared with."""
    targets: tuple[str, ...] = ()
    """Targets whose heads were read."""
    since: int = 0
    """Only the entries after this one were read; 0 when the whole log was."""
    whole_at: datetime | None = None
    """With `since`: when every entry was verified last, by the computer's clock then, aware."""


def check_log(
    workspace: Workspace, noted: Sequence[Anchor] = (), *, progress: Progress = quiet
) -> CustodyReport:
    """Read the whole log; compare it with every head kept in bags, in the archive and at reachable targets.

    Then compare the people in the catalog with its entries, and the logs of other stations with their heads that it
    notes. Changes nothing but what is made anew from the log: its index, and how far it was verified.
    """
    found = KeptHeads(workspace)
    found.collect()
    passed = Pass(progress=progress, total=_length(workspace))
    of_us = list(heads_noted_of_us(workspace))
    anchors = [*noted, *recorded_heads(workspace), *of_us, *found.anchors]
    newest = found.newest(passed.total)
    verdict = workspace.custody.verify(
        anchors=anchors, watch=passed.see, keep_at=newest.head.size if newest else 0
    )
    findings = [*verdict.findings, *found.findings]
    if verdict.valid and not verdict.entries:
        message = "The custody log is missing: making the archive wrote its first entry."
        findings = [Finding(code="log_missing", message=message), *found.findings]
    elif all(one.code in LOG_NOTES or one.code == HEAD_MISSING for one in verdict.findings):
        findings += passed.other_ids(kept_id(workspace.root))
        findings += passed.added_keys()
        findings += people_of_all_logs(workspace, passed)
        findings += passed.stations.findings(workspace)
    findings.sort(key=lambda one: one.code in NOTES)
    valid = all(one.code in NOTES for one in findings)
    if valid:
        workspace.custody.index.make_anew()
        if newest and verdict.passed:
            reached = Checkpoint(signed=newest, end=verdict.passed, whole_at=workspace.now())
            write_checkpoint(workspace.custody.path, reached)
    return CustodyReport(
        entries=verdict.entries,
        valid=valid,
        findings=tuple(findings),
        shown=(),
        heads=len(found.anchors) + len(of_us),
        targets=tuple(found.targets),
    )


def _length(workspace: Workspace) -> int:
    """Entries of the log by its head file; 0 without it."""
    try:
        return workspace.custody.head().seq
    except CustodyError:
        return 0


def recorded_heads(workspace: Workspace) -> Iterator[Anchor]:
    """The heads of the log that the bags recorded when they were built."""
    for claim in workspace.catalog.keeping.bags():
        bag = bag_folder(workspace, claim)
        try:
            noted = json.loads((bag / CLAIM_RECORD).read_bytes()).get("custody")
            if noted:
                yield Anchor(
                    seq=int(noted["seq"]),
                    sha256=noted["sha256"],
                    root=str(noted.get("root", "")),
                    where=f"the bag {bag.name}",
                )
        except (EvidenceError, OSError, KeyError, ValueError, TypeError, AttributeError):
            continue  # `evidence verify` reports a damaged bag


# --- heads -------------------------------------------------------------------------------


@dataclass
class KeptHeads(CollectsFindings):
    """The signed heads in the archive and at its targets, and what is wrong with them."""

    workspace: Workspace
    anchors: list[Anchor] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    targets: list[str] = field(default_factory=list)
    above: int = 0
    """Heads of fewer entries are not judged and are no anchors."""
    signed: list[SignedHead] = field(default_factory=list)
    """The heads of the anchors."""
    _genuine: dict[SignedHead, bool] = field(default_factory=dict)

    def newest(self, length: int) -> SignedHead | None:
        """The longest of the heads that a log of `length` entries can have reached."""
        return max(
            (one for one in self.signed if one.head.size <= length),
            key=lambda one: one.head.size,
            default=None,
        )

    @property
    def keys(self) -> frozenset[str]:
        """The public keys that the log names; known after `collect`."""
        return frozenset(self._keys)

    def collect(self) -> None:
        """Read all of them; only heads with a signature by a key that the log names become anchors."""
        log = self.workspace.custody
        self._archive = known_archive_id(self.workspace.root, log)
        self._keys = {str(entry.details["public_key"]) for entry in key_entries(log)}
        own = read_heads(heads_folder(self.workspace), self._archive)
        self._read(heads_folder(self.workspace), "the archive's list of heads")
        for target in open_targets(self.workspace):
            where = f"the backup target {target.name}"
            try:
                self._read_target(target, where, wanted=bool(own))
            except (EvidenceError, OSError) as trouble:
                self.add_finding(
                    "target_absent", target.name, f"The heads at {where} were not read: {trouble}"
                )

    def _read_target(self, target: FolderTarget, where: str, *, wanted: bool) -> None:
        target.names()  # raises when it is not this target's folder
        ours, others = self._read(target.root, where)
        self.targets.append(target.name)
        if wanted and not ours:
            used = read_record(self.workspace, target.name) is not None
            if others and used:
                self.add_finding(
                    "other_archive",
                    target.name,
                    f"{where[0].upper()}{where[1:]} holds heads of another archive and none of this one: "
                    "the log, or the target's folder, is that of another archive.",
                )
            else:
                self.add_finding(
                    "no_heads", target.name, f"There is no head at {where} yet; run `evidence backup`."
                )

    def _read(self, root: Path, where: str) -> tuple[int, int]:
        """Read the heads below `root`; returns how many lines are of this archive and of others."""
        ours = others = 0
        seen: set[tuple[int, str, str]] = set()
        for line in kept_lines(root):
            if line.archive != self._archive:
                others += 1
                continue
            ours += 1
            if line.signed and line.signed.head.size < self.above:
                continue
            signed = self._judge(line, where)
            key = (signed.head.size, signed.head.root, signed.head.last) if signed else None
            if signed and key and key not in seen:
                seen.add(key)
                self.signed.append(signed)
                self.anchors.append(signed.head.anchor(f"{where} ({signed.head.time})"))
        return ours, others

    def _is_genuine(self, signed: SignedHead) -> bool:
        """See `SignedHead.is_genuine`; a head that several places hold is checked once."""
        if signed not in self._genuine:
            self._genuine[signed] = signed.is_genuine()
        return self._genuine[signed]

    def _judge(self, line: KeptLine, where: str) -> SignedHead | None:
        """The head in a line when its signature is by a key that the log names."""
        place = f"Line {line.number} of the heads at {where}"
        signed = line.signed
        if signed is None:
            self.add_finding(
                "head_unreadable", str(line.number), f"{place} is not a head, as after a killed run."
            )
        elif signed.head.archive != line.archive or not self._is_genuine(signed):
            self.add_finding(
                "head_forged", str(line.number), f"{place} was altered or forged: its signature does not fit."
            )
        elif signed.key not in self._keys:
            self.add_finding(
                "head_other_key",
                str(line.number),
                f"{place} ({signed.head.size} entries) is signed with the key {fingerprint(signed.key)[:16]}, which "
                "this log does not name: the head was forged, or this log was cut or is another one.",
            )
        else:
            return signed
        return None


def noted_head(text: str) -> Anchor:
    """The head that a person read off a certificate: `ENTRIES:ROOT`. Raises BadInputError."""
    size, _, root = text.partition(":")
    root = root.strip().lower()
    if not size.strip().isdecimal() or len(root) != 64 or set(root) - set("0123456789abcdef"):
        raise BadInputError(
            f"--noted: '{text}' is not a head.",
            "Write the number of entries, a colon, and the root: 42:9f86...",
        )
    return Anchor(seq=int(size), sha256="", root=root, where="the head given with --noted")  # type: ignore[arg-type]


# --- what the log says -------------------------------------------------------------------


@dataclass(kw_only=True)
class Pass:
    """What one reading of the log collects; its size does not grow with the log."""

    people: dict[str, str] = field(default_factory=dict)
    """Duty by name, of those whom the log says may log in."""
    people_at: dict[str, datetime] = field(default_factory=dict)
    """When the newest entry about each person was written."""
    keys: list[Entry] = field(default_factory=list)
    stations: StationHeads = field(default_factory=StationHeads)
    progress: Progress = quiet
    total: int = 0
    """Entries of the log, for the progress."""

    def see(self, entry: Entry) -> None:
        """Process one entry."""
        if entry.seq % SHOWN_EVERY == 0 and self.total:
            self.progress("entries verified", min(entry.seq, self.total), self.total)
        self.stations.see(entry)
        if entry.action in PEOPLE:
            self.people_at[entry.subject] = entry.at
        if entry.action in {"person_added", "person_changed"}:
            self.people[entry.subject] = str(entry.details.get("duty", ""))
        elif entry.action == "person_dropped":
            self.people.pop(entry.subject, None)
        elif names_key(entry):
            self.keys.append(entry)

    def other_ids(self, kept: str | None) -> Iterator[Finding]:
        """Entries that name another archive than the first, or than the archive's own file."""
        ids = [(str(entry.details["archive"]), entry.seq) for entry in self.keys]
        expected = kept or (ids[0][0] if ids else None)
        if kept and not ids:
            message = (
                f"The log does not name this archive, which {ID_FILE} names: it is another one's, or was cut."
            )
            yield Finding(code="other_archive", message=message, subject="1")
        for archive, seq in ids:
            if archive != expected:
                message = (
                    f"Entry {seq} is of the archive {archive}, this archive is {expected}: logs were mixed."
                )
                yield Finding(code="other_archive", message=message, subject=str(seq))

    def added_keys(self) -> Iterator[Finding]:
        """A note for each key after the first: a person checks that it was made on purpose."""
        known: set[str] = set()
        for entry in self.keys:
            key = str(entry.details["public_key"])
            if known and key not in known:
                reason = entry.details.get("reason", "no reason was given")
                yield Finding(
                    code="key_added",
                    message=f"Entry {entry.seq}: {entry.actor} made the key {_short(key)} on "
                    f"{entry.at:%Y-%m-%d} ({reason}). Ask them whether that is so.",
                    subject=str(entry.seq),
                )
            known.add(key)


def _short(key: str) -> str:
    try:
        return fingerprint(key)[:16]
    except ValueError:
        return "unknown"


def people_of_all_logs(workspace: Workspace, passed: Pass) -> Iterable[Finding]:
    """`people_findings`, by the logs of all stations; nothing while one of them cannot be read."""
    elsewhere, whole = people_elsewhere(workspace)
    if not whole:
        return ()
    logged = dict(passed.people)
    for name, entry in elsewhere.items():
        if name in passed.people_at and passed.people_at[name] > entry.at:
            continue
        if entry.action == "person_dropped":
            logged.pop(name, None)
        else:
            logged[name] = str(entry.details.get("duty", ""))
    return people_findings(workspace, logged)


def people_findings(workspace: Workspace, logged: dict[str, str]) -> Iterable[Finding]:
    """People in the catalog without an entry, and people whom only the log has."""
    present = {user.name: user.duty.value for user in workspace.catalog.users.all()}
    for name in sorted(present.keys() - logged.keys()):
        message = f"{name} may log in, but no entry of the log says who added them."
        yield Finding(code="person_without_entry", message=message, subject=name)
    for name in sorted(logged.keys() - present.keys()):
        message = f"{name} was added by an entry of the log and is gone without one."
        yield Finding(code="person_missing", message=message, subject=name)
    for name in sorted(present.keys() & logged.keys()):
        if present[name] != logged[name]:
            message = f"{name} has the duty {present[name]}; the log's last entry says {logged[name]}."
            yield Finding(code="person_changed", message=message, subject=name)


# --- a lost head file --------------------------------------------------------------------


def reseal(workspace: Workspace, reason: str) -> Entry:
    """Write the log's lost head file anew, after comparing the log with every head that is kept elsewhere.

    Raises BadInputError without a reason and when the head file is not lost; CustodyError when anything
    contradicts the log, or a target that may hold a later head is not connected.
    """
    if not reason.strip():
        raise BadInputError("--reseal needs a reason.", "Say why, for example: --reseal 'head file deleted'.")
    with workspace.locked():
        verdict = check_log(workspace)
        against = [one for one in verdict.findings if one.code not in {*NOTES, HEAD_MISSING}]
        if against:
            raise CustodyError(f"The log's head is not written anew: {against[0].message}", RESTORE)
        if not any(one.code == HEAD_MISSING for one in verdict.findings):
            raise BadInputError(
                "The custody log has its head file.", "`evidence custody --verify` checks the log against it."
            )
        away = [one.subject for one in verdict.findings if one.code == "target_absent"]
        if away:
            raise CustodyError(
                f"The backup target {away[0]} may hold a later head, and is not connected.",
                f"Connect it. If its disk is lost: `evidence target lost {quote(away[0])} --reason TEXT`.",
            )
        return workspace.custody.reseal(workspace.actor, reason.strip(), workspace.now())
