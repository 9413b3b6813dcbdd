"""Turns the model's verdict on each unit into numbered segments and the whole plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from evidence.model import ClaimId, Finding, PlacedPhoto
from evidence.timeline.merge import TimedUnit
from evidence.timeline.split.reasons import CUT_BY_HAND
from evidence.timeline.split.split_day import Verdict
from evidence.timeline.values import (
    Boundary,
    ClockFinding,
    DayPlan,
    ManualAssignments,
    Segment,
    SplitOptions,
)

STRETCH = 20
"""Possible boundaries at most this many photos apart are places of one boundary and bring one finding."""
CRUMB = 3
"""An unnamed stretch of so few photos is hardly a house."""
CRUMBS_APART = 240.0
"""Seconds; no drive is shorter."""
ManualClaim = tuple[ClaimId | None]
"""The claim that a person chose for a unit, in a tuple, because "no claim" (None) is a choice too."""
UNPLACED_CONFIDENCE = 0.5
"""Highest confidence in a file without a time, on a card whose file numbers cannot be trusted."""
BETWEEN_HOUSES_CONFIDENCE = 0.6
"""Highest confidence in a video without a time that lies between the photos of two houses."""


@dataclass(frozen=True, slots=True)
class PlacedUnit:
    """A unit with its claim."""

    timed: TimedUnit
    claim: ClaimId | None
    unknown: bool
    confidence: float
    to_confirm: bool
    opened_by: Boundary | None
    """Set where the unit opens a segment."""
    possible: float = 0.0
    """Probability of a boundary before it, where none was drawn."""


def place_units(
    chain: Sequence[TimedUnit],
    verdicts: Mapping[int, Verdict],
    decisions: Sequence[ManualClaim | None],
    manual: ManualAssignments,
    options: SplitOptions,
) -> list[PlacedUnit]:
    """Apply decisions over verdicts, let untimed files follow, and open a segment wherever the house changes."""
    out: list[PlacedUnit] = []
    current: tuple[ClaimId | None, bool] | None = None
    followed = _between_houses(chain, verdicts, _with_followers(chain, verdicts))
    for i, timed in enumerate(chain):
        own = verdicts.get(i)
        verdict = followed[i]
        decision = decisions[i]
        house = (decision[0], False) if decision is not None else (verdict.claim, verdict.unknown)
        cut = any(s.sha256 in manual.cuts for s in timed.unit.files)
        # The model may open a second unknown house right after a first; the same claim continues unless cut.
        opens = current is None or house != current or cut or (own is not None and own.opens and own.unknown)
        boundary = (
            _boundary(timed, verdict, own, i, decision=decision, cut=cut, options=options) if opens else None
        )
        out.append(
            PlacedUnit(
                timed=timed,
                claim=house[0],
                unknown=house[1],
                confidence=1.0
                if decision is not None
                else min(verdict.confidence, UNPLACED_CONFIDENCE if timed.place_unknown else 1.0),
                to_confirm=decision is None
                and (verdict.confidence < options.confirm_below or house[1] or timed.place_unknown),
                opened_by=boundary,
                possible=own.probability
                if own is not None and own.evident and not opens and decision is None
                else 0.0,
            )
        )
        current = house
    return _crumbs_joined(out, manual)


def _crumbs_joined(chain: Sequence[PlacedUnit], manual: ManualAssignments) -> list[PlacedUnit]:
    """The chain, with unnamed stretches of a few photos each, minutes apart, joined to one that is asked about once.

    They arise where two devices took turns at different houses and their clocks cannot be compared well.
    """
    out = list(chain)
    starts = [i for i, placed in enumerate(out) if placed.opened_by is not None]
    crumbs = [out[a].unknown and b - a <= CRUMB for a, b in pairwise([*starts, len(out)])]
    for k in range(1, len(starts)):
        first = starts[k]
        cut = any(s.sha256 in manual.cuts for s in out[first].timed.unit.files)
        apart = (out[first].timed.key or 0.0) - (out[first - 1].timed.key or 0.0)
        if crumbs[k - 1] and crumbs[k] and not cut and apart <= CRUMBS_APART:
            out[first] = replace(out[first], opened_by=None)
    return out


def _with_followers(chain: Sequence[TimedUnit], verdicts: Mapping[int, Verdict]) -> list[Verdict]:
    """A verdict for each unit: its own, else the last one on its card, else the last one, else the next one."""
    nothing = Verdict(None, False, 1.0, False, 1.0)
    last = next((verdicts[i] for i in range(len(chain)) if i in verdicts), nothing)
    on_card: dict[tuple[str, str], Verdict] = {}
    out = []
    for i, timed in enumerate(chain):
        card = (timed.unit.lead.device, timed.unit.lead.card)
        if i in verdicts:
            last = on_card[card] = verdicts[i]
        out.append(verdicts[i] if i in verdicts else on_card.get(card, last))
    return out


def _between_houses(
    chain: Sequence[TimedUnit], verdicts: Mapping[int, Verdict], followed: Sequence[Verdict]
) -> list[Verdict]:
    """The same, less certain for a follower if the card's next photo shows another house and no sheet.

    One that lies behind a photo of that next house, which another device took, belongs to it.
    """
    out = list(followed)
    ahead = _before(chain, verdicts)
    after: dict[tuple[str, str], tuple[Verdict, bool]] = {}
    for i in reversed(range(len(chain))):
        card = (chain[i].unit.lead.device, chain[i].unit.lead.card)
        if i in verdicts:
            lead = chain[i].unit.lead
            after[card] = (verdicts[i], bool(lead.dividers) or lead.sheet is not None)
            continue
        following, by_sheet = after.get(card, (out[i], False))
        same = (following.claim, following.unknown) == (out[i].claim, out[i].unknown)
        if not same and not by_sheet:
            last = ahead[i]
            if last is not None and (last.claim, last.unknown) == (following.claim, following.unknown):
                out[i] = replace(following, opens=False, reasons=())
            out[i] = replace(out[i], confidence=min(out[i].confidence, BETWEEN_HOUSES_CONFIDENCE))
    return out


def _before(chain: Sequence[TimedUnit], verdicts: Mapping[int, Verdict]) -> list[Verdict | None]:
    """The last verdict before each unit, of any device."""
    out: list[Verdict | None] = []
    last = None
    for i in range(len(chain)):
        out.append(last)
        last = verdicts.get(i, last)
    return out


def _boundary(
    timed: TimedUnit,
    verdict: Verdict,
    own: Verdict | None,
    i: int,
    *,
    decision: ManualClaim | None,
    cut: bool,
    options: SplitOptions,
) -> Boundary:
    reasons = list(verdict.reasons) if own is not None else []
    probability = own.probability if own is not None and own.opens else 1.0
    if decision is not None:
        claim = decision[0]
        moved = (
            f"moved this photo to claim {claim}" if claim is not None else "left this photo without a claim"
        )
        reasons.insert(0, f"a person {moved}")
        probability = 1.0
    elif cut:
        reasons = [CUT_BY_HAND, *(r for r in reasons if r != CUT_BY_HAND)]
        probability = 1.0
    elif not reasons:
        reasons.append(
            "the house continues here after a photo that a person moved" if i else "the first file"
        )
    return Boundary(
        before=timed.unit.lead.sha256,
        probability=probability,
        reasons=tuple(reasons),
        to_confirm=decision is None and probability < options.confirm_below,
    )


def assemble(
    chains: Sequence[Sequence[PlacedUnit]], clocks: Sequence[ClockFinding], options: SplitOptions
) -> DayPlan:
    """The plan: all chains merged by time, segments numbered in the order of their first photos."""
    pieces: list[list[PlacedUnit]] = []
    rows: list[tuple[bool, float, int, int, int]] = []
    for c, chain in enumerate(chains):
        for p, placed in enumerate(chain):
            if placed.opened_by is not None:
                pieces.append([])
            pieces[-1].append(placed)
            key = placed.timed.key
            rows.append((key is None, key or 0.0, c, p, len(pieces) - 1))
    rows.sort()
    numbers: dict[int, int] = {}
    for row in rows:
        numbers.setdefault(row[4], len(numbers) + 1)
    placed_photos = [
        photo for row in rows for photo in _placed_photos(chains[row[2]][row[3]], numbers[row[4]])
    ]
    segments = [_segment(pieces[k], number) for k, number in numbers.items()]
    return DayPlan(
        placed=tuple(placed_photos),
        segments=tuple(segments),
        clocks=tuple(clocks),
        findings=(*_clock_findings(clocks), *_split_findings(pieces, numbers, options)),
    )


def _placed_photos(placed: PlacedUnit, segment: int) -> list[PlacedPhoto]:
    timed = placed.timed
    return [
        PlacedPhoto(
            sha256=photo.sha256,
            corrected=timed.corrected,
            correction=timed.correction,
            utc=timed.utc,
            claim=placed.claim,
            confidence=placed.confidence,
            to_confirm=placed.to_confirm,
            segment=segment,
        )
        for photo in timed.unit.files
    ]


def _segment(piece: Sequence[PlacedUnit], number: int) -> Segment:
    opened = piece[0].opened_by
    assert opened is not None
    return Segment(
        number=number,
        claim=piece[0].claim,
        unknown=piece[0].unknown,
        photos=tuple(s.sha256 for placed in piece for s in placed.timed.unit.files),
        opened_by=opened,
    )


def _clock_findings(clocks: Sequence[ClockFinding]) -> list[Finding]:
    found = []
    for clock in clocks:
        if clock.seconds_fast is None:
            message = f"{clock.device}: {clock.reason}; these photos are sorted by file number."
            found.append(Finding(code="clock_lost", message=message, subject=clock.first))
        elif clock.seconds_fast:
            message = f"{clock.device}: {clock.reason}."
            found.append(Finding(code="clock_off", message=message, subject=clock.first))
    return found


def _split_findings(
    pieces: Sequence[Sequence[PlacedUnit]], numbers: Mapping[int, int], options: SplitOptions
) -> list[Finding]:
    found = []
    for k, number in numbers.items():
        piece = pieces[k]
        first = piece[0].timed.unit.lead
        if piece[0].unknown:
            message = f"Segment {number}: no sheet or address names the house of these {len(piece)} photos; name it."
            found.append(Finding(code="unnamed_house", message=message, subject=first.sha256))
        for place in _possible_boundaries([placed.possible for placed in piece], 1 - options.confirm_below):
            lead = piece[place].timed.unit.lead
            message = (
                f"{lead.name}: a new house may begin here ({piece[place].possible:.0%}); cut here if it does."
            )
            found.append(Finding(code="possible_boundary", message=message, subject=lead.sha256))
    return found


def _possible_boundaries(possible: Sequence[float], least: float) -> list[int]:
    """The most probable place in each run of photos in which a boundary may be missing."""
    runs: list[list[int]] = []
    for i, probability in enumerate(possible):
        if probability < least:
            continue
        if not runs or i - runs[-1][-1] > STRETCH:
            runs.append([])
        runs[-1].append(i)
    return [max(run, key=lambda i: possible[i]) for run in runs]
