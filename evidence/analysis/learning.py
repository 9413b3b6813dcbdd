"""What confirmed tags teach: models kept in the archive, loaded for every guess, undone, moved elsewhere.

One file of numbers holds them. No code is loaded from it, and nothing stated is ever touched by it.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from evidence.analysis.models import CURRENT, Models, models_of, plan_of, reseen
from evidence.disk.durable import sync_folder
from evidence.disk.faults import writing
from evidence.errors import BadInputError
from evidence.model import PICTURE_KINDS, ClaimState, Facet, SceneKind
from evidence.sight.scene_head import KINDS, SceneHead, refit, shipped_head, unpack_vector
from evidence.tags.learning.fit import TrainingWalk, learn, scene_of
from evidence.tags.learning.held_out import HeldOut
from evidence.tags.models import TagModels
from evidence.workspace import Workspace

BEFORE = "before.json"
FOLDS = 5
"""Parts into which confirmed photos are dealt, claim by claim, for the held-out check of the scene head."""
LEAST_SCENES = 20
"""Confirmed photos with a clear scene below which the scene head is left alone: too few to check it on."""

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class SceneCheck:
    """Held-out accuracy of the scene kinds."""

    photos: int
    before: float | None
    after: float | None
    kept: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnReport:
    """What one learning came to; accuracies are shares of held-out photos, None where nothing was asked."""

    photos: int
    kept: bool
    why: str
    before: Mapping[str, float | None]
    after: Mapping[str, float | None]
    calibration_error: Mapping[str, float]
    scenes: SceneCheck


def learn_from(workspace: Workspace) -> LearnReport:
    """Refit the models to every tag that people and label cards stated; keep them where they are no worse."""
    with workspace.locked():
        present = models_of(workspace)
        walks = list(_walks(workspace))
        head, scenes = _learn_scenes(workspace, walks, present.head)
        start = TagModels(plan=plan_of(workspace))
        seen_anew = [replace(walk, photos=tuple(reseen(walk.photos, head))) for walk in walks]
        learned = learn(seen_anew, vocabulary=workspace.vocabulary, start=start, before=present.tags)
        if learned.kept or scenes.kept:
            _keep(workspace, Models(tags=learned.models, head=head))
            workspace.record(
                "learned", "tag models", photos=learned.photos, why=learned.why, scenes=scenes.kept
            )
        return LearnReport(
            photos=learned.photos,
            kept=learned.kept or scenes.kept,
            why=learned.why,
            before=_shares(learned.before),
            after=_shares(learned.after),
            calibration_error={f.value: round(e, 4) for f, e in learned.after.calibration_error.items()},
            scenes=scenes,
        )


def undo_learning(workspace: Workspace) -> None:
    """Go back to the models from before the last learning; raises BadInputError when there are none."""
    with workspace.locked():
        before, current = workspace.learnt / BEFORE, workspace.learnt / CURRENT
        if not current.exists():
            raise BadInputError(
                "Nothing was learned here yet.", "`evidence learn` learns from confirmed tags."
            )
        if before.exists():
            before.replace(current)
        else:
            current.unlink()
        workspace.record("learning_undone", "tag models")


def export_learned(workspace: Workspace, out: Path) -> int:
    """Write what was learned to a file for another machine; returns its bytes. Raises BadInputError."""
    current = workspace.learnt / CURRENT
    if not current.exists():
        raise BadInputError("Nothing was learned here yet.", "`evidence learn` learns from confirmed tags.")
    data = current.read_bytes()
    try:
        out.write_bytes(data)
    except OSError as trouble:
        raise BadInputError(
            f"{out} cannot be written: {trouble.strerror}.", "Choose another place."
        ) from trouble
    return len(data)


def import_learned(workspace: Workspace, source: Path) -> None:
    """Take over what another machine learned; raises BadInputError for a file that is not sound."""
    try:
        text = source.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        raise BadInputError(
            f"{source} cannot be read.", "Name a file that `evidence learn --export` wrote."
        ) from None
    with workspace.locked():
        models = Models.read(text, str(source), plan_of(workspace))
        _keep(workspace, models)
        workspace.record("learning_imported", source.name)


def _keep(workspace: Workspace, models: Models) -> None:
    """Put the models in force; those from before stay beside them, one step back."""
    current, before = workspace.learnt / CURRENT, workspace.learnt / BEFORE
    fresh = current.with_suffix(".part")
    with writing(workspace.learnt):
        workspace.learnt.mkdir(exist_ok=True)
        fresh.write_text(models.text(), encoding="utf-8")
        if current.exists():
            current.replace(before)
        else:
            before.unlink(missing_ok=True)
        fresh.replace(current)
        sync_folder(workspace.learnt)


def _walks(workspace: Workspace) -> Iterable[TrainingWalk]:
    """Every claim with what is stated of its photos, by the adjuster who brought the card."""
    actors = {row.intake: row.actor for row in workspace.catalog.photos.intakes()}
    for row in workspace.catalog.claims.all():
        if row.state is ClaimState.PURGED:
            continue
        records = workspace.catalog.photos.of_claim(row.claim.claim, embeddings=True)
        photos = tuple(record for record in records if record.kind in PICTURE_KINDS)
        confirmed = {
            photo.sha256: {facet: value.value for facet, value in photo.tags.items() if value.stated}
            for photo in photos
        }
        if photos and any(confirmed.values()):
            yield TrainingWalk(photos=photos, confirmed=confirmed, adjuster=actors.get(photos[0].intake, ""))


# --- scene kinds -------------------------------------------------------------------------


def _learn_scenes(
    workspace: Workspace, walks: Sequence[TrainingWalk], present: SceneHead
) -> tuple[SceneHead, SceneCheck]:
    """The scene head refitted from what ships, if photos of other claims say that it is no worse."""
    plan = plan_of(workspace)
    taught: list[tuple[int, np.ndarray, SceneKind]] = []
    for number, walk in enumerate(walks):
        for photo in walk.photos:
            kind = scene_of(walk.confirmed.get(photo.sha256, {}), plan, workspace.vocabulary)
            if kind is not None and photo.look.embedding:
                taught.append((number, unpack_vector(photo.look.embedding), kind))
    groups = sorted({number for number, _, _ in taught})
    if len(taught) < LEAST_SCENES or len(groups) < 2:
        return present, SceneCheck(photos=len(taught), before=None, after=None, kept=False)
    right_before = right_after = 0
    for fold in range(min(FOLDS, len(groups))):
        held = set(groups[fold::FOLDS])
        rest = [one for one in taught if one[0] not in held]
        asked = [one for one in taught if one[0] in held]
        if not rest or not asked:
            continue
        fitted = refit(shipped_head(), np.stack([v for _, v, _ in rest]), [k for _, _, k in rest])
        right_before += _right(present, asked)
        right_after += _right(fitted, asked)
    before, after = right_before / len(taught), right_after / len(taught)
    if after < before:
        return present, SceneCheck(photos=len(taught), before=before, after=after, kept=False)
    head = refit(shipped_head(), np.stack([v for _, v, _ in taught]), [k for _, _, k in taught])
    return head, SceneCheck(photos=len(taught), before=before, after=after, kept=True)


def _right(head: SceneHead, asked: Sequence[tuple[int, np.ndarray, SceneKind]]) -> int:
    shares = head.probabilities(np.stack([vector for _, vector, _ in asked]))
    return sum(
        KINDS[int(best)] is kind for best, (_, _, kind) in zip(shares.argmax(axis=1), asked, strict=True)
    )


def _shares(held: HeldOut) -> dict[str, float | None]:
    return {
        facet.value: _rounded(held.accuracy(facet)) for facet in (Facet.ROLE, Facet.FACE, Facet.COMPONENT)
    }


def _rounded(share: float | None) -> float | None:
    return None if share is None else round(share, 4)
