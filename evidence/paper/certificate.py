"""The certificate of a purge, as plain text.

Its fields are those of the minimum certificate in NIST SP 800-88 Rev. 1, section 4.8. Files were deleted and no
medium was sanitized; the fields about a medium say so.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from evidence.model import ClaimId, Sha256

_WIDTH = 92
_STATEMENT = (
    "This certifies file deletion, not media sanitization. Every known copy listed below was deleted from "
    "its file system or object store, and a search afterwards found no copy. No storage medium was cleared, "
    "purged or destroyed as NIST SP 800-88 defines these words: a person who holds the medium may be able to "
    "recover deleted data until the space is overwritten or the medium is sanitized."
)
_OWED = (
    "STILL OWED: the disks below were declared lost or replaced before this purge and could not be searched. "
    "They may hold copies of this claim. When one of them is found, its copies must be deleted or the medium "
    "destroyed, and that must be recorded with this certificate."
)
_COUNSEL = (
    "The retention rule named here is the office's own setting. Counsel decides whether it meets the law, "
    "the contract and any duty to preserve evidence."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """A person who took part; title, location, contact and signature are left blank, to be filled in by hand."""

    action: str
    name: str
    at: datetime | None
    """Aware, UTC."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PurgeCertificate:
    """The content of the certificate."""

    claim: ClaimId
    due_since: date
    authority: str
    plan_digest: str
    photos: Sequence[Sha256]
    removed: Sequence[str]
    """Every copy that was deleted, as text."""
    spared: Sequence[str]
    """Copies that stay because another claim holds the same file, as text."""
    owed: Sequence[str] = ()
    """Lost or replaced disks that may still hold copies, as text."""
    people: Sequence[Person]
    verified: datetime
    """When the search found no copy, aware, UTC."""
    log_head: str
    """The head of the custody log before the purge was entered: entries, Merkle root, signature, key."""
    tool: str
    """Name and version."""


def certificate_text(certificate: PurgeCertificate) -> str:
    """The certificate in lines of 92 characters at most, unless a digest or place is longer; ends with a newline."""
    c = certificate
    lines = ["CERTIFICATE OF FILE DELETION", "", *_wrapped(_STATEMENT), "", *_field("Claim", c.claim)]
    lines += _field("Authority", c.authority)
    lines += _field("Due since", c.due_since.isoformat())
    lines += _field("Plan", f"sha256 {c.plan_digest}")
    lines += _field("Description", "file deletion; neither clear, purge nor destroy")
    lines += _field("Method", "deletion of every known copy through its file system or object store")
    lines += _field("Tool", c.tool)
    lines += _field(
        "Verification",
        f"full: every place was searched again by name, and by digest where possible; nothing was found at {_utc(c.verified)}",
    )
    lines += _field("Custody log", c.log_head)
    lines += _field(
        "Medium", "maker, model, serial, property number, type: not applicable, no medium was sanitized"
    )
    lines += _field("Destination", "not applicable, no medium left the office")
    lines += ["", *_wrapped(_COUNSEL), ""]
    for person in c.people:
        lines += _person(person)
    lines += _listing("Places emptied", c.removed, "none were known")
    lines += _listing("Places that stay because another claim holds the same file", c.spared, "none")
    if c.owed:
        lines += [*_wrapped(_OWED), ""]
        lines += _listing("Disks that were not reached", c.owed, "none")
    lines += _listing("Files deleted, by SHA-256", c.photos, "the claim held none")
    return "\n".join(lines).rstrip("\n") + "\n"


def _person(person: Person) -> list[str]:
    when = _utc(person.at) if person.at else "________________"
    return [
        f"{person.action} by {person.name}, {when}",
        "  Title ____________________  Location ____________________  Contact ____________________",
        "  Signature ______________________________  Date ____________",
        "",
    ]


def _listing(title: str, items: Sequence[str], empty: str) -> list[str]:
    return [f"{title}: {len(items)}", *(f"  {_printable_line(item)}" for item in items or [empty]), ""]


def _field(name: str, value: str) -> list[str]:
    return _wrapped(_printable_line(value), first=f"{name + ':':<14}", then=" " * 14)


def _wrapped(text: str, *, first: str = "", then: str = "") -> list[str]:
    return textwrap.wrap(
        text,
        _WIDTH,
        initial_indent=first,
        subsequent_indent=then,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _printable_line(text: str) -> str:
    """The text without control characters, so that no name can forge a line of the certificate."""
    return "".join(ch if ch.isprintable() else "?" for ch in text)


def _utc(at: datetime) -> str:
    return f"{at:%Y-%m-%d %H:%M:%S} UTC"
