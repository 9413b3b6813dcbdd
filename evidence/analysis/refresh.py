"""The catalog brought up to date, each time in one transaction: days split anew, claims tagged anew."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from evidence.analysis.models import learned_text
from evidence.analysis.split_input import SplitInput, read_split
from evidence.analysis.splitting import SplitPlan, plan_split, store_split
from evidence.analysis.tagging import TagInput, plan_tags, read_tags, store_tags, tag_claims
from evidence.model import ClaimId, Finding, Sha256, TagResult
from evidence.workspace import Workspace

MOST_TRIES = 3
"""How often a refresh is computed beside other work; after that it locks the archive while it computes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Refreshed:
    """What a refresh changed."""

    touched: frozenset[ClaimId | None]
    """Claims whose photos or tags changed; None is the unassigned tray."""
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Basis:
    """What a refresh was computed from."""

    split: SplitInput
    tags: Mapping[ClaimId | None, TagInput]
    models: bytes | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plan:
    """A refresh that was computed and not stored."""

    split: SplitPlan
    touched: frozenset[ClaimId | None]
    """Claims whose photos come, go or move."""
    tagged: Mapping[ClaimId | None, Mapping[Sha256, TagResult]]
    basis: _Basis


def refresh_days(workspace: Workspace, digests: Sequence[Sha256]) -> Refreshed:
    """Split the days that these photos fall on, tag the claims that changed, and mark their bags as outdated.

    One transaction, the caller's if there is one: all of it is stored, or nothing. Hold the lock.
    """
    return _store(workspace, _plan(workspace, digests))


def refresh_beside_others(workspace: Workspace, digests: Sequence[Sha256]) -> Refreshed:
    """`refresh_days` without a lock or a transaction while it computes: a hold or a correction has effect at once.

    The plan is stored only if everything that it was computed from is still the same; otherwise it is computed
    again. The caller must not hold the lock. On a server, another station that has photos of the same days waits
    meanwhile. Raises LockedError.
    """
    with workspace.splitting(_days(workspace, digests)):
        for _ in range(MOST_TRIES):
            plan = _plan(workspace, digests)
            with workspace.locked():
                if _read(workspace, digests, plan) == plan.basis:
                    return workspace.catalog.change(lambda plan=plan: _store(workspace, plan))  # type: ignore[misc]
        with workspace.locked():
            return workspace.catalog.change(lambda: refresh_days(workspace, digests))


def _days(workspace: Workspace, digests: Sequence[Sha256]) -> set[str]:
    """The local days of these photos, as their cameras or an earlier split have them; empty for those without a time."""
    if not workspace.shared:
        return set()
    moments = (one.corrected or one.facts.taken_local for one in workspace.catalog.photos.records(digests))
    return {moment.date().isoformat() if moment else "" for moment in moments}


def _plan(workspace: Workspace, digests: Sequence[Sha256]) -> _Plan:
    models = learned_text(workspace)
    read = read_split(workspace, digests)
    split = plan_split(workspace, read)
    touched = frozenset(workspace.catalog.photos.would_touch(split.placings))
    tags = read_tags(workspace, touched, split.placings)
    return _Plan(
        split=split,
        touched=touched,
        tagged=plan_tags(workspace, tags),
        basis=_Basis(split=read, tags=tags, models=models),
    )


def _read(workspace: Workspace, digests: Sequence[Sha256], plan: _Plan) -> _Basis:
    """What the same refresh would be computed from now."""
    return _Basis(
        split=read_split(workspace, digests),
        tags=read_tags(workspace, plan.touched, plan.split.placings),
        models=learned_text(workspace),
    )


def _store(workspace: Workspace, plan: _Plan) -> Refreshed:
    catalog = workspace.catalog
    with catalog.transaction():
        touched = store_split(workspace, plan.split)
        touched |= store_tags(workspace, plan.tagged)
        catalog.mark_changed(touched)
    return Refreshed(touched=frozenset(touched), findings=plan.split.findings)


def retag(
    workspace: Workspace, claims: Iterable[ClaimId | None], *, stated: Collection[ClaimId | None] = ()
) -> Refreshed:
    """Tag these claims anew, in one transaction.

    A person has just stated or taken back facets in the claims of `stated`: they count as changed in any case.
    """
    with workspace.catalog.transaction():
        touched = tag_claims(workspace, claims) | set(stated)
        workspace.catalog.mark_changed(touched)
    return Refreshed(touched=frozenset(touched), findings=())
