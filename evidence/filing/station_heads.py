"""The custody logs of the stations of one catalog: each notes the signed heads of the others, and compares them later.

A station whose log was cut, rolled back or rewritten is found by the others' logs, and it finds in the catalog what
they noted of its own.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from evidence.archive.custody import Anchor, Entry
from evidence.archive.custody_key import key_entries, log_of
from evidence.archive.heads import SignedHead, parse_head
from evidence.catalog.stations import Station
from evidence.errors import EvidenceError
from evidence.filing.custody_heads import signed_head
from evidence.filing.originals import station_folder
from evidence.model import Finding
from evidence.workspace import Workspace

NOTED = "station_head_noted"
"""The action of the entry about the head of another station's log."""
STATION_NOTES = frozenset({"station_log_absent", "station_without_head"})
"""Findings that do not make the log invalid."""
PEOPLE = frozenset({"person_added", "person_changed", "person_dropped"})
"""Actions of entries about who may log in."""


def exchange_heads(workspace: Workspace) -> list[Finding]:
    """Note the new heads of the other stations' logs in this log, then publish this log's head; returns what failed.

    Nothing happens with a catalog in a file, or with one station.
    """
    stations = workspace.catalog.stations
    others = stations.others()
    if not others:
        return []
    noted = {station: parse_head(head) for station, _, head in stations.noted(by=stations.own)}
    findings = []
    for one in others:
        head = parse_head(one.head)
        if head is None:
            continue
        if not _is_of(head, one):
            findings.append(_forged(one))
            continue
        before = noted.get(one.archive)
        if before is not None and before.head.size >= head.head.size:
            continue
        workspace.record(NOTED, one.name, station=one.archive, head=json.loads(head.line()))
        stations.put_noted(one.archive, json.loads(head.line()))
    try:
        stations.put_head(json.loads(signed_head(workspace).line()))
    except EvidenceError as trouble:
        message = f"The head of this station's custody log was not signed: {trouble}"
        findings.append(Finding(code="head_not_signed", message=message))
    return findings


def heads_noted_of_us(workspace: Workspace) -> Iterator[Anchor]:
    """The heads of this station's log that other stations noted, of those with a signature that fits."""
    stations = workspace.catalog.stations
    if not stations.own:
        return
    for _, by, value in stations.noted(of=stations.own):
        head = parse_head(value)
        if head is not None and head.head.archive == stations.own and head.is_genuine():
            yield head.head.anchor(f"the log of the station {stations.name(by)}")


@dataclass(kw_only=True)
class StationHeads:
    """The newest head of each other station's log that this log notes; `see` gets each entry."""

    newest: dict[str, tuple[int, SignedHead | None]] = field(default_factory=dict)
    """By the station's archive's id: the number of our entry, and the head; None for one that is not a head."""

    def see(self, entry: Entry) -> None:
        """Process one entry."""
        if entry.action == NOTED:
            value = entry.details.get("head")
            head = parse_head(dict(value) if isinstance(value, Mapping) else value)
            self.newest[str(entry.details.get("station"))] = (entry.seq, head)

    def findings(self, workspace: Workspace) -> Iterator[Finding]:
        """What is wrong with the logs of the other stations, and which could not be compared. Reads their logs where it can."""
        for one in workspace.catalog.stations.others():
            yield from self._of(one)

    def _of(self, one: Station) -> Iterator[Finding]:
        seq, noted = self.newest.get(one.archive, (0, None))
        published = parse_head(one.head)
        if one.head is not None and (published is None or not _is_of(published, one)):
            yield _forged(one)
            return
        if seq and (noted is None or not _is_of(noted, one)):
            message = f"Entry {seq} notes a head of the station {one.name} that is not a head of its log."
            yield Finding(code="station_head_forged", message=message, subject=one.name)
            return
        if noted is None:
            message = f"This log notes no head of the station {one.name} yet; the next intake or backup does."
            yield Finding(code="station_without_head", message=message, subject=one.name)
        elif published is None or published.head.size < noted.head.size:
            yield self._differs(one, seq, noted)
            return
        yield from self._compared(one, seq, [head for head in (noted, published) if head])

    def _compared(self, one: Station, seq: int, heads: list[SignedHead]) -> Iterator[Finding]:
        root = station_folder(one)
        log = log_of(root) if root else None
        try:
            if log is None or not log.path.is_file():
                message = (
                    f"The log of the station {one.name} cannot be read from here, so it was not compared."
                )
                yield Finding(code="station_log_absent", message=message, subject=one.name)
                return
            keys = {str(entry.details["public_key"]) for entry in key_entries(log)}
            for head in heads:
                if not log.extends(head.head.anchor("")):
                    yield self._differs(one, seq, head)
                    return
                if head.key not in keys:
                    message = (
                        f"A head of the station {one.name} is signed with a key that its log does not name."
                    )
                    yield Finding(code="station_head_forged", message=message, subject=one.name)
                    return
        except (EvidenceError, OSError) as trouble:
            message = f"The log of the station {one.name} was not compared: {trouble}"
            yield Finding(code="station_log_absent", message=message, subject=one.name)

    @staticmethod
    def _differs(one: Station, seq: int, head: SignedHead) -> Finding:
        where = f"entry {seq} of this log notes" if seq else "the catalog has"
        return Finding(
            code="station_log_differs",
            message=f"The log of the station {one.name} was cut or altered: {where} a signed head of "
            f"{head.head.size} entries ({head.head.time}) that it does not continue. Run "
            "`evidence custody --verify` there.",
            subject=one.name,
        )


def people_elsewhere(workspace: Workspace) -> tuple[dict[str, Entry], bool]:
    """The newest entry about each person in the other stations' logs, and whether all of those were read."""
    newest: dict[str, Entry] = {}
    whole = True
    for one in workspace.catalog.stations.others():
        root = station_folder(one)
        try:
            if root is None or not log_of(root).path.is_file():
                whole = False
                continue
            for entry in log_of(root).entries():
                if entry.action in PEOPLE and (
                    entry.subject not in newest or entry.at > newest[entry.subject].at
                ):
                    newest[entry.subject] = entry
        except (EvidenceError, OSError):
            whole = False
    return newest, whole


def _is_of(head: SignedHead, one: Station) -> bool:
    return head.head.archive == one.archive and head.is_genuine()


def _forged(one: Station) -> Finding:
    message = (
        f"The head that the catalog has of the station {one.name} is not one of its log, or was altered."
    )
    return Finding(code="station_head_forged", message=message, subject=one.name)
