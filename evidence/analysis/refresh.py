"""The catalog brought up to date, each time in one transaction: days split anew, claims tagged anew."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

from evidence.analysis.splitting import split_days
from evidence.analysis.tagging import tag_claims
from evidence.model import ClaimId, Finding, Sha256
from evidence.workspace import Workspace


@dataclass(frozen=True, slots=True, kw_only=True)
class Refreshed:
    """What a refresh changed."""

    touched: frozenset[ClaimId | None]
    """Claims whose photos or tags changed; None is the unassigned tray."""
    findings: tuple[Finding, ...]


def refresh_days(workspace: Workspace, digests: Sequence[Sha256]) -> Refreshed:
    """Split the days that these photos fall on, tag the claims that changed, and mark their bags as outdated.

    One transaction: all of it is stored, or nothing.
    """
    with workspace.catalog.transaction():
        touched, findings = split_days(workspace, digests)
        touched |= tag_claims(workspace, touched)
        workspace.catalog.mark_changed(touched)
    return Refreshed(touched=frozenset(touched), findings=findings)


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
