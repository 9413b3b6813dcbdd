"""Sign a claim off, send it back for what is missing, or undo either."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from evidence.analysis import coverage as covering
from evidence.catalog.claims import ClaimRow
from evidence.catalog.decisions import EarlierState, ReviewDecision, SendBack, Sign, TakeBack
from evidence.coverage.report import CoverageReport, Item
from evidence.coverage.to_shoot import ToShoot, still_to_shoot
from evidence.errors import BadInputError, counted
from evidence.filing.bags import file_away_soon
from evidence.model import CHANGEABLE, ClaimId, ClaimState
from evidence.review.recording import Corrected, decide
from evidence.review.staleness import require_version
from evidence.workspace import Workspace

MOST_NOTE = 2000
"""Characters of a note; a longer text belongs in the claim file."""


class NotReadyError(BadInputError):
    """The claim cannot be signed off: the reasons, each in a sentence."""

    def __init__(self, claim: ClaimId, obstacles: Sequence[str]) -> None:
        self.obstacles = tuple(obstacles)
        super().__init__(
            f"Claim {claim} cannot be signed off: {'; '.join(obstacles)}.",
            "Confirm what is guessed, set aside what this house does not need, or send the claim back.",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Obstacle:
    """One thing that a sign-off would rest on without anyone having stated it."""

    words: str
    """A sentence."""
    item: Item | None = None
    """The required shot that is missing or only guessed; None for the others."""
    unsure: bool = False
    """Whether it is about photos whose house is to confirm."""


def obstacles(workspace: Workspace, claim: ClaimId, report: CoverageReport) -> list[Obstacle]:
    """Everything that a sign-off would rest on without anyone having stated it (rule 9)."""
    found = [
        Obstacle(words=f"{_named(item.place, item.title)} is not shown", item=item) for item in report.missing
    ]
    found += [
        Obstacle(words=f"{_named(item.place, item.title)} is only guessed", item=item)
        for item in report.guessed
    ]
    unsure = workspace.catalog.photos.to_confirm(claim).get(claim, 0)
    if unsure:
        found.append(Obstacle(words=f"{counted(unsure, 'photo')} may belong to another house", unsure=True))
    if not workspace.catalog.photos.counts(claim).get(claim):
        found.append(Obstacle(words="there is no photo"))
    return found


def sign(workspace: Workspace, claim: ClaimId, *, note: str, seen: int) -> Corrected:
    """Sign the claim off, in the name of whoever is at work.

    Raises NotReadyError while anything required is missing or guessed, ChangedError when the claim changed since
    version `seen`, BadInputError when it is signed or closed already.
    """
    with workspace.locked():
        row = _open_row(workspace, claim, seen)
        report = covering.coverage_of(workspace, claim)
        if reasons := obstacles(workspace, claim, report):
            raise NotReadyError(claim, [one.words for one in reasons])
        photos = workspace.catalog.photos.counts(claim)[claim][0]
        decision = Sign(
            replaced=EarlierState(state=row.state),
            note=_checked(note),
            shot_list=report.list_id,
            version=row.version,
            met={" ".join(filter(None, item.key)): item.photos for item in report.met},
            waived={" ".join(filter(None, item.key)): item.why for item in report.waived},
            flags=tuple(f"{flag.code}: {flag.message}" for flag in report.flags),
        )
        number = _conclude(
            workspace,
            claim,
            decision,
            ClaimState.SIGNED,
            action="signed_off",
            list=report.list_id,
            met=len(report.met),
            waived=len(report.waived),
            flags=len(report.flags),
            photos=photos,
        )
    return Corrected(decision=number, photos=photos, claims=(claim,))


def send_back(workspace: Workspace, claim: ClaimId, *, note: str, seen: int) -> tuple[Corrected, ToShoot]:
    """Return the claim to the adjuster with the list of what is missing; returns that list too.

    Raises ChangedError when the claim changed since version `seen`, BadInputError when it is signed or closed, or
    when nothing is missing and no note says what else is wanted.
    """
    with workspace.locked():
        row = _open_row(workspace, claim, seen)
        wanted = still_to_shoot(covering.coverage_of(workspace, claim))
        if not wanted.lines and not wanted.confirm and not note.strip():
            raise BadInputError(
                f"Nothing is missing from claim {claim}.", "Write in the note what the adjuster should do."
            )
        decision = SendBack(
            replaced=EarlierState(state=row.state),
            note=_checked(note),
            missing=tuple(line.text for line in wanted.lines),
            confirm=tuple(line.text for line in wanted.confirm),
            safety=wanted.safety,
        )
        number = _conclude(
            workspace,
            claim,
            decision,
            ClaimState.RETURNED,
            action="sent_back",
            missing=list(decision.missing),
        )
    return Corrected(decision=number, photos=0, claims=(claim,)), wanted


def take_back(workspace: Workspace, claim: ClaimId, *, why: str, seen: int) -> Corrected:
    """Undo a sign-off or a return: the claim is open again. Raises BadInputError, ChangedError."""
    with workspace.locked():
        row = require_version(workspace, claim, seen)
        if row.state not in (ClaimState.SIGNED, ClaimState.RETURNED):
            raise BadInputError(
                f"Claim {claim} is {row.state.value}.", "There is no sign-off or return to undo."
            )
        if row.state is ClaimState.SIGNED and not why.strip():
            raise BadInputError("To undo a sign-off you must give a reason.", "Write it in the note.")
        decision = TakeBack(replaced=EarlierState(state=row.state), note=_checked(why))
        number = _conclude(
            workspace, claim, decision, ClaimState.OPEN, action="taken_back", was=row.state.value
        )
    return Corrected(decision=number, photos=0, claims=(claim,))


def _conclude(
    workspace: Workspace,
    claim: ClaimId,
    verdict: ReviewDecision,
    state: ClaimState,
    *,
    action: str,
    **details: object,
) -> int:
    """Store the verdict, the claim's state and the log entry, all of it or nothing; the bag follows."""
    reason = {"why" if isinstance(verdict, TakeBack) else "note": verdict.note}
    with workspace.catalog.transaction():
        number = decide(workspace, verdict, claim)
        workspace.catalog.claims.set_state(claim, state)
        workspace.catalog.keeping.mark_dirty([claim])
        workspace.record(action, claim, decision=number, **reason, **details)
    file_away_soon(workspace)
    return number


def _open_row(workspace: Workspace, claim: ClaimId, seen: int) -> ClaimRow:
    row = require_version(workspace, claim, seen)
    if row.state not in CHANGEABLE:
        raise BadInputError(f"Claim {claim} is {row.state.value} already.", "Undo that first if it is wrong.")
    return row


def _checked(note: str) -> str:
    note = note.strip()
    if len(note) > MOST_NOTE:
        raise BadInputError(f"The note is longer than {MOST_NOTE} characters.", "Shorten it.")
    return note


def _named(place: str, title: str) -> str:
    return f"{title} ({place})" if place else title
