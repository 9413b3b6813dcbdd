"""A person's corrections: move, cut, join, name, tag, waive; and taking the last one back.

Each is written down as a decision that no later run of the intake overrides, in the custody log, and the
bags follow.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from evidence import covering, filing
from evidence.catalog.claims import Decision, WaiverRow
from evidence.catalog.photos import SegmentRow
from evidence.deciding import Settled, retag, settle
from evidence.errors import BadInputError
from evidence.home import ArchiveHome
from evidence.model import ClaimId, ClaimState, Facet, PhotoRecord, Sha256

CLAIMS_MOVED_FROM = frozenset({ClaimState.OPEN, ClaimState.RETURNED})
UNDOABLE = ("move", "name", "cut", "join", "tag", "waive")


@dataclass(frozen=True, slots=True, kw_only=True)
class Corrected:
    """What a correction changed."""

    decision: int
    photos: int
    """Photos it speaks of."""
    claims: tuple[str, ...]
    """Claims whose bags followed; the tray is 'unassigned'."""


def move(home: ArchiveHome, digests: Sequence[Sha256], claim: ClaimId | None) -> Corrected:
    """File these photos under `claim`, or in the tray for None, whatever the split says."""
    with home.working():
        records = home.catalog.photos.records(digests)
        _require_open(home, {record.claim for record in records} | {claim})
        with home.catalog.together():
            number = _decide(
                home,
                "move",
                claim,
                before={record.sha256: record.claim for record in records},
                after={"photos": list(digests), "claim": claim},
            )
            settled = settle(home, digests)
        return _followed(home, number, "moved", settled, digests, to=claim or "unassigned")


def name(home: ArchiveHome, segment: str, claim: ClaimId) -> Corrected:
    """Give every photo of a segment to `claim`; raises BadInputError for an unknown segment."""
    with home.working():
        row = find_segment(home, segment)
        records = home.catalog.photos.of_segment(row.segment)
        digests = [record.sha256 for record in records]
        _require_open(home, {record.claim for record in records} | {claim})
        with home.catalog.together():
            number = _decide(
                home,
                "name",
                claim,
                before={record.sha256: record.claim for record in records},
                after={"photos": digests, "claim": claim, "segment": row.segment},
            )
            settled = settle(home, digests)
        return _followed(home, number, "named", settled, digests, segment=row.segment, to=claim)


def cut(home: ArchiveHome, before: Sha256) -> Corrected:
    """A new segment begins with this photo."""
    return _bound(home, "cut", before)


def join(home: ArchiveHome, before: Sha256) -> Corrected:
    """Take away the boundary before this photo: it goes on where the photo before it was."""
    return _bound(home, "join", before)


def _bound(home: ArchiveHome, kind: str, before: Sha256) -> Corrected:
    with home.working():
        record = home.catalog.photos.records([before])[0]
        _require_open(home, {record.claim})
        with home.catalog.together():
            number = _decide(
                home, kind, record.claim, before={before: record.claim}, after={"before": before}
            )
            settled = settle(home, [before])
        return _followed(home, number, kind, settled, [before], photo=record.name)


def waive(home: ArchiveHome, claim: ClaimId, requirement: str, *, place: str = "", why: str) -> Corrected:
    """Set a required shot aside for this claim, at one face or structure or everywhere.

    Raises BadInputError without a reason, or for a shot or place that the claim's list does not ask for.
    """
    covering.require_requirement(home, claim, requirement, place)
    if not why.strip():
        raise BadInputError(
            "A waiver needs a reason.", "Add --why, for instance 'no A/C unit at this house'."
        )
    with home.working():
        with home.catalog.together():
            number = _decide(
                home,
                "waive",
                claim,
                before=None,
                after={"claim": claim, "requirement": requirement, "place": place, "why": why},
            )
            home.catalog.claims.put_waiver(
                WaiverRow(
                    claim=claim, requirement=requirement, place=place, by=home.actor, why=why, at=home.now()
                )
            )
            home.catalog.keeping.mark_known_dirty([claim])
            home.catalog.claims.touch(claim)
        home.note("waived", claim, decision=number, requirement=requirement, place=place, why=why)
        filing.file_away(home)
        return Corrected(decision=number, photos=0, claims=(claim,))


def undo(home: ArchiveHome, number: int | None = None) -> tuple[Decision, Corrected]:
    """Take back a correction, the latest standing one by default; raises BadInputError when there is none."""
    with home.working():
        standing = home.catalog.claims.decisions(kinds=UNDOABLE)
        chosen = [one for one in standing if number is None or one.number == number]
        if not chosen:
            what = "nothing to undo" if number is None else f"no correction {number} that stands"
            raise BadInputError(f"There is {what}.", "`evidence custody` shows what was done.")
        decision = chosen[-1]
        digests = [sha for sha in _about(decision) if home.catalog.photos.known([sha])]
        with home.catalog.together():
            home.catalog.claims.mark_undone(decision.number)
            settled = _taken_back(home, decision, digests)
        done = _followed(home, decision.number, "undone", settled, digests, kind=decision.kind)
        return decision, done


def _taken_back(home: ArchiveHome, decision: Decision, digests: Sequence[Sha256]) -> Settled:
    if decision.kind == "tag":
        for sha in digests:
            earlier: Mapping[str, str | None] = decision.before[sha]
            home.catalog.photos.state(
                [sha],
                {Facet(f): word for f, word in earlier.items()},
                reason=f"stated before; undone by {home.actor}",
            )
        claims = {record.claim for record in home.catalog.photos.records(digests)}
        return retag(home, claims, stated=claims)
    if decision.kind == "waive":
        claim = ClaimId(decision.after["claim"])
        home.catalog.claims.drop_waiver(claim, decision.after["requirement"], decision.after["place"])
        home.catalog.keeping.mark_known_dirty([claim])
        return Settled(touched=frozenset({claim}), findings=())
    return settle(home, digests)


def _about(decision: Decision) -> list[Sha256]:
    after: Mapping[str, Any] = decision.after
    if decision.kind in ("move", "name"):
        return [Sha256(sha) for sha in after["photos"]]
    if decision.kind in ("cut", "join"):
        return [Sha256(after["before"])]
    if decision.kind == "tag":
        return [Sha256(sha) for sha in after]
    return []


def find_segment(home: ArchiveHome, name_or_photo: str) -> SegmentRow:
    """The segment of that name (`2026-05-14/3`), or the one that a photo of that name lies in."""
    segments = {row.segment: row for row in home.catalog.photos.segments()}
    if name_or_photo in segments:
        return segments[name_or_photo]
    for sha in home.catalog.photos.find(name_or_photo):
        if (row := segments.get(home.catalog.photos.segment_of(sha))) is not None:
            return row
    raise BadInputError(f"There is no segment {name_or_photo}.", "`evidence segments` lists them.")


def _decide(home: ArchiveHome, kind: str, claim: ClaimId | None, *, before: Any, after: Any) -> int:
    return home.catalog.claims.record(
        at=home.now(), actor=home.actor, kind=kind, claim=claim, before=before, after=after
    )


def _require_open(home: ArchiveHome, claims: Iterable[ClaimId | None]) -> None:
    """Photos of a signed or closed claim are not moved behind the reviewer's back."""
    for claim in sorted(claim for claim in claims if claim):
        row = home.catalog.claims.get(claim)
        if row is None:
            raise BadInputError(f"There is no claim {claim}.", "`evidence claims` lists them.")
        if row.state not in CLAIMS_MOVED_FROM:
            raise BadInputError(
                f"Claim {claim} is {row.state.value}; its photos stay where they are.",
                "Reopen it, or take the sign-off back, before photos come or go.",
            )


def _followed(
    home: ArchiveHome,
    number: int,
    action: str,
    settled: Settled,
    digests: Sequence[Sha256],
    **details: object,
) -> Corrected:
    """Note the correction and let the bags follow."""
    records: list[PhotoRecord] = home.catalog.photos.records(digests)
    subject = ", ".join(sorted(record.name for record in records)[:5])
    home.note(action, subject, decision=number, photos=list(digests), **details)
    filing.file_away(home)
    touched = tuple(sorted(claim or "unassigned" for claim in settled.touched))
    return Corrected(decision=number, photos=len(digests), claims=touched)
