"""A reviewer's work on a claim: tagging what they saw, signing off, sending back, and undoing.

Whoever acts says what they saw, and a change by somebody else in between is told instead of overwritten.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from evidence.analysis import coverage as covering
from evidence.analysis.refresh import Refreshed
from evidence.catalog.claims import ClaimRow, Decision
from evidence.coverage.report import CoverageReport
from evidence.coverage.walk import ToShoot, still_to_shoot
from evidence.errors import BadInputError, EvidenceError
from evidence.filing.bags import file_away
from evidence.model import CHANGEABLE, ClaimId, ClaimState, Facet, PhotoRecord, Sha256
from evidence.review.placing import Corrected, require_open, undo
from evidence.review.tagging import state_facets
from evidence.workspace import Workspace

BOUNDARY_KINDS = ("move", "name", "shift", "cut", "join")
CLAIM_KINDS = (*BOUNDARY_KINDS, "tag", "waive", "sign", "return", "take_back")
MOST_NOTE = 2000
"""Characters of a note; a longer text belongs into the claim file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """Something that somebody else did since it was looked at."""

    subject: str
    """A photo's digest, a claim's number or a day."""
    message: str


class ChangedError(EvidenceError):
    """What was looked at has changed since; nothing was done."""

    exit_code = 28

    def __init__(self, changes: Sequence[Change]) -> None:
        self.changes = tuple(changes)
        said = " ".join(dict.fromkeys(change.message for change in changes))
        super().__init__(said, "Nothing of yours was saved. Look at it as it is now, then decide again.")


class NotReadyError(BadInputError):
    """The claim cannot be signed off: what stands in the way, each in a sentence."""

    def __init__(self, claim: ClaimId, obstacles: Sequence[str]) -> None:
        self.obstacles = tuple(obstacles)
        many = f"{len(obstacles)} things stand" if len(obstacles) > 1 else "One thing stands"
        super().__init__(
            f"Claim {claim} cannot be signed off: {many} in the way: {'; '.join(obstacles)}.",
            "Confirm what is guessed, set aside what this house does not need, or send the claim back.",
        )


# --- photos ------------------------------------------------------------------------------


def mark_of(record: PhotoRecord) -> str:
    """What a person sees stated of a photo, in 12 hexadecimal digits: its claim, and every stated facet.

    A guess may come and go without changing it.
    """
    stated = sorted(f"{facet}={value.value}" for facet, value in record.tags.items() if value.stated)
    return hashlib.sha256("\n".join([record.claim or "", *stated]).encode()).hexdigest()[:12]


def tag_seen(
    workspace: Workspace, stated: Mapping[Sha256, Mapping[Facet, str | None]], *, seen: Mapping[Sha256, str]
) -> tuple[int, Refreshed]:
    """State facets of photos whose marks are still as they were `seen`; returns the decision's number too.

    The bags are left behind, marked: `filing.bags.file_away` builds them. Raises ChangedError where somebody
    else stated something in between, BadInputError for an unknown photo or a claim that is signed off.
    """
    with workspace.locked():
        records = {record.sha256: record for record in workspace.catalog.photos.records(list(stated))}
        if missing := [sha for sha in stated if sha not in records]:
            raise BadInputError(f"The archive keeps no photo {missing[0][:12]}.", "Load the page again.")
        require_open(workspace, {record.claim for record in records.values()}, what="tags")
        changes = [
            _photo_change(workspace, records[sha]) for sha in stated if seen.get(sha) != mark_of(records[sha])
        ]
        if changes:
            raise ChangedError(changes)
        return state_facets(workspace, stated)


def require_marks(workspace: Workspace, seen: Mapping[Sha256, str]) -> None:
    """Raise ChangedError for photos whose marks are no longer as they were `seen`, with what they say now."""
    records = workspace.catalog.photos.records(list(seen))
    changes = [
        _photo_change(workspace, record) for record in records if seen[record.sha256] != mark_of(record)
    ]
    if changes:
        raise ChangedError(changes)


def shown_guesses(records: Sequence[PhotoRecord], floor: float) -> dict[Sha256, dict[Facet, str | None]]:
    """For each photo the guesses that it shows, those at least `floor` probable, as facets to state."""
    found: dict[Sha256, dict[Facet, str | None]] = {
        record.sha256: {
            facet: value.value
            for facet, value in record.tags.items()
            if not value.stated and value.confidence >= floor
        }
        for record in records
    }
    return {sha: facets for sha, facets in found.items() if facets}


def _photo_change(workspace: Workspace, record: PhotoRecord) -> Change:
    """What is stated of the photo now, and who said so last."""
    said = ", ".join(
        f"{facet} {workspace.vocabulary.plain(facet, value.value)}"
        for facet, value in sorted(record.tags.items())
        if value.stated
    )
    latest = workspace.catalog.claims.latest_about(record.sha256, kinds=("tag", *BOUNDARY_KINDS))
    by = f"{latest.actor} changed {record.name}" if latest else f"{record.name} changed"
    where = f"claim {record.claim}" if record.claim else "no claim"
    return Change(
        subject=record.sha256,
        message=f"{by} meanwhile: it is in {where} and says {said or 'nothing that anyone stated'}.",
    )


# --- the day's boundaries ----------------------------------------------------------------


def day_mark(workspace: Workspace, claim: ClaimId | None) -> str:
    """How the days of a claim are cut at this moment, in 12 hexadecimal digits."""
    rows = workspace.catalog.photos.segments_of(claim)
    said = [f"{row.segment} {row.first} {row.claim} {row.photos}" for row in rows]
    return hashlib.sha256("\n".join(said).encode()).hexdigest()[:12]


def require_day(workspace: Workspace, claim: ClaimId | None, seen: str) -> None:
    """Raise ChangedError unless the claim's days are cut as they were `seen`."""
    if day_mark(workspace, claim) == seen:
        return
    latest = workspace.catalog.claims.decisions(kinds=BOUNDARY_KINDS)
    who = f"{latest[-1].actor} changed how the day is cut" if latest else "The day was cut anew"
    raise ChangedError([Change(subject=claim or "", message=f"{who} since this page was loaded.")])


# --- the claim ---------------------------------------------------------------------------


def obstacles(workspace: Workspace, claim: ClaimId, report: CoverageReport) -> list[str]:
    """Everything that a sign-off would rest on without anyone having stated it (rule 9), in sentences."""
    found = [f"{_named(item.place, item.title)} is not shown" for item in report.missing]
    found += [f"{_named(item.place, item.title)} is only guessed" for item in report.guessed]
    unsure = workspace.catalog.photos.to_confirm().get(claim, 0)
    if unsure:
        photos = "1 photo" if unsure == 1 else f"{unsure} photos"
        found.append(f"{photos} may belong to another house")
    if not workspace.catalog.photos.counts().get(claim):
        found.append("there is no photo")
    return found


def sign(workspace: Workspace, claim: ClaimId, *, note: str, seen: int) -> Corrected:
    """Sign the claim off, in the name of whoever is at work.

    Raises NotReadyError while anything required is missing or guessed, ChangedError when the claim changed since
    version `seen`, BadInputError when it is signed or closed already.
    """
    with workspace.locked():
        row = _open_row(workspace, claim, seen)
        report = covering.coverage_of(workspace, claim)
        if stands := obstacles(workspace, claim, report):
            raise NotReadyError(claim, stands)
        proof = {
            "note": _note(note),
            "list": report.list_id,
            "version": row.version,
            "met": {" ".join(filter(None, item.key)): list(item.photos) for item in report.met},
            "waived": {" ".join(filter(None, item.key)): item.why for item in report.waived},
            "flags": [f"{flag.code}: {flag.message}" for flag in report.flags],
        }
        photos = workspace.catalog.photos.counts()[claim][0]
        told: dict[str, object] = {
            "note": proof["note"],
            "list": report.list_id,
            "met": len(report.met),
            "waived": len(report.waived),
            "flags": len(report.flags),
            "photos": photos,
        }
        number = _turn(workspace, row, "sign", ClaimState.SIGNED, proof, action="signed_off", told=told)
        file_away(workspace)
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
                f"Nothing is missing from claim {claim}.", "Say in the note what the adjuster is to do."
            )
        asked = {
            "note": _note(note),
            "missing": [line.text for line in wanted.lines],
            "confirm": [line.text for line in wanted.confirm],
            "safety": wanted.safety,
        }
        told: dict[str, object] = {"note": asked["note"], "missing": asked["missing"]}
        number = _turn(workspace, row, "return", ClaimState.RETURNED, asked, action="sent_back", told=told)
        file_away(workspace)
    return Corrected(decision=number, photos=0, claims=(claim,)), wanted


def take_back(workspace: Workspace, claim: ClaimId, *, why: str, seen: int) -> Corrected:
    """Take a sign-off or a return back: the claim is open again. Raises BadInputError, ChangedError."""
    with workspace.locked():
        row = _row(workspace, claim, seen)
        if row.state not in (ClaimState.SIGNED, ClaimState.RETURNED):
            raise BadInputError(
                f"Claim {claim} is {row.state.value}.", "There is no sign-off or return to take back."
            )
        if row.state is ClaimState.SIGNED and not why.strip():
            raise BadInputError("Taking a sign-off back needs a reason.", "Say why in the note.")
        told: dict[str, object] = {"was": row.state.value, "why": _note(why)}
        number = _turn(
            workspace, row, "take_back", ClaimState.OPEN, {"note": _note(why)}, action="taken_back", told=told
        )
        file_away(workspace)
    return Corrected(decision=number, photos=0, claims=(claim,))


def _turn(
    workspace: Workspace,
    row: ClaimRow,
    kind: str,
    state: ClaimState,
    after: Mapping[str, object],
    *,
    action: str,
    told: Mapping[str, object],
) -> int:
    """Decision, state and custody entry stand together or not at all."""
    claim = row.claim.claim
    with workspace.catalog.transaction():
        number = workspace.catalog.claims.record(
            at=workspace.now(),
            actor=workspace.actor,
            kind=kind,
            claim=claim,
            before={"state": row.state.value},
            after=after,
        )
        workspace.catalog.claims.set_state(claim, state)
        workspace.catalog.keeping.mark_known_dirty([claim])
        workspace.record(action, claim, decision=number, **told)
    return number


def _open_row(workspace: Workspace, claim: ClaimId, seen: int) -> ClaimRow:
    row = _row(workspace, claim, seen)
    if row.state not in CHANGEABLE:
        raise BadInputError(
            f"Claim {claim} is {row.state.value} already.", "Take that back first if it is wrong."
        )
    return row


def _row(workspace: Workspace, claim: ClaimId, seen: int) -> ClaimRow:
    row = workspace.catalog.claims.get(claim)
    if row is None:
        raise BadInputError(f"There is no claim {claim}.", "`evidence claims` lists them.")
    if row.version != seen:
        latest = workspace.catalog.claims.decisions(kinds=CLAIM_KINDS, claim=claim)
        who = f"{latest[-1].actor} changed claim {claim}" if latest else f"Claim {claim} changed"
        raise ChangedError([Change(subject=claim, message=f"{who} since this page was loaded.")])
    return row


def _note(text: str) -> str:
    text = text.strip()
    if len(text) > MOST_NOTE:
        raise BadInputError(f"The note is longer than {MOST_NOTE} characters.", "Shorten it.")
    return text


def _named(place: str, title: str) -> str:
    return f"{title} ({place})" if place else title


# --- undo --------------------------------------------------------------------------------


def undo_mine(workspace: Workspace, number: int, *, others_too: bool) -> tuple[Decision, Corrected]:
    """Take back one correction, unless something later rests on it.

    Raises BadInputError for somebody else's without `others_too`, for one under a later correction of the same
    photos, and for a claim that is signed off.
    """
    with workspace.locked():
        standing = workspace.catalog.claims.decisions(kinds=("tag", "waive", *BOUNDARY_KINDS))
        chosen = next((one for one in standing if one.number == number), None)
        if chosen is None:
            raise BadInputError(f"There is no correction {number} that stands.", "Load the page again.")
        if chosen.actor != workspace.actor and not others_too:
            raise BadInputError(f"That correction is {chosen.actor}'s.", "Ask them, or a reviewer.")
        later = [one for one in standing if one.number > number and _touches(chosen) & _touches(one)]
        if later:
            raise BadInputError(
                f"{later[-1].actor} has corrected the same since (correction {later[-1].number}).",
                "Take that back first.",
            )
        return undo(workspace, number)


def _touches(decision: Decision) -> set[tuple[str, str]]:
    """What a decision settles, so that two about the same thing are seen."""
    after = decision.after
    if decision.kind == "tag":
        return {(sha, facet) for sha, facets in after.items() for facet in facets}
    if decision.kind in ("move", "name"):
        return {(sha, "claim") for sha in after["photos"]}
    if decision.kind == "shift":
        return {(sha, "claim") for sha in after["claims"]} | {(after["boundary"], "boundary")}
    if decision.kind == "waive":
        return {(f"{after['claim']} {after['requirement']} {after['place']}", "waiver")}
    return {(after["before"], "boundary")}
