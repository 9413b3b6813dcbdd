"""From verdicts on units to segments of shots, and the plan as a whole."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from evidence.model import ClaimId, Finding
from evidence.timeline.clocks.estimate import spell
from evidence.timeline.merge import Timed
from evidence.timeline.split.split_day import Verdict
from evidence.timeline.values import (
    Boundary,
    ClockFinding,
    DayPlan,
    ManualAssignments,
    PlacedShot,
    Segment,
    SplitOptions,
)

ADRIFT = 0.5
"""Confidence, at most, in a file without a time on a card whose numbers say nothing."""
EITHER_SIDE = 0.6
"""Confidence, at most, in a film without a time that stands between the photos of two houses."""


@dataclass(frozen=True, slots=True)
class Placed:
    """A unit with what was decided about it."""

    timed: Timed
    claim: ClaimId | None
    unknown: bool
    confidence: float
    to_confirm: bool
    opened_by: Boundary | None
    """Where it opens a segment."""
    maybe: float = 0.0
    """Probability of a boundary before it that was not drawn."""


def walk(
    chain: Sequence[Timed],
    verdicts: Mapping[int, Verdict],
    pinned: Sequence[tuple[ClaimId | None] | None],
    manual: ManualAssignments,
    options: SplitOptions,
) -> list[Placed]:
    """Lay decisions over verdicts, let silent files follow, and open a segment wherever the house changes."""
    out: list[Placed] = []
    current: tuple[ClaimId | None, bool] | None = None
    followed = _between_houses(chain, verdicts, _followed(chain, verdicts))
    for i, timed in enumerate(chain):
        own = verdicts.get(i)
        verdict = followed[i]
        pin = pinned[i]
        house = (pin[0], False) if pin is not None else (verdict.claim, verdict.unknown)
        cut = any(s.sha256 in manual.cuts for s in timed.unit.shots)
        # The model opens a second unknown house behind a first; the same claim goes on unless cut.
        opens = current is None or house != current or cut or (own is not None and own.opens and own.unknown)
        boundary = _boundary(timed, verdict, own, i, pin=pin, cut=cut, options=options) if opens else None
        out.append(
            Placed(
                timed=timed,
                claim=house[0],
                unknown=house[1],
                confidence=1.0
                if pin is not None
                else min(verdict.confidence, ADRIFT if timed.adrift else 1.0),
                to_confirm=pin is None
                and (verdict.confidence < options.confirm_below or house[1] or timed.adrift),
                opened_by=boundary,
                maybe=own.probability if own is not None and not opens and pin is None else 0.0,
            )
        )
        current = house
    return out


def _followed(chain: Sequence[Timed], verdicts: Mapping[int, Verdict]) -> list[Verdict]:
    """For each unit its own verdict; else that of the last before it on its card, of any before, or of the next."""
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
    chain: Sequence[Timed], verdicts: Mapping[int, Verdict], followed: Sequence[Verdict]
) -> list[Verdict]:
    """The same with less confidence where the next photo of the card is of another house, without a sheet."""
    out = list(followed)
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
            out[i] = replace(out[i], confidence=min(out[i].confidence, EITHER_SIDE))
    return out


def _boundary(
    timed: Timed,
    verdict: Verdict,
    own: Verdict | None,
    i: int,
    *,
    pin: tuple[ClaimId | None] | None,
    cut: bool,
    options: SplitOptions,
) -> Boundary:
    reasons = list(verdict.reasons) if own is not None else []
    probability = own.probability if own is not None and own.opens else 1.0
    if pin is not None:
        where = f"claim {pin[0]}" if pin[0] is not None else "no claim"
        reasons.insert(0, f"a person put this photo under {where}")
        probability = 1.0
    elif cut:
        reasons = ["a person cut here", *(r for r in reasons if r != "a person cut here")]
        probability = 1.0
    elif not reasons:
        reasons.append("it goes on here after a photo that a person moved" if i else "first of its files")
    return Boundary(
        before=timed.unit.lead.sha256,
        probability=probability,
        reasons=tuple(reasons),
        to_confirm=pin is None and probability < options.confirm_below,
    )


def assemble(
    chains: Sequence[Sequence[Placed]], clocks: Sequence[ClockFinding], options: SplitOptions
) -> DayPlan:
    """Merge the chains on the timeline and number their segments by their first photos."""
    pieces: list[list[Placed]] = []
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
    placed_shots = [shot for row in rows for shot in _shots(chains[row[2]][row[3]], numbers[row[4]])]
    segments = [_segment(pieces[k], number) for k, number in numbers.items()]
    return DayPlan(
        placed=tuple(placed_shots),
        segments=tuple(segments),
        clocks=tuple(clocks),
        findings=(*_clock_findings(clocks), *_split_findings(pieces, numbers, options)),
    )


def _shots(placed: Placed, segment: int) -> list[PlacedShot]:
    timed = placed.timed
    return [
        PlacedShot(
            sha256=shot.sha256,
            corrected=timed.corrected,
            correction=timed.correction,
            utc=timed.utc,
            claim=placed.claim,
            confidence=placed.confidence,
            to_confirm=placed.to_confirm,
            segment=segment,
        )
        for shot in timed.unit.shots
    ]


def _segment(piece: Sequence[Placed], number: int) -> Segment:
    opened = piece[0].opened_by
    assert opened is not None
    return Segment(
        number=number,
        claim=piece[0].claim,
        unknown=piece[0].unknown,
        shots=tuple(s.sha256 for placed in piece for s in placed.timed.unit.shots),
        opened_by=opened,
    )


def _clock_findings(clocks: Sequence[ClockFinding]) -> list[Finding]:
    found = []
    for clock in clocks:
        if clock.seconds_fast is None:
            message = f"{clock.device}: {clock.reason}; these photos stand in the order of their numbers."
            found.append(Finding(code="clock_lost", message=message, subject=clock.first))
        elif clock.seconds_fast:
            message = f"{clock.device}: the clock ran {spell(clock.seconds_fast)}; {clock.reason}."
            found.append(Finding(code="clock_off", message=message, subject=clock.first))
    return found


def _split_findings(
    pieces: Sequence[Sequence[Placed]], numbers: Mapping[int, int], options: SplitOptions
) -> list[Finding]:
    found = []
    for k, number in numbers.items():
        piece = pieces[k]
        first = piece[0].timed.unit.lead
        if piece[0].unknown:
            message = (
                f"Segment {number}: {len(piece)} photos of a house that no sheet or address names; name it."
            )
            found.append(Finding(code="unnamed_house", message=message, subject=first.sha256))
        for a, b in zip([None, *piece], [*piece, None], strict=True):
            if b is not None and b.maybe >= 1 - options.confirm_below and (a is None or b.maybe >= a.maybe):
                lead = b.timed.unit.lead
                message = f"{lead.name}: a new house may begin here ({b.maybe:.0%}); cut here if it does."
                found.append(Finding(code="possible_boundary", message=message, subject=lead.sha256))
    return found
