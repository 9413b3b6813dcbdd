"""Tags of claims: photos and what people stated come from the catalog, tags go back into it."""

from __future__ import annotations

from collections.abc import Iterable

from evidence.analysis.models import models_of, with_scene_head
from evidence.model import PICTURE_KINDS, ClaimId
from evidence.tags.suggest import TagOptions, tag_claim
from evidence.workspace import Workspace


def tag_claims(workspace: Workspace, claims: Iterable[ClaimId | None]) -> set[ClaimId | None]:
    """Tag every photo of these claims anew (None is the unassigned tray); returns those whose tags changed."""
    touched: set[ClaimId | None] = set()
    photos = workspace.catalog.photos
    models = models_of(workspace)
    for claim in claims:
        records = [one for one in photos.of_claim(claim, embeddings=True) if one.kind in PICTURE_KINDS]
        person = photos.by_person([record.sha256 for record in records])
        run = photos.intake(records[0].intake) if records else None
        results = tag_claim(
            list(with_scene_head(records, models.head)),
            person=person,
            vocabulary=workspace.vocabulary,
            models=models.tags,
            options=TagOptions(adjuster=run.actor if run else ""),
        )
        if photos.put_tags(results):
            touched.add(claim)
    return touched
