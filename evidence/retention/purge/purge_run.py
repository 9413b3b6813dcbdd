"""What one run of a plan works with."""

from __future__ import annotations

from dataclasses import dataclass

from evidence.model import ClaimId
from evidence.retention.purge.approval import Approval
from evidence.retention.purge.plan_files import FrozenPlan
from evidence.retention.purge.progress import Progress
from evidence.retention.purge.repository import Repository, log_step
from evidence.retention.schedule import RetentionSchedule


@dataclass(frozen=True, slots=True, kw_only=True)
class PurgeRun:
    """An approved plan, the archive, today's rules, who runs it, and how far it has come."""

    repository: Repository
    schedule: RetentionSchedule
    frozen: FrozenPlan
    approval: Approval
    by: str
    logged_in: bool
    progress: Progress

    @property
    def has_other_rules(self) -> bool:
        """True for a plan that was made under other rules; a plan of an older program names none."""
        return self.frozen.plan.rules not in {"", self.schedule.digest}

    def log(self, key: str, event: str, actor: str, claim: ClaimId, **details: str) -> None:
        """Append to the custody log, once per key."""
        log_step(self.repository, key, event, actor, claim, plan=self.frozen.digest, **details)
