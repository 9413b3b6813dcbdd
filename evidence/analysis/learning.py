"""Learning in an archive: refit the models to confirmed tags, undo that, export and import the models.

The models are one file of numbers: no code is loaded from it. Learning never changes a stated tag.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from evidence.analysis.models import CURRENT, Models, models_of, plan_of, with_scene_head
from evidence.disk.durable import sync_folder
from evidence.disk.faults import writing
from evidence.errors import BadInputError
from evidence.model import PICTURE_KINDS, Facet, SceneKind
from evidence.sight.scene_head import KINDS, SceneHead, refit, shipped_head, unpack_vector
from evidence.sight.scene_rehearsal import draw, shipped_summary
from evidence.sight.scene_step import Floats
from evidence.tags.learning.fit import TrainingWalk, learn, scenes_of
from evidence.tags.learning.held_out import HeldOut
from evidence.tags.models import TagModels
from evidence.workspace import Workspace

BEFORE = "before.json"
FOLDS = 5
"""Folds of the cross-validation of the scene head; all photos of a claim are in one fold."""
LEAST_SCENES = 20
"""Fewest confirmed photos with a clear scene kind for which the scene head is refitted."""
REHEARSED, CHECKED = 60, 200
"""Vectors of each shipped kind that are rehearsed, and others that are checked."""
MOST_FORGOTTEN = 0.01
"""Most that the share right of a shipped kind may fall."""

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class SceneCheck:
    """Held-out accuracy of the scene kinds: on the office's own photos, and on vectors like the shipped head's."""

    photos: int
    before: float | None
    after: float | None
    kept: bool
    shipped_before: Mapping[str, float] = field(default_factory=dict)
    """Share right of each kind that the shipped head was fitted on, by the shipped head."""
    shipped_after: Mapping[str, float] = field(default_factory=dict)
    """The same by the learned head, whether it was kept or not."""

    @property
    def forgotten(self) -> tuple[str, ...]:
        """The shipped kinds that would be right clearly less often."""
        return tuple(
            kind
            for kind, before in self.shipped_before.items()
            if round(before - self.shipped_after[kind], 4) > MOST_FORGOTTEN
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnReport:
    """The result of learning once; accuracies are shares of held-out photos, None where there were none."""

    photos: int
    kept: bool
    why: str
    before: Mapping[str, float | None]
    after: Mapping[str, float | None]
    calibration_error: Mapping[str, float]
    scenes: SceneCheck


def learn_from(workspace: Workspace) -> LearnReport:
    """Refit the models to every stated tag, and use the new ones unless held-out photos are tagged worse."""
    present = models_of(workspace)
    walks = list(_walks(workspace))
    head, scenes = learn_scenes(_lessons(workspace, walks), present.head)
    start = TagModels(plan=plan_of(workspace))
    walks_to_fit = [replace(walk, photos=tuple(with_scene_head(walk.photos, head))) for walk in walks]
    learned = learn(walks_to_fit, vocabulary=workspace.vocabulary, start=start, before=present.tags)
    if learned.kept or scenes.kept:
        with workspace.locked():
            _store(workspace, Models(tags=learned.models, head=head))
            workspace.record(
                "learned", "tag models", photos=learned.photos, why=learned.why, scenes=scenes.kept
            )
    return LearnReport(
        photos=learned.photos,
        kept=learned.kept or scenes.kept,
        why=learned.why,
        before=_accuracies(learned.before),
        after=_accuracies(learned.after),
        calibration_error={f.value: round(e, 4) for f, e in learned.after.calibration_error.items()},
        scenes=scenes,
    )


def undo_learning(workspace: Workspace) -> None:
    """Go back to the models before the last learning; raises BadInputError when nothing was learned."""
    with workspace.locked():
        before, current = workspace.learnt / BEFORE, workspace.learnt / CURRENT
        if not current.exists():
            raise BadInputError(
                "This archive has not learned anything yet.", "`evidence learn` learns from confirmed tags."
            )
        if before.exists():
            before.replace(current)
        else:
            current.unlink()
        workspace.record("learning_undone", "tag models")


def export_learned(workspace: Workspace, out: Path) -> int:
    """Write the learned models to a file for another archive; returns its size in bytes.

    Raises BadInputError when nothing was learned or the file cannot be written.
    """
    current = workspace.learnt / CURRENT
    if not current.exists():
        raise BadInputError(
            "This archive has not learned anything yet.", "`evidence learn` learns from confirmed tags."
        )
    data = current.read_bytes()
    try:
        out.write_bytes(data)
    except OSError as error:
        raise BadInputError(f"{out} cannot be written: {error.strerror}.", "Choose another place.") from error
    return len(data)


def import_learned(workspace: Workspace, source: Path) -> None:
    """Use the models that another archive learned; raises BadInputError for an unusable file."""
    try:
        text = source.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        raise BadInputError(
            f"{source} cannot be read.", "Name a file that `evidence learn --export` wrote."
        ) from None
    with workspace.locked():
        models = Models.read(text, str(source), plan_of(workspace))
        _store(workspace, models)
        workspace.record("learning_imported", source.name)


def _store(workspace: Workspace, models: Models) -> None:
    """Store the models to be used from now on; the earlier ones stay beside them for `undo_learning`."""
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
    """Every claim with stated tags, and the adjuster who took its card in."""
    actors = {row.intake: row.actor for row in workspace.catalog.photos.intakes()}
    for row in workspace.catalog.claims.all():
        if row.state.is_gone:
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


SceneLesson = tuple[int, Floats, frozenset[SceneKind]]
"""The number of a claim, a photo's vector, and the kinds of which it shows one."""


def learn_scenes(lessons: Sequence[SceneLesson], present: SceneHead) -> tuple[SceneHead, SceneCheck]:
    """The shipped scene head refitted, else the present one.

    The refitted head is used if photos of held-out claims are right as often as before, and no shipped kind falls.
    """
    groups = sorted({number for number, _, _ in lessons})
    if len(lessons) < LEAST_SCENES or len(groups) < 2:
        return present, SceneCheck(photos=len(lessons), before=None, after=None, kept=False)
    correct_before = correct_after = 0
    for fold in range(min(FOLDS, len(groups))):
        held = set(groups[fold::FOLDS])
        rest = [one for one in lessons if one[0] not in held]
        held_out = [one for one in lessons if one[0] in held]
        correct_before += _correct(present, held_out)
        correct_after += _correct(_refitted(rest), held_out)
    head = _refitted(lessons)
    check = SceneCheck(
        photos=len(lessons),
        before=correct_before / len(lessons),
        after=correct_after / len(lessons),
        kept=False,
        shipped_before=_shipped_kinds(shipped_head()),
        shipped_after=_shipped_kinds(head),
    )
    if correct_after < correct_before or check.forgotten:
        return present, check
    return head, replace(check, kept=True)


def _lessons(workspace: Workspace, walks: Sequence[TrainingWalk]) -> list[SceneLesson]:
    plan = plan_of(workspace)
    lessons: list[SceneLesson] = []
    for number, walk in enumerate(walks):
        for photo in walk.photos:
            kinds = scenes_of(walk.confirmed.get(photo.sha256, {}), plan, workspace.vocabulary)
            if kinds and photo.look.embedding:
                lessons.append((number, unpack_vector(photo.look.embedding), kinds))
    return lessons


def _refitted(lessons: Sequence[SceneLesson]) -> SceneHead:
    rehearsed, _ = _drawn(REHEARSED, seed=1)
    vectors, kinds = np.stack([vector for _, vector, _ in lessons]), [kinds for _, _, kinds in lessons]
    return refit(shipped_head(), vectors, kinds, rehearsed=rehearsed)


@lru_cache(maxsize=2)
def _drawn(each: int, *, seed: int) -> tuple[Floats, list[SceneKind]]:
    """The vectors that every fold rehearses, or is checked with, drawn once; not to be changed."""
    return draw(shipped_summary(), each, seed=seed)


def _correct(head: SceneHead, held_out: Sequence[SceneLesson]) -> int:
    shares = head.probabilities(np.stack([vector for _, vector, _ in held_out]))
    return sum(
        KINDS[int(best)] in kinds for best, (_, _, kinds) in zip(shares.argmax(axis=1), held_out, strict=True)
    )


def _shipped_kinds(head: SceneHead) -> dict[str, float]:
    """Share right of each shipped kind, on vectors that were not rehearsed."""
    vectors, kinds = _drawn(CHECKED, seed=2)
    best = head.probabilities(vectors).argmax(axis=1)
    right = np.array([KINDS[int(at)] is kind for at, kind in zip(best, kinds, strict=True)])
    of = np.array([KINDS.index(kind) for kind in kinds])
    return {KINDS[int(kind)].value: round(float(right[of == kind].mean()), 4) for kind in np.unique(of)}


def _accuracies(held: HeldOut) -> dict[str, float | None]:
    return {
        facet.value: _rounded(held.accuracy(facet)) for facet in (Facet.ROLE, Facet.FACE, Facet.COMPONENT)
    }


def _rounded(share: float | None) -> float | None:
    return None if share is None else round(share, 4)
