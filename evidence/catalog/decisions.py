"""What a person can decide, as a closed set of types; `decision_json` gives their form as JSON data.

`Decision` is the base of a closed set, grouped by what may be done with them: a `Correction` can be undone,
a `SplitCorrection` says which claim photos belong to or where a segment begins, a `ReviewDecision` signs a claim off,
sends it back or reopens it, a `Closure` starts or stops the claim's retention period. `replaced` holds what was
there before.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum
from typing import Annotated, ClassVar, Generic, Literal, NamedTuple, TypeAlias, TypeVar

from pydantic import ConfigDict, Field

from evidence.model import ClaimId, ClaimState, Facet, Sha256


class Touched(NamedTuple):
    """One thing that a decision changes. Of two decisions that change the same thing, the later one must be undone first."""

    subject: str
    """A photo's digest, or a claim with a requirement and a place."""
    what: str
    """A facet, 'claim', 'boundary', 'caption', 'report', 'likeness' or 'waiver'."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """What a person decided."""

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid")

    kind: str
    """Names the type in the catalog and in the bags."""

    def about(self) -> tuple[Sha256, ...]:
        """The photos that it is about."""
        return ()

    def touches(self) -> frozenset[Touched]:
        """The things that it changes."""
        return frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction(Decision):
    """A decision that can be undone."""

    def changes(self) -> tuple[Sha256, ...]:
        """The photos that undoing it changes; their claims must be open."""
        return self.about()


@dataclass(frozen=True, slots=True, kw_only=True)
class SplitCorrection(Correction):
    """A correction of the split: of photos' claims, or of a boundary. `replaced` holds their claims; None is the tray."""

    replaced: Mapping[Sha256, ClaimId | None]

    def assigns(self) -> Mapping[Sha256, ClaimId | None]:
        """The claim that it gives each photo; empty when it only sets or removes a boundary."""
        return {}

    def about(self) -> tuple[Sha256, ...]:
        """The photos whose claim it states."""
        return tuple(self.assigns())

    def touches(self) -> frozenset[Touched]:
        """The claim of each of its photos."""
        return frozenset(Touched(sha, "claim") for sha in self.assigns())


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimCorrection(SplitCorrection):
    """A correction that gives all of its photos one claim, or puts them into the tray for None."""

    photos: tuple[Sha256, ...]
    claim: ClaimId | None

    def assigns(self) -> Mapping[Sha256, ClaimId | None]:
        """The claim for each photo."""
        return dict.fromkeys(self.photos, self.claim)


@dataclass(frozen=True, slots=True, kw_only=True)
class Move(ClaimCorrection):
    """These photos belong to `claim`, or to the tray for None."""

    kind: Literal["move"] = "move"


@dataclass(frozen=True, slots=True, kw_only=True)
class Name(ClaimCorrection):
    """The photos of a segment belong to `claim`."""

    kind: Literal["name"] = "name"
    claim: ClaimId
    segment: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift(SplitCorrection):
    """The boundary before the photo `boundary` moved to before the photo `to`."""

    kind: Literal["shift"] = "shift"
    boundary: Sha256
    to: Sha256
    claims: Mapping[Sha256, ClaimId | None]
    """The claim of every photo of the segment that gave photos away."""

    def assigns(self) -> Mapping[Sha256, ClaimId | None]:
        """The claim for each photo."""
        return self.claims

    def touches(self) -> frozenset[Touched]:
        """The claim of each of its photos, and both boundaries."""
        touched = {Touched(sha, "claim") for sha in self.claims}
        return frozenset(touched | {Touched(self.boundary, "boundary"), Touched(self.to, "boundary")})


@dataclass(frozen=True, slots=True, kw_only=True)
class BoundaryCorrection(SplitCorrection):
    """A correction of the boundary before the photo `before`."""

    before: Sha256

    def about(self) -> tuple[Sha256, ...]:
        """The photo after the boundary."""
        return (self.before,)

    def touches(self) -> frozenset[Touched]:
        """The boundary before the photo."""
        return frozenset({Touched(self.before, "boundary")})


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut(BoundaryCorrection):
    """A segment begins with the photo `before`."""

    kind: Literal["cut"] = "cut"


@dataclass(frozen=True, slots=True, kw_only=True)
class Join(BoundaryCorrection):
    """No segment begins with the photo `before`."""

    kind: Literal["join"] = "join"


@dataclass(frozen=True, slots=True, kw_only=True)
class Tag(Correction):
    """Facets of photos are stated; None removes an earlier statement."""

    kind: Literal["tag"] = "tag"
    replaced: Mapping[Sha256, Mapping[Facet, str | None]]
    stated: Mapping[Sha256, Mapping[Facet, str | None]]

    def about(self) -> tuple[Sha256, ...]:
        """The photos that were tagged."""
        return tuple(self.stated)

    def touches(self) -> frozenset[Touched]:
        """Each facet of each photo."""
        return frozenset(Touched(sha, facet.value) for sha, facets in self.stated.items() for facet in facets)


@dataclass(frozen=True, slots=True, kw_only=True)
class Caption(Correction):
    """The text beside a photo in the report; an empty one removes it."""

    kind: Literal["caption"] = "caption"
    replaced: str
    photo: Sha256
    text: str

    def about(self) -> tuple[Sha256, ...]:
        """The photo."""
        return (self.photo,)

    def touches(self) -> frozenset[Touched]:
        """The photo's caption."""
        return frozenset({Touched(self.photo, "caption")})


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierWaiver:
    """The waiver of the same requirement that a new one replaced."""

    by: str
    why: str
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Waive(Correction):
    """A required shot is set aside for a claim."""

    kind: Literal["waive"] = "waive"
    replaced: EarlierWaiver | None
    claim: ClaimId
    requirement: str
    place: str
    """A face or a structure; empty: wherever it is asked for."""
    why: str

    def touches(self) -> frozenset[Touched]:
        """The waiver of that requirement."""
        return frozenset({Touched(f"{self.claim} {self.requirement} {self.place}", "waiver")})


@dataclass(frozen=True, slots=True, kw_only=True)
class LeaveOut(Correction):
    """Of nearly equal photos some stay in the claim's report, the others are left out of it. All are kept."""

    kind: Literal["leave_out"] = "leave_out"
    replaced: None = None
    stay: tuple[Sha256, ...]
    left_out: tuple[Sha256, ...]

    def about(self) -> tuple[Sha256, ...]:
        """The photos that were compared."""
        return (*self.stay, *self.left_out)

    def touches(self) -> frozenset[Touched]:
        """Whether each of them stands in the report."""
        return frozenset(Touched(sha, "report") for sha in self.about())


class LikenessAnswer(StrEnum):
    """What a person says of a photo that may have served another claim."""

    FINE = "fine"
    """The same house, or nothing but a likeness."""
    LOOK_INTO = "look_into"
    """Somebody is to look into it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerLikeness(Correction):
    """A photo was compared with photos of other claims that are the same file, or alike. It accuses nobody."""

    kind: Literal["likeness"] = "likeness"
    replaced: None = None
    photo: Sha256
    others: tuple[Sha256, ...]
    """Those of other claims that it was compared with, one of each claim; the photo itself for an equal file."""
    answer: LikenessAnswer

    def about(self) -> tuple[Sha256, ...]:
        """The photos that were compared; none once those of the other claims are purged."""
        return tuple(dict.fromkeys((self.photo, *self.others))) if self.others else ()

    def touches(self) -> frozenset[Touched]:
        """What is said of the photo's likeness."""
        return frozenset({Touched(self.photo, "likeness")})

    def changes(self) -> tuple[Sha256, ...]:
        """None: the other photos, and their claims, stay as they are."""
        return ()


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierState:
    """The claim's state before a reviewer's decision."""

    state: ClaimState


@dataclass(frozen=True, slots=True, kw_only=True)
class ReviewDecision(Decision):
    """A reviewer's decision on a whole claim."""

    replaced: EarlierState
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sign(ReviewDecision):
    """The claim is signed off, on this proof."""

    kind: Literal["sign"] = "sign"
    shot_list: Annotated[str, Field(alias="list")]
    """The list of required shots."""
    version: int
    """The claim's version that the reviewer saw."""
    met: Mapping[str, tuple[Sha256, ...]]
    """For each requirement with its place, the photos that show it."""
    waived: Mapping[str, str]
    """For each requirement that was set aside, why."""
    flags: tuple[str, ...]
    """The warnings that the reviewer saw, as 'code: message'."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SendBack(ReviewDecision):
    """The claim goes back to the adjuster for what is missing."""

    kind: Literal["return"] = "return"
    missing: tuple[str, ...]
    confirm: tuple[str, ...] = ()
    safety: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeBack(ReviewDecision):
    """A sign-off or a return is undone; the claim is open again."""

    kind: Literal["take_back"] = "take_back"


@dataclass(frozen=True, slots=True, kw_only=True)
class Closure(Decision):
    """A change between open and closed, on a calendar day of the office."""

    replaced: None = None
    on: date


@dataclass(frozen=True, slots=True, kw_only=True)
class Close(Closure):
    """The claim was closed; its retention period starts."""

    kind: Literal["closed"] = "closed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reopen(Closure):
    """The claim was reopened; its retention period starts anew at the next closing."""

    kind: Literal["reopened"] = "reopened"


@dataclass(frozen=True, slots=True, kw_only=True)
class Event(Decision):
    """Something happened to the claim on that calendar day, from which a retention rule may count."""

    kind: Literal["event"] = "event"
    replaced: date | None
    """The day that was stated before."""
    event: str
    """`settled`, `adjustment_completed`, ..."""
    on: date | None
    """None: it did not happen, or its day is not known."""
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RulesSeen(Decision):
    """The retention rules changed since a command last read them."""

    kind: Literal["rules_seen"] = "rules_seen"
    replaced: str | None
    """The digest before."""
    digest: str
    rules: Mapping[str, str]
    """For each rule's id its digest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AskFloor(Decision):
    """A person asks that a rule may keep less than the floor."""

    kind: Literal["floor_asked"] = "floor_asked"
    replaced: None = None
    rule: str
    years: int
    """The floor for this rule, in years from closing."""
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AgreeFloor(Decision):
    """A second person agrees to such an exception."""

    kind: Literal["floor_agreed"] = "floor_agreed"
    replaced: None = None
    asked: int
    """The number of the decision that asked."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EndFloor(Decision):
    """Such an exception ends, or is not agreed to."""

    kind: Literal["floor_ended"] = "floor_ended"
    replaced: None = None
    asked: int
    why: str


AnyDecision: TypeAlias = (
    Move
    | Name
    | Shift
    | Cut
    | Join
    | Tag
    | Caption
    | Waive
    | LeaveOut
    | AnswerLikeness
    | Sign
    | SendBack
    | TakeBack
    | Close
    | Reopen
    | Event
    | RulesSeen
    | AskFloor
    | AgreeFloor
    | EndFloor
)

D_co = TypeVar("D_co", bound=Decision, covariant=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionRow(Generic[D_co]):
    """A decision as the catalog keeps it: who made it, when, and whether it was undone."""

    number: int
    at: datetime
    """Aware, UTC."""
    actor: str
    claim: ClaimId | None
    decision: D_co
    undone: bool = field(default=False)
