"""What goes into a coverage check and what comes out; frozen values only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from evidence.coverage.shots import FACES, Area, ForEach
from evidence.model import ClaimId, Face, Finding, Sha256


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiver:
    """A person's decision that a required shot is not needed on this claim."""

    requirement: str
    """Id of the shot."""
    by: str
    why: str
    face: Face | None = None
    """None waives it wherever it is asked for."""
    structure: str = ""
    """For a structure's shot: the component; empty waives all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NearMatch:
    """A photo of this claim that is nearly the same as one that another claim had before."""

    photo: Sha256
    other: Sha256
    claim: ClaimId
    bits: int
    """Hamming distance of the perceptual hashes."""
    photos: int = 1
    """Photos of other claims that are this alike: plain walls are alike without being the same."""
    claims: int = 1
    """The claims of those photos."""
    turned: str = ""
    """How the other photo is turned or mirrored, in words; empty when it is not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BroughtAgain:
    """A file of another claim that came again among this claim's photos; it stays with the other claim."""

    photo: Sha256
    name: str
    claim: ClaimId


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherClaims:
    """Where this claim's photos occur in other claims; used for flags only."""

    same: Mapping[Sha256, tuple[ClaimId, ...]] = field(default_factory=dict)
    """Other claims that hold the same file."""
    near: tuple[NearMatch, ...] = ()
    brought: tuple[BroughtAgain, ...] = ()
    look_into: frozenset[Sha256] = frozenset()
    """Those of these photos into which somebody is to look."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckOptions:
    """How strictly to check."""

    guess_level: float = 0.8
    """A guess at least this probable may fill a shot as guessed; a weaker one is ignored."""
    double_bits: int = 6
    """Photos whose perceptual hashes differ in at most this many of 64 bits count once."""
    lot_m: float = 150.0
    """A photo farther than this from the loss address is flagged, in metres."""
    window: tuple[datetime, datetime] | None = None
    """First and last moment of the inspection, naive, on the claim's common clock; None: the day on which most of
    the photos were taken."""
    elevations: tuple[Face, ...] = FACES
    slopes: tuple[Face, ...] = FACES
    """The slopes that the roof has, where known; a shot is asked for on these only."""


class Status(StrEnum):
    """The status of one required shot in one place."""

    MET = "met"
    GUESSED = "guessed"
    MISSING = "missing"
    WAIVED = "waived"
    NOT_NEEDED = "not_needed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A photo that nearly satisfies a shot, and what it lacks."""

    photo: Sha256
    lacks: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One required shot in one place: what was asked, its status, the photos, and the reason."""

    requirement: str
    title: str
    for_each: ForEach
    area: Area
    status: Status
    why: str
    asked: str
    """What would satisfy it, in words."""
    face: Face | None = None
    structure: str = ""
    photos: tuple[Sha256, ...] = ()
    """Photos that state what is asked, in shooting order, even when they are too few."""
    guesses: tuple[Sha256, ...] = ()
    """Photos that match only with a guess."""
    candidates: tuple[Candidate, ...] = ()
    """For a missing shot: the photos that come nearest, nearest first."""

    @property
    def words(self) -> str:
        """The shot with its place: `Gutter, back elevation`."""
        return f"{self.title}, {self.place}" if self.place else self.title

    @property
    def key(self) -> tuple[str, str]:
        """Identifies the item within its report: the shot and its place."""
        return self.requirement, self.face or self.structure or ""

    @property
    def place(self) -> str:
        """`right elevation`, `back slope`, `shed`; empty for what is asked once."""
        if self.face is not None:
            return f"{self.face} {self.for_each}"
        return self.structure.replace("_", " ")


@dataclass(frozen=True, slots=True, kw_only=True)
class CoverageReport:
    """The whole result; every item is in exactly one of the five tuples."""

    list_id: str
    list_title: str
    basis: str
    safety: str
    met: tuple[Item, ...]
    guessed: tuple[Item, ...]
    missing: tuple[Item, ...]
    waived: tuple[Item, ...]
    not_needed: tuple[Item, ...]
    flags: tuple[Finding, ...]
    """About photos (the subject is a sha256) and about the claim as a whole (an empty subject)."""

    @property
    def items(self) -> tuple[Item, ...]:
        """All items, worst first."""
        return (*self.missing, *self.guessed, *self.waived, *self.met, *self.not_needed)

    @property
    def complete(self) -> bool:
        """True when nothing is missing and nothing rests on a guess (rule 9)."""
        return not self.missing and not self.guessed
