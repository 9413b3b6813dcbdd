"""The models that tags are guessed with: the walk plan, and what was learned from confirmed tags."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from evidence.model import Facet
from evidence.tags.walk.kind_head import KindHead
from evidence.tags.walk.model import WalkCounts, WalkModel
from evidence.tags.walk.plan import Calibration, WalkPlan


@dataclass(frozen=True, kw_only=True, eq=False)
class TagModels:
    """The walk plan and what was learned; nothing is learned in the models that ship."""

    plan: WalkPlan
    everyone: WalkCounts | None = None
    """Counts of all adjusters' confirmed walks, those of `adjusters` among them."""
    adjusters: Mapping[str, WalkCounts] = field(default_factory=dict)
    calibration: Mapping[Facet, Calibration] = field(default_factory=dict)
    """What was learned; facets that are absent keep the plan's."""
    kind_head: KindHead | None = None
    _walks: dict[str, WalkModel] = field(default_factory=dict, init=False, repr=False)
    """The walk model that was asked for last, by its adjuster: the claims of one day mostly have one adjuster."""

    def walk(self, adjuster: str) -> WalkModel:
        """The walk model for one adjuster: the counts of all others first, then the adjuster's own."""
        if adjuster not in self._walks:
            made = self._walk(adjuster)
            self._walks.clear()
            self._walks[adjuster] = made
            return made
        return self._walks[adjuster]

    def _walk(self, adjuster: str) -> WalkModel:
        own = self.adjusters.get(adjuster)
        if self.everyone is None or own is None:
            known = [counts for counts in (self.everyone, own) if counts is not None]
            return WalkModel(plan=self.plan, counts=tuple(known))
        return WalkModel(plan=self.plan, counts=(self.everyone.without(own), own))

    def calibrated(self, facet: Facet, share: float) -> float:
        """The calibrated probability that a guess with this share is right."""
        calibration = self.calibration.get(facet, self.plan.calibration.get(facet))
        return calibration(share) if calibration else share
