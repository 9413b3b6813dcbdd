"""The reasons for a boundary, in words."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from evidence.forward_backward import Floats
from evidence.model import Claim, ClaimId
from evidence.plain_words import duration
from evidence.timeline.split.gaps import GapModel
from evidence.timeline.split.observations import Day, SiteEstimates, site_of
from evidence.timeline.split.positions import WITHIN_HOUSE, local_metres

CUT_BY_HAND = "a person put a boundary here"
SHOWING = ("the ground around a house", "a roof", "rooms", "no house")
"""What the photos of each stage show, an errand last."""
CERTAIN = 0.8
"""Probability of a stage from which it is given as a reason."""


def reasons_of(
    day: Day,
    i: int,
    claim: ClaimId | None,
    gaps: GapModel,
    claims: Mapping[ClaimId, Claim],
    sites: SiteEstimates,
    stages: Floats,
) -> tuple[str, ...]:
    """The evidence for a boundary before observation i, strongest first.

    `stages` is (N, P + 1), the probability of each stage of an inspection, an errand last.
    """
    observation, reasons = day.observations[i], []
    before = day.observations[i - 1] if i else None
    if observation.cut:
        reasons.append(CUT_BY_HAND)
    if observation.sheet.claims:
        reasons.append("the sheet of claim " + ", ".join(observation.sheet.claims) + " was read")
    elif observation.sheet.confidence >= 0.5:
        named = (
            f", its text names claim {observation.sheet.named}"
            if observation.sheet.named
            else ", no claim could be read from it"
        )
        reasons.append("a sheet of paper without a readable code" + named)
    if before is not None and before.sheet.is_sheet:
        whose = " of claim " + ", ".join(before.sheet.claims) if before.sheet.claims else ""
        reasons.append(f"the previous photo shows the closing sheet{whose}")
    if i == 0:
        reasons.append("first photo of the working day")
    elif not np.isnan(day.gaps[i - 1]):
        usual = duration(float(np.exp(gaps.within[0])))
        if day.gaps[i - 1] > 3 * float(np.exp(gaps.within[0])):
            reasons.append(f"{duration(float(day.gaps[i - 1]))} after the previous photo; {usual} is usual")
    if i:
        earlier = [k for k in range(i) if not np.isnan(day.xy[k, 0])]
        if earlier and not np.isnan(day.xy[i, 0]):
            step = float(np.hypot(*(day.xy[i] - day.xy[earlier[-1]])))
            if step > 2 * WITHIN_HOUSE:
                reasons.append(f"{step:.0f} m from the previous position")
    if i and (change := _stage_change(i, stages)):
        reasons.append(change)
    site = site_of(claim, claims, sites) if claim is not None else None
    if claim is not None and site is not None and not np.isnan(day.xy[i, 0]):
        spot = local_metres([site], day.origin)[0]
        reasons.append(f"{float(np.hypot(*(spot - day.xy[i]))):.0f} m from the house of claim {claim}")
    return tuple(reasons) or ("no single sign; the photos before and after fit different places",)


def _stage_change(i: int, stages: Floats) -> str:
    """What the pictures before and after show, where both are clear and differ; else empty."""
    if stages.shape[1] != len(SHOWING):
        return ""
    before, after = int(stages[i - 1].argmax()), int(stages[i].argmax())
    if before == after or min(stages[i - 1, before], stages[i, after]) < CERTAIN:
        return ""
    return f"the photos before show {SHOWING[before]}, the photos after show {SHOWING[after]}"
