"""Tags of claims: what they are made of is read from the catalog; `refresh` stores the result."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from evidence.analysis.models import models_of, with_scene_head
from evidence.catalog.segments import Placing, order_of
from evidence.model import PICTURE_KINDS, ClaimId, Facet, FacetValue, PhotoRecord, Sha256, TagResult
from evidence.tags.suggest import TagOptions, tag_claim
from evidence.workspace import Workspace


@dataclass(frozen=True, slots=True, kw_only=True)
class TagInput:
    """Everything that the tags of one claim depend on, but for the models."""

    records: Sequence[PhotoRecord]
    """The claim's pictures in shooting order, with embeddings."""
    person: Mapping[Sha256, Mapping[Facet, FacetValue]]
    """What people stated."""
    adjuster: str
    """Who took the card of the first picture in; empty without pictures."""


def read_tags(
    workspace: Workspace, claims: Iterable[ClaimId | None], placings: Sequence[Placing] = ()
) -> dict[ClaimId | None, TagInput]:
    """Read what the tags of these claims depend on, as if `placings` were stored already. None is the tray."""
    to = {one.photo.sha256: one for one in placings}
    return {claim: _read(workspace, claim, to) for claim in claims}


def _read(workspace: Workspace, claim: ClaimId | None, to: Mapping[Sha256, Placing]) -> TagInput:
    photos = workspace.catalog.photos
    staying = [sha for sha in photos.digests_of(claim) if sha not in to]
    coming = [sha for sha, one in to.items() if one.photo.claim == claim]
    records = [
        _placed(record, to.get(record.sha256))
        for record in photos.records([*staying, *coming], embeddings=True)
    ]
    records.sort(key=_in_shooting_order)
    pictures = [
        replace(record, order=number) for number, record in enumerate(records) if record.kind in PICTURE_KINDS
    ]
    run = photos.intake(pictures[0].intake) if pictures else None
    return TagInput(
        records=pictures,
        person=photos.by_person([record.sha256 for record in pictures]),
        adjuster=run.actor if run else "",
    )


def _placed(record: PhotoRecord, to: Placing | None) -> PhotoRecord:
    if to is None:
        return record
    return replace(
        record,
        claim=to.photo.claim,
        order=order_of(to.segment_position, to.position),
        corrected=to.photo.corrected,
        correction=to.photo.correction,
        utc=to.photo.utc,
        claim_confidence=to.photo.confidence,
        to_confirm=to.photo.to_confirm,
        claim_reasons=to.reasons,
    )


def _in_shooting_order(record: PhotoRecord) -> tuple[str, int, Sha256]:
    """The order of `Photos.of_claim`: a plan covers whole days, so the orders compare within a day."""
    local_day = record.corrected.date().isoformat() if record.corrected else ""
    return (local_day, record.order, record.sha256)


def plan_tags(
    workspace: Workspace, read: Mapping[ClaimId | None, TagInput]
) -> dict[ClaimId | None, Mapping[Sha256, TagResult]]:
    """Tag every picture of these claims anew; nothing is stored, and of the workspace only its models are used."""
    models = models_of(workspace)
    return {
        claim: tag_claim(
            list(with_scene_head(one.records, models.head)),
            person=one.person,
            vocabulary=workspace.vocabulary,
            models=models.tags,
            options=TagOptions(adjuster=one.adjuster),
        )
        for claim, one in read.items()
    }


def store_tags(
    workspace: Workspace, tagged: Mapping[ClaimId | None, Mapping[Sha256, TagResult]]
) -> set[ClaimId | None]:
    """Replace the tags of these pictures; returns the claims whose tags changed."""
    return {claim for claim, results in tagged.items() if workspace.catalog.photos.put_tags(results)}


def tag_claims(workspace: Workspace, claims: Iterable[ClaimId | None]) -> set[ClaimId | None]:
    """Tag every picture of these claims anew (None is the unassigned tray); returns those whose tags changed."""
    return store_tags(workspace, plan_tags(workspace, read_tags(workspace, claims)))
