"""Where a copy of a claim's photos can be: one frozen type for each sort of place, at this station or at another.

A purge chooses what to delete by these values. `place_text` makes the text that people read; nothing reads it back.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from typing import Any, ClassVar

from evidence.errors import counted
from evidence.model import Sha256


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchiveBag:
    """The claim's bag in the archive."""

    kind: ClassVar[str] = "bag"
    bag: str
    """Its folder's name below `claims/`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetBag:
    """The copy of a bag on a backup target."""

    kind: ClassVar[str] = "target"
    target: str
    bag: str
    """Its folder's name on the target."""


@dataclass(frozen=True, slots=True, kw_only=True)
class IntakeObject:
    """A verified original in the intake area. It serves every claim that holds the same photo."""

    kind: ClassVar[str] = "intake"
    sha256: Sha256
    name: str
    """Its file name, which begins with the digest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Thumbnail:
    """A small copy of a photo. It serves every claim that holds the same photo."""

    kind: ClassVar[str] = "thumbnail"
    sha256: Sha256
    """Digest of the original."""
    name: str
    """Its file name, which begins with the digest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stray:
    """A file with the bytes of one of the claim's photos where the archive puts none. Only a person removes it."""

    kind: ClassVar[str] = "other"
    path: str
    """Below `claims/`, or below the target's folder; with forward slashes."""
    target: str | None = None
    """The backup target, or None for the archive itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Traces:
    """What names the claim and is no copy: lines of ledgers, pages of cards, small pictures, texts of a custody log."""

    kind: ClassVar[str] = "traces"


@dataclass(frozen=True, slots=True, kw_only=True)
class AtStation:
    """A copy or traces at another station of the catalog, which removes them itself."""

    kind: ClassVar[str] = "station"
    station: str
    """The id of its archive."""
    name: str
    """The station's name at that time."""
    copy: ArchiveBag | TargetBag | IntakeObject | Traces


@dataclass(frozen=True, slots=True, kw_only=True)
class OwedCopies:
    """A disk that is away, lost or replaced, or a station that left, and may still hold copies of the claim.

    A purge cannot reach it and lists it.
    """

    target: str
    """The target's name at that time; `station NAME` for a station's archive."""
    place: str
    """What the catalog calls the disk."""
    state: str
    """`lost`, `replaced`, `away` or `left`."""
    since: str
    """The day, for example 2026-05-14."""
    reason: str
    by: str
    """Who declared and who confirmed it."""
    files: int
    """How many files of the claim were copied there."""


CopyAddress = ArchiveBag | TargetBag | IntakeObject | Thumbnail | Stray | Traces | AtStation

REMOVAL_ORDER = (Thumbnail, Traces, Stray, IntakeObject, TargetBag, ArchiveBag, AtStation)
"""The bag is removed last: if a hold arrives during a purge, the best copy still exists."""

_BY_KIND: Mapping[str, type[Any]] = {one.kind: one for one in REMOVAL_ORDER}
_STATION = "station "
"""With this begins the name of what a station that left owes."""


def removal_rank(copy: CopyAddress) -> tuple[int, str]:
    """Sorts copies into the order in which a purge removes them."""
    return REMOVAL_ORDER.index(type(copy)), place_text(copy)


def shared_photo(copy: CopyAddress) -> Sha256 | None:
    """The photo of a copy that every claim with the same photo shares; None for a copy that belongs to one claim."""
    if isinstance(copy, AtStation):
        return shared_photo(copy.copy)
    return copy.sha256 if isinstance(copy, IntakeObject | Thumbnail) else None


def here(copies: Iterable[CopyAddress]) -> list[CopyAddress]:
    """Those of the copies that the station where a purge runs removes itself."""
    return [copy for copy in copies if not isinstance(copy, AtStation)]


def elsewhere(copies: Iterable[CopyAddress]) -> list[AtStation]:
    """Those that other stations remove."""
    return [copy for copy in copies if isinstance(copy, AtStation)]


def place_text(copy: CopyAddress) -> str:
    """The place for people: `archive/claims/HL-1 Moss`, `target nas: HL-1 Moss`."""
    match copy:
        case ArchiveBag(bag=bag):
            return f"archive/claims/{bag}"
        case TargetBag(target=target, bag=bag):
            return f"target {target}: {bag}"
        case IntakeObject(sha256=sha, name=name):
            return f"archive/intake/{sha[:2]}/{name}"
        case Thumbnail(sha256=sha, name=name):
            return f"archive/thumbnails/{sha[:2]}/{name}"
        case Stray(path=path, target=None):
            return f"archive/claims/{path}"
        case Stray(path=path, target=target):
            return f"target {target}: {path}"
        case Traces():
            return "texts and pages that name the claim"
        case AtStation(name=name, copy=one):
            return f"station {name}, {place_text(one)}"


def place_lines(copies: Iterable[CopyAddress]) -> tuple[str, ...]:
    """Where the copies are, without names of bags or files: for a plan and a certificate, which outlive the claim."""
    counts = Counter(map(_place, copies))
    return tuple(
        f"{place}, {number}" if place.endswith(_MANY) else place for place, number in sorted(counts.items())
    )


_MANY = ("in the intake area", "for screens", "outside any bag")
"""How places end of which the number of files is said."""


def _place(copy: CopyAddress) -> str:
    match copy:
        case ArchiveBag():
            return "archive: the claim's bag"
        case TargetBag(target=target):
            return f"target {target}: the claim's bag"
        case IntakeObject():
            return "archive: originals in the intake area"
        case Thumbnail():
            return "archive: small pictures for screens"
        case Stray(target=None):
            return "archive: files outside any bag"
        case Stray(target=target):
            return f"target {target}: files outside any bag"
        case Traces():
            return "archive: texts and pages that name the claim"
        case AtStation(name=name, copy=one):
            return f"station {name}, {_place(one)}"


def certificate_line(copy: CopyAddress) -> str:
    """The copy as a certificate lists it: its kind and its place."""
    return f"{copy.kind}: {place_text(copy)}"


def owed_line(owed: OwedCopies) -> str:
    """The disk as plans, reports and certificates list it."""
    files = counted(owed.files, "file") if owed.files else "its part of the claim"
    whose = owed.target if owed.target.startswith(_STATION) else f"target {owed.target}"
    return f"{whose}, {owed.state} since {owed.since} ({owed.reason}; {owed.by}): {files}"


def to_stored(copy: CopyAddress) -> dict[str, Any]:
    """The address as JSON data: its kind and its fields."""
    if isinstance(copy, AtStation):
        return {
            "kind": copy.kind,
            "station": copy.station,
            "name": copy.name,
            "copy": to_stored(copy.copy),
        }
    return {"kind": copy.kind, **asdict(copy)}


def from_stored(data: Mapping[str, Any]) -> CopyAddress:
    """The address that `to_stored` wrote. Raises KeyError for an unknown kind, TypeError for other fields."""
    fields = dict(data)
    kind = _BY_KIND[fields.pop("kind")]
    if kind is AtStation:
        fields["copy"] = from_stored(fields["copy"])
    found: CopyAddress = kind(**fields)
    return found


def station_left(name: str) -> str:
    """What a plan and the log call the archive of a station that left and may still hold copies."""
    return _STATION + name.replace(",", " ")
