"""The certificate of a purge, as plain text; `certificate_page` sets the same content as a PDF.

Its fields are those of the minimum certificate in NIST SP 800-88 Rev. 1, section 4.8. Files were deleted and no
medium was sanitized; the fields about a medium say so. It outlives the claim: it names only the people who acted.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from evidence.model import ClaimId

_WIDTH = 92
_TITLE = "CERTIFICATE OF FILE DELETION"
STATEMENT = (
    "This certifies file deletion, not media sanitization. Every known copy at the places listed below as emptied was "
    "deleted from its file system or object store, and a search afterwards found no copy. No storage medium was cleared, "
    "purged or destroyed as NIST SP 800-88 defines these words: a person who holds the medium may be able to "
    "recover deleted data until the space is overwritten or the medium is sanitized."
)
_OWED = (
    "STILL OWED: the disks below were away, lost or replaced and could not be searched. They may hold copies of this "
    "claim. When one of them is connected again, `evidence backup` deletes its copies and records that. A disk that "
    "was destroyed is declared with a reason by two people."
)
_STATIONS = (
    "LEFT TO OTHER STATIONS: what is listed below stood at other stations of the office when this was written. Each "
    "station removes it at its next intake, backup or purge, unless a hold covers the claim by then, and its own "
    "custody log records that with the digest of this certificate."
)
_GONE = (
    "STILL OWED BY STATIONS THAT LEFT: the archives below belonged to stations that were declared gone. They may hold "
    "copies of this claim that nobody can search. One that was destroyed is declared so by two people."
)
REMAINS = (
    "What stays on purpose: this certificate, the claim's number, the plan without its details, and the custody log. "
    "The log holds digests of files and, in entries that a program before this one made, whatever text they had: an "
    "entry cannot be changed without breaking the proof of all others. Backups of a database server, swap files and "
    "copies that somebody made by hand are outside this program's reach."
)
COUNSEL = (
    "The retention rule named here is the office's own setting. Check with counsel whether it meets the law, the "
    "contract and any duty to preserve evidence."
)
TRUST = (
    "ON TRUST: no registered person logged in for the steps marked so below. The names are those that were typed; the "
    "program cannot tell whether two people acted."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """A person who took part; title, location, contact and signature are left blank, to be filled in by hand."""

    action: str
    name: str
    at: datetime | None
    """Aware, UTC."""
    logged_in: bool = False
    """True when they logged in as a registered person."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PurgeCertificate:
    """The content of the certificate."""

    claim: ClaimId
    due_since: date
    authority: str
    plan_digest: str
    files: int
    octets: int
    """Bytes of the files; 0 when that is not known."""
    manifest: str
    """SHA-256 over the files' sorted digests."""
    removed: Sequence[str]
    """The places that were emptied, as text."""
    spared: Sequence[str]
    """Places that stay because another claim holds the same file, as text."""
    owed: Sequence[str] = ()
    """Disks that are away, lost or replaced, and stations that left, which may still hold copies, as text."""
    stations: Sequence[str] = ()
    """What other stations are still to remove, as text."""
    people: Sequence[Person]
    quarantined: datetime | None = None
    """When the copies were moved into quarantine, aware, UTC; None when they were deleted at once."""
    verified: datetime
    """When the search found no copy, aware, UTC."""
    log_head: str
    """The head of the custody log before the purge was entered: entries, Merkle root, signature, key."""
    tool: str
    """Name and version."""

    @property
    def on_trust(self) -> bool:
        """True when somebody who took part did not log in."""
        return not all(person.logged_in for person in self.people)


def fields_of(c: PurgeCertificate) -> Iterator[tuple[str, str]]:
    """Name and value of each field, in order."""
    yield "Claim", c.claim
    yield "Authority", c.authority
    yield "Due since", c.due_since.isoformat()
    yield "Files", f"{c.files}, {c.octets} bytes" if c.octets else str(c.files)
    yield (
        "Manifest",
        f"sha256 {c.manifest} over the sorted SHA-256 digests of the files, a line feed after each",
    )
    yield "Plan", f"sha256 {c.plan_digest}"
    yield "Description", "file deletion; neither clear, purge nor destroy"
    yield "Method", "deletion of every known copy through its file system or object store"
    if c.quarantined:
        yield "Quarantine", f"moved aside at {_utc(c.quarantined)}, deleted after its days had passed"
    yield "Tool", c.tool
    searched = "every place of this station" if c.stations else "every place"
    how = "was searched again by name, and by digest where possible; nothing was found at"
    yield "Verification", f"full: {searched} {how} {_utc(c.verified)}"
    yield "Custody log", c.log_head
    yield "Medium", "maker, model, serial, property number, type: not applicable, no medium was sanitized"
    yield "Destination", "not applicable, no medium left the office"


def lists_of(c: PurgeCertificate) -> Iterator[tuple[str, str, Sequence[str], str]]:
    """Each list of places or disks: its title, what is said about it, its items, and what stands for none."""
    emptied = [f"{one}: deleted, medium not sanitized" for one in c.removed]
    yield "Places emptied", "", emptied, "none were known"
    yield "Places that stay because another claim holds the same file", "", c.spared, "none"
    if c.stations:
        yield "Left to other stations", _STATIONS, c.stations, "none"
    left = [one for one in c.owed if one.startswith("station ")]
    if disks := [one for one in c.owed if one not in left]:
        yield "Disks that were not reached", _OWED, disks, "none"
    if left:
        yield "Archives of stations that left", _GONE, left, "none"


def certificate_text(certificate: PurgeCertificate) -> str:
    """The certificate in lines of 92 characters at most, unless a digest or place is longer; ends with a newline."""
    c = certificate
    lines = [_TITLE, "", *_wrapped(STATEMENT), ""]
    for name, value in fields_of(c):
        lines += _wrapped(printable_line(value), first=f"{name + ':':<14}", then=" " * 14)
    lines += ["", *_wrapped(COUNSEL), "", *_wrapped(REMAINS), ""]
    if c.on_trust:
        lines += [*_wrapped(TRUST), ""]
    for person in c.people:
        lines += _person(person)
    for title, said, items, empty in lists_of(c):
        lines += [*_wrapped(said), ""] if said else []
        lines += [f"{title}: {len(items)}", *(f"  {printable_line(item)}" for item in items or [empty]), ""]
    return "\n".join(lines).rstrip("\n") + "\n"


def _person(person: Person) -> list[str]:
    return [
        acted(person),
        "  Title ____________________  Location ____________________  Contact ____________________",
        "  Signature ______________________________  Date ____________",
        "",
    ]


def acted(person: Person) -> str:
    """One line about what a person did, when, and whether they logged in."""
    when = _utc(person.at) if person.at else "________________"
    how = "logged in" if person.logged_in else "on trust, no login"
    return printable_line(f"{person.action} by {person.name}, {when} ({how})")


def _wrapped(text: str, *, first: str = "", then: str = "") -> list[str]:
    return textwrap.wrap(
        text,
        _WIDTH,
        initial_indent=first,
        subsequent_indent=then,
        break_long_words=False,
        break_on_hyphens=False,
    )


def printable_line(text: str) -> str:
    """The text without control characters, so that no name can forge a line of the certificate."""
    return "".join(ch if ch.isprintable() else "?" for ch in text)


def _utc(at: datetime) -> str:
    return f"{at:%Y-%m-%d %H:%M:%S} UTC"
