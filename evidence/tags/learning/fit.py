"""Models fitted to confirmed tags: counts of walks, of everyone and of each adjuster, and the calibration.

Everything is fitted anew from all confirmed tags, so the same archive always gives the same models. The new
models are used unless they tag held-out claims clearly worse.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from evidence.forward_backward import Floats
from evidence.model import Face, Facet, FacetValue, PhotoRecord, Role, SceneKind, Sha256, Source
from evidence.tags.learning.held_out import FACETS, HeldOut, HeldOutFacet, calibrate, clearly_worse, held_out
from evidence.tags.models import TagModels
from evidence.tags.reading.parser import BoardParser, parser_of
from evidence.tags.suggest import TagOptions, tag_claim
from evidence.tags.vocabulary import GuessOptions, Vocabulary
from evidence.tags.walk.chain import expected_counts
from evidence.tags.walk.emission import CHALK_BASE_RATE, OFF_WALK_ROLES, EmissionModel
from evidence.tags.walk.kind_head import fit_kind_head
from evidence.tags.walk.model import WalkCounts
from evidence.tags.walk.plan import DETAIL, DETAIL_ROLES, SCENE_KINDS, Calibration, WalkPlan
from evidence.tags.walk.posterior import neighbour_evidence

_NOTHING_HELD = (
    "Nothing could be held out: no stated tag names a role, face or component that could be guessed. "
    "What cannot be checked is not learned."
)

_FOLDS = 4
_LEAST_WALKS = 2
"""With a single walk nothing can be held out, and nothing is learned."""

_LEAST_FOR_HEAD = 60
"""Fewest confirmed photos with a vector for which a classifier of their kinds is fitted."""

_HEAD_TRUSTS = (0.0, 0.3, 0.6)
"""Values of `KindHead.trust` that are compared."""

_OFTEN = 0.3
"""Share of a look from which a scene kind is one of those that a confirmed photo may show."""

_MOSTLY = 0.55
"""Share that these kinds need together to be taught."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrainingWalk:
    """One claim's photos in shooting order, and the facets that people or label cards stated."""

    photos: tuple[PhotoRecord, ...]
    confirmed: Mapping[Sha256, Mapping[Facet, str]]
    adjuster: str = ""

    @property
    def count(self) -> int:
        """Photos with a confirmed facet."""
        return sum(1 for photo in self.photos if self.confirmed.get(photo.sha256))


@dataclass(frozen=True, kw_only=True, eq=False)
class Learned:
    """The models to use from now on, and how they were checked."""

    models: TagModels
    kept: bool
    """False when the earlier models stay in use; `why` says why."""
    why: str
    photos: int
    """Confirmed photos learned from."""
    before: HeldOut = field(default_factory=HeldOut)
    after: HeldOut = field(default_factory=HeldOut)


def learn(
    walks: Sequence[TrainingWalk],
    *,
    vocabulary: Vocabulary,
    start: TagModels,
    before: TagModels | None = None,
) -> Learned:
    """Fit models to confirmed walks, starting from `start`: the models that ship, or those of another archive.

    `before` are the models in use, to compare with; None means `start`. Stated tags never change: they come
    before every guess.
    """
    before = before or start
    useful = [walk for walk in walks if walk.count]
    photos = sum(walk.count for walk in useful)
    if len(useful) < _LEAST_WALKS:
        why = f"Confirm tags in at least {_LEAST_WALKS} claims first: some of them are held out to check what was learned."
        return Learned(models=before, kept=False, why=why, photos=photos)
    trainer = _Trainer(vocabulary=vocabulary, start=start)
    folds = [useful[k::_FOLDS] for k in range(min(_FOLDS, len(useful)))]
    rows_before: list[HeldOutFacet] = []
    rows_after: list[HeldOutFacet] = []
    trust = trainer.head_trust(folds)
    for held in folds:
        rest = [walk for fold in folds if fold is not held for walk in fold]
        fitted = trainer.fit(rest, trust)
        for walk in held:
            number = len({row.walk for row in rows_before})
            rows_after += [replace(row, walk=number) for row in trainer.evaluate(fitted, walk)]
            rows_before += [replace(row, walk=number) for row in trainer.evaluate(before, walk)]
    if not rows_after:
        return Learned(models=before, kept=False, why=_NOTHING_HELD, photos=photos)
    calibration = {
        facet: calibrate(
            [row for row in rows_after if row.facet is facet],
            start.plan.calibration.get(facet, Calibration()),
        )
        for facet in FACETS
    }
    old, new = held_out(rows_before), held_out(rows_after, calibration)
    if clearly_worse(rows_before, rows_after):
        why = f"Held-out photos were tagged worse ({new.mean:.1%} right instead of {old.mean:.1%}); nothing was changed."
        return Learned(models=before, kept=False, why=why, photos=photos, before=old, after=new)
    models = replace(trainer.fit(useful, trust), calibration=calibration)
    why = f"Held-out photos: {old.mean:.1%} right before, {new.mean:.1%} after."
    return Learned(models=models, kept=True, why=why, photos=photos, before=old, after=new)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Trainer:
    """Fits models to some walks and evaluates them on others."""

    vocabulary: Vocabulary
    start: TagModels
    cache: dict[int, tuple[WalkCounts, list[tuple[bytes, int]]]] = field(default_factory=dict)
    """The lesson of each walk, by the walk's identity: it is the same in every fold."""

    def fit(self, walks: Sequence[TrainingWalk], head_trust: float) -> TagModels:
        """Models from these walks only, starting from `start`; without calibration."""
        plan = self.start.plan
        everyone = self.start.everyone or WalkCounts.zeros(plan)
        adjusters = dict(self.start.adjusters)
        kinds: list[int] = []
        vectors: list[bytes] = []
        parser = parser_of(self.vocabulary)
        for walk in walks:
            counts, found = self._lesson(walk, parser)
            everyone = everyone.plus(counts)
            if walk.adjuster:
                adjusters[walk.adjuster] = adjusters.get(walk.adjuster, WalkCounts.zeros(plan)).plus(counts)
            for vector, kind in found:
                vectors.append(vector)
                kinds.append(kind)
        head = fit_kind_head(vectors, kinds, plan, head_trust) if head_trust else None
        return TagModels(
            plan=plan, everyone=everyone, adjusters=adjusters, kind_head=head or self.start.kind_head
        )

    def _lesson(self, walk: TrainingWalk, parser: BoardParser) -> tuple[WalkCounts, list[tuple[bytes, int]]]:
        """The counts of one walk, and (vector, kind) of the photos whose kind is clear."""
        if id(walk) not in self.cache:
            self.cache[id(walk)] = self._compute_lesson(walk, parser)
        return self.cache[id(walk)]

    def _compute_lesson(
        self, walk: TrainingWalk, parser: BoardParser
    ) -> tuple[WalkCounts, list[tuple[bytes, int]]]:
        plan = self.start.plan
        model = self.start.walk(walk.adjuster)
        stated_of = [_as_stated(walk.confirmed.get(photo.sha256, {})) for photo in walk.photos]
        rows = [k for k, stated in enumerate(stated_of) if not _off_walk(stated)]
        if not rows:
            return WalkCounts.zeros(plan), []
        photos = [walk.photos[k] for k in rows]
        stated = [stated_of[k] for k in rows]
        emission = EmissionModel(model=model, vocabulary=self.vocabulary)
        likelihoods = emission.likelihoods(
            photos, [parser.read_photo(photo.look) for photo in photos], stated
        )
        trust = np.array([_trust(facets) for facets in stated])
        posterior, counts = expected_counts(
            model, neighbour_evidence(photos), likelihoods.combined(plan.off_walk)[None], trust
        )
        kind = np.array([step.kind for step in plan.steps])
        by_kind = np.zeros((len(photos), len(plan.photo_kinds)))
        np.add.at(by_kind.T, kind, posterior.steps.T)
        by_kind *= trust[:, None]
        counts = replace(
            counts,
            looks=_looks(model.looks, by_kind, photos),
            chalk=_chalk(model.chalk, by_kind, photos),
            sound=by_kind.T @ np.array([_soundness(facets) for facets in stated]),
        )
        clear = [
            (photo.look.embedding, int(np.argmax(shares)))
            for photo, shares in zip(photos, by_kind, strict=True)
            if photo.look.embedding and shares.max() > 0.8
        ]
        return counts, clear

    def evaluate(self, models: TagModels, walk: TrainingWalk) -> list[HeldOutFacet]:
        """Compare the guesses for a held-out walk, made without its confirmed tags and label cards, with the former."""
        photos = [
            replace(photo, look=replace(photo.look, labels=()))
            for photo in walk.photos
            if not _is_sheet_or_card(walk.confirmed.get(photo.sha256, {}))
        ]
        if not photos:
            return []
        raw = replace(models, calibration={facet: Calibration() for facet in Facet})
        options = TagOptions(adjuster=walk.adjuster, guess=GuessOptions(shows=0.0, floor=0.0))
        guessed = tag_claim(photos, person={}, vocabulary=self.vocabulary, models=raw, options=options)
        rows = []
        for photo in photos:
            confirmed = walk.confirmed.get(photo.sha256, {})
            for facet in FACETS:
                if facet not in confirmed:
                    continue
                guess = guessed[photo.sha256].tags.get(facet)
                if guess is not None and guess.stated:
                    continue  # stated by a sheet in the photo: nothing was guessed
                share = guess.confidence if guess else 0.0
                right = guess is not None and guess.value == confirmed[facet]
                rows.append(
                    HeldOutFacet(facet, share, models.calibrated(facet, share), right, guess is not None)
                )
        return rows

    def head_trust(self, folds: Sequence[Sequence[TrainingWalk]]) -> float:
        """The `KindHead.trust` that classifies held-out photos best."""
        plan = self.start.plan
        parser = parser_of(self.vocabulary)
        parts = [[found for walk in fold for found in self._lesson(walk, parser)[1]] for fold in folds]
        if sum(len(part) for part in parts) < _LEAST_FOR_HEAD:
            return 0.0
        losses = dict.fromkeys(_HEAD_TRUSTS, 0.0)
        for held in parts:
            rest = [found for part in parts if part is not held for found in part]
            head = fit_kind_head([v for v, _ in rest], [k for _, k in rest], plan, 1.0)
            if head is None or not held:
                continue
            odds = np.log(head.odds([vector for vector, _ in held]))
            for trust in losses:
                shares = np.exp(trust * odds) * head.prior
                shares /= shares.sum(axis=1, keepdims=True)
                losses[trust] -= float(
                    np.log([shares[row, kind] for row, (_, kind) in enumerate(held)]).sum()
                )
        return min(losses, key=lambda trust: losses[trust])


# --- the lesson of one photo ----------------------------------------------------------------


def _as_stated(confirmed: Mapping[Facet, str]) -> dict[Facet, FacetValue]:
    return {
        facet: FacetValue(facet=facet, value=value, source=Source.PERSON, confidence=1.0, reason="confirmed")
        for facet, value in confirmed.items()
    }


def _off_walk(stated: Mapping[Facet, FacetValue]) -> bool:
    return Facet.ROLE in stated and stated[Facet.ROLE].value in OFF_WALK_ROLES


def _is_sheet_or_card(confirmed: Mapping[Facet, str]) -> bool:
    return confirmed.get(Facet.ROLE) in (Role.DIVIDER, Role.LABEL)


def _trust(stated: Mapping[Facet, FacetValue]) -> float:
    """Weight of a photo: full when its role and its face or component are confirmed."""
    if Facet.ROLE in stated and (Facet.FACE in stated or Facet.COMPONENT in stated):
        return 1.0
    return 0.5 if stated else 0.0


def _looks(expected: Floats, by_kind: Floats, photos: Sequence[PhotoRecord]) -> Floats:
    """(kinds, scene kinds): expected counts of the true scene kinds.

    The network's probabilities are weighed by the usual look of each kind of photo; their clear sum would teach
    that every kind of photo looks a little like every scene kind.
    """
    counts = np.zeros_like(expected)
    for photo, weight in zip(photos, by_kind, strict=True):
        if not photo.look.scenes:
            continue
        joint = expected * np.array([photo.look.scenes.get(kind, 0.0) + 1e-6 for kind in SCENE_KINDS])
        counts += weight[:, None] * joint / joint.sum(axis=1, keepdims=True)
    return counts


def _chalk(expected: Floats, by_kind: Floats, photos: Sequence[PhotoRecord]) -> Floats:
    """(kinds, 2): expected counts of chalked squares, absent and present, in the same way."""
    counts = np.zeros((len(expected), 2))
    for photo, weight in zip(photos, by_kind, strict=True):
        if photo.look.chalk is None:
            continue
        there = photo.look.chalk.square * expected / CHALK_BASE_RATE
        gone = (1 - photo.look.chalk.square) * (1 - expected) / (1 - CHALK_BASE_RATE)
        counts += weight[:, None] * np.column_stack([gone, there]) / (gone + there)[:, None]
    return counts


def _soundness(stated: Mapping[Facet, FacetValue]) -> Floats:
    role = stated.get(Facet.ROLE)
    if role is None or role.value not in DETAIL_ROLES:
        return np.zeros(2)
    return np.array([0.0, 1.0]) if role.value == Role.NO_DAMAGE_PROOF else np.array([1.0, 0.0])


def scenes_of(confirmed: Mapping[Facet, str], plan: WalkPlan, vocabulary: Vocabulary) -> frozenset[SceneKind]:
    """The scene kinds of which a photo with these confirmed facets shows one; empty where it varies.

    Sheets and label cards, strays, metal things at close range, and what the plan says of the kind of photo. A
    test square shows the roof or its shingles.
    """
    role = confirmed.get(Facet.ROLE)
    if role in (Role.DIVIDER, Role.LABEL):
        return frozenset((SceneKind.SHEET,))
    if role == Role.OTHER:
        return frozenset((SceneKind.OTHER,))
    component, face = confirmed.get(Facet.COMPONENT, ""), confirmed.get(Facet.FACE, Face.NONE)
    word = vocabulary.word(Facet.COMPONENT, component)
    if role in DETAIL_ROLES and word is not None and word.group == "soft_metal":
        return frozenset((SceneKind.FIXTURE,))
    wanted = DETAIL if role in DETAIL_ROLES else role
    of_role = [(stage, kind) for stage in plan.stages for kind in stage.kinds if kind.role == wanted]
    named = [
        kind.looks
        for stage, kind in of_role
        if component and kind.component == component and bool(stage.each) == (face != Face.NONE)
    ]
    looks = named[:1] or ([] if wanted == DETAIL else [kind.looks for _, kind in of_role])
    alike = {_usual_scenes(plan, one) for one in looks}
    return alike.pop() if len(alike) == 1 else frozenset()


def _usual_scenes(plan: WalkPlan, looks: str) -> frozenset[SceneKind]:
    """The scene kinds that such a photo often shows; empty when others are about as frequent."""
    often = {
        kind: share for kind, share in zip(SCENE_KINDS, plan.looks[looks], strict=True) if share >= _OFTEN
    }
    return frozenset(often) if sum(often.values()) >= _MOSTLY else frozenset()
