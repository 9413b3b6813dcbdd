"""Learning from confirmed tags: everyone's habits, each adjuster's own, and how sure a guess may be.

Everything is fitted anew from all confirmed tags, so the same archive always gives the same models, and it
is kept unless claims that were held back are tagged clearly worse by it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from evidence.model import Face, Facet, FacetValue, PhotoRecord, Role, SceneKind, Sha256, Source
from evidence.tags.learning.held_out import FACETS, HeldOut, Row, calibrate, clearly_worse, held_out
from evidence.tags.reading.parser import Grammar
from evidence.tags.suggest import TagModels, TagOptions, tag_claim
from evidence.tags.vocabulary import GuessOptions, Vocabulary
from evidence.tags.walk.chain import count_moves
from evidence.tags.walk.emission import ASIDE_ROLES, CHALK_USUAL, Listener, ShotHead
from evidence.tags.walk.model import Habits
from evidence.tags.walk.plan import DETAIL_ROLES, KINDS, Calibration, WalkPlan
from evidence.tags.walk.posterior import between_photos
from evidence.tags.walk.similarity import vector_of

Floats = NDArray[np.float64]

_NOTHING_HELD = (
    "Nothing could be held out: no stated tag names a role, face or component that could be guessed, "
    "so nothing new could be checked, and nothing was learned."
)

_FOLDS = 4
_LEAST_WALKS = 2
"""With a single walk nothing can be held back, and nothing is learned."""

_LEAST_FOR_HEAD = 60
"""Confirmed photos with a vector below which telling shots apart by their pictures is not tried."""

_SHRINK = 0.3
"""Share of the common variance in each direction of the pictures' vectors (Friedman 1989)."""

_HEAD_TRUSTS = (0.0, 0.3, 0.6)

_MOSTLY = 0.55
"""Share of a look from which its most usual scene kind is taught."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrainingWalk:
    """One claim's photos in shooting order, and the facets that people or cards have settled."""

    photos: tuple[PhotoRecord, ...]
    confirmed: Mapping[Sha256, Mapping[Facet, str]]
    adjuster: str = ""

    @property
    def count(self) -> int:
        """Photos with a settled facet."""
        return sum(1 for photo in self.photos if self.confirmed.get(photo.sha256))


@dataclass(frozen=True, kw_only=True, eq=False)
class Learned:
    """The models to use from now on, and what is known of them."""

    models: TagModels
    kept: bool
    """False when the models from before are kept, and `why` says so."""
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
    """Fit models to confirmed walks, on top of `start`: what ships, or what came from another machine.

    `before` are the models in use, to compare with; None means `start`. What is stated is never touched
    by any of it: tags that people and cards state come before every guess.
    """
    before = before or start
    useful = [walk for walk in walks if walk.count]
    photos = sum(walk.count for walk in useful)
    if len(useful) < _LEAST_WALKS:
        why = f"Confirm tags in at least {_LEAST_WALKS} claims first: learning holds some of them back to check itself."
        return Learned(models=before, kept=False, why=why, photos=photos)
    school = _School(vocabulary=vocabulary, start=start)
    folds = [useful[k::_FOLDS] for k in range(min(_FOLDS, len(useful)))]
    rows_before: list[Row] = []
    rows_after: list[Row] = []
    trust = school.head_trust(folds)
    for held in folds:
        rest = [walk for fold in folds if fold is not held for walk in fold]
        fitted = school.fit(rest, trust)
        for walk in held:
            number = len({row.walk for row in rows_before})
            rows_after += [replace(row, walk=number) for row in school.ask(fitted, walk)]
            rows_before += [replace(row, walk=number) for row in school.ask(before, walk)]
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
    models = replace(school.fit(useful, trust), calibration=calibration)
    why = f"Held-out photos: {old.mean:.1%} right before, {new.mean:.1%} after."
    return Learned(models=models, kept=True, why=why, photos=photos, before=old, after=new)


@dataclass(frozen=True, kw_only=True, eq=False)
class _School:
    """Fits and asks."""

    vocabulary: Vocabulary
    start: TagModels
    lessons: dict[int, tuple[Habits, list[tuple[bytes, int]]]] = field(default_factory=dict)
    """What each walk taught, by the walk's identity: the same in every fold."""

    def fit(self, walks: Sequence[TrainingWalk], head_trust: float) -> TagModels:
        """Models from these walks alone, on top of `start`; without calibration."""
        plan = self.start.plan
        everyone = self.start.everyone or Habits.none(plan)
        adjusters = dict(self.start.adjusters)
        kinds: list[int] = []
        vectors: list[bytes] = []
        grammar = Grammar(self.vocabulary)
        for walk in walks:
            habits, found = self._experience(walk, grammar)
            everyone = everyone.plus(habits)
            if walk.adjuster:
                adjusters[walk.adjuster] = adjusters.get(walk.adjuster, Habits.none(plan)).plus(habits)
            for vector, kind in found:
                vectors.append(vector)
                kinds.append(kind)
        head = fit_shot_head(vectors, kinds, plan, head_trust) if head_trust else None
        return TagModels(
            plan=plan, everyone=everyone, adjusters=adjusters, shot_head=head or self.start.shot_head
        )

    def _experience(self, walk: TrainingWalk, grammar: Grammar) -> tuple[Habits, list[tuple[bytes, int]]]:
        """What one walk teaches: counts, and the vectors of photos whose shot is plain."""
        if id(walk) not in self.lessons:
            self.lessons[id(walk)] = self._taught(walk, grammar)
        return self.lessons[id(walk)]

    def _taught(self, walk: TrainingWalk, grammar: Grammar) -> tuple[Habits, list[tuple[bytes, int]]]:
        plan = self.start.plan
        model = self.start.walk(walk.adjuster)
        told = [_as_stated(walk.confirmed.get(photo.sha256, {})) for photo in walk.photos]
        rows = [k for k, stated in enumerate(told) if not _aside(stated)]
        if not rows:
            return Habits.none(plan), []
        photos = [walk.photos[k] for k in rows]
        stated = [told[k] for k in rows]
        listener = Listener(model=model, vocabulary=self.vocabulary)
        heard = listener.listen(photos, [grammar.read(photo.look.writing) for photo in photos], stated)
        trust = np.array([_trust(facets) for facets in stated])
        belief, habits = count_moves(
            model, between_photos(photos), heard.together(plan.off_walk)[None], trust
        )
        kind = np.array([step.kind for step in plan.steps])
        by_shot = np.zeros((len(photos), len(plan.shots)))
        np.add.at(by_shot.T, kind, belief.steps.T)
        by_shot *= trust[:, None]
        habits = replace(
            habits,
            looks=_looks(model.looks, by_shot, photos),
            chalk=_chalk(model.chalk, by_shot, photos),
            sound=by_shot.T @ np.array([_soundness(facets) for facets in stated]),
        )
        plain = [
            (photo.look.embedding, int(np.argmax(shares)))
            for photo, shares in zip(photos, by_shot, strict=True)
            if photo.look.embedding and shares.max() > 0.8
        ]
        return habits, plain

    def ask(self, models: TagModels, walk: TrainingWalk) -> list[Row]:
        """Guess a held-out walk without its confirmed tags and as if no card had been shown, and compare."""
        photos = [
            replace(photo, look=replace(photo.look, labels=()))
            for photo in walk.photos
            if not _aside_word(walk.confirmed.get(photo.sha256, {}))
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
                    continue  # a sheet in the photo said so: nothing was guessed
                share = guess.confidence if guess else 0.0
                right = guess is not None and guess.value == confirmed[facet]
                rows.append(Row(facet, share, models.calibrated(facet, share), right, guess is not None))
        return rows

    def head_trust(self, folds: Sequence[Sequence[TrainingWalk]]) -> float:
        """How far to trust a head on the pictures' vectors: what tells held-out shots apart best."""
        plan = self.start.plan
        grammar = Grammar(self.vocabulary)
        parts = [[found for walk in fold for found in self._experience(walk, grammar)[1]] for fold in folds]
        if sum(len(part) for part in parts) < _LEAST_FOR_HEAD:
            return 0.0
        losses = dict.fromkeys(_HEAD_TRUSTS, 0.0)
        for held in parts:
            rest = [found for part in parts if part is not held for found in part]
            head = fit_shot_head([v for v, _ in rest], [k for _, k in rest], plan, 1.0)
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


# --- what one photo teaches ----------------------------------------------------------------


def _as_stated(confirmed: Mapping[Facet, str]) -> dict[Facet, FacetValue]:
    return {
        facet: FacetValue(facet=facet, value=value, source=Source.PERSON, confidence=1.0, reason="confirmed")
        for facet, value in confirmed.items()
    }


def _aside(stated: Mapping[Facet, FacetValue]) -> bool:
    return Facet.ROLE in stated and stated[Facet.ROLE].value in ASIDE_ROLES


def _aside_word(confirmed: Mapping[Facet, str]) -> bool:
    return confirmed.get(Facet.ROLE) in (Role.DIVIDER, Role.LABEL)


def _trust(stated: Mapping[Facet, FacetValue]) -> float:
    """A photo teaches as far as its role and its face or component are settled."""
    if Facet.ROLE in stated and (Facet.FACE in stated or Facet.COMPONENT in stated):
        return 1.0
    return 0.5 if stated else 0.0


def _looks(expected: Floats, by_shot: Floats, photos: Sequence[PhotoRecord]) -> Floats:
    """(shots, scene kinds): expected counts of what the pictures really looked like.

    The network's doubt is shared out by what the shot usually looks like; adding its opinions up as they
    are would teach that every shot looks a little like everything.
    """
    counts = np.zeros_like(expected)
    for photo, weight in zip(photos, by_shot, strict=True):
        if not photo.look.scenes:
            continue
        joint = expected * np.array([photo.look.scenes.get(kind, 0.0) + 1e-6 for kind in KINDS])
        counts += weight[:, None] * joint / joint.sum(axis=1, keepdims=True)
    return counts


def _chalk(expected: Floats, by_shot: Floats, photos: Sequence[PhotoRecord]) -> Floats:
    """(shots, 2): expected counts of chalked squares not there and there, in the same way."""
    counts = np.zeros((len(expected), 2))
    for photo, weight in zip(photos, by_shot, strict=True):
        if photo.look.chalk is None:
            continue
        there = photo.look.chalk.square * expected / CHALK_USUAL
        gone = (1 - photo.look.chalk.square) * (1 - expected) / (1 - CHALK_USUAL)
        counts += weight[:, None] * np.column_stack([gone, there]) / (gone + there)[:, None]
    return counts


def _soundness(stated: Mapping[Facet, FacetValue]) -> Floats:
    role = stated.get(Facet.ROLE)
    if role is None or role.value not in DETAIL_ROLES:
        return np.zeros(2)
    return np.array([0.0, 1.0]) if role.value == Role.NO_DAMAGE_PROOF else np.array([1.0, 0.0])


def scene_of(confirmed: Mapping[Facet, str], plan: WalkPlan, vocabulary: Vocabulary) -> SceneKind | None:
    """What the image network should call a photo with these confirmed facets; None where it may vary.

    What the scene head is refitted on: sheets and label cards, things of metal from near, and shots
    whose look is mostly one kind.
    """
    role = confirmed.get(Facet.ROLE)
    if role in (Role.DIVIDER, Role.LABEL):
        return SceneKind.SHEET
    wanted = "detail" if role in DETAIL_ROLES else role
    component, face = confirmed.get(Facet.COMPONENT, ""), confirmed.get(Facet.FACE, Face.NONE)
    word = vocabulary.word(Facet.COMPONENT, component)
    if role in DETAIL_ROLES and word is not None and word.group == "soft_metal":
        return SceneKind.FIXTURE
    for stage in plan.stages:
        for shot in stage.shots:
            if shot.role != wanted or shot.component != component or bool(stage.each) != (face != Face.NONE):
                continue
            best = int(np.argmax(plan.looks[shot.looks]))
            return KINDS[best] if plan.looks[shot.looks][best] >= _MOSTLY else None
    return None


# --- telling shots apart by their vectors --------------------------------------------------


def fit_shot_head(
    vectors: Sequence[bytes], kinds: Sequence[int], plan: WalkPlan, trust: float
) -> ShotHead | None:
    """Linear discriminants with a shrunk common covariance (J. Friedman, JASA 84, 1989).

    Shots with fewer than three photos are left to the other sources. None when fewer than two are left.
    """
    if not vectors:
        return None
    rows = np.stack([vector_of(vector) for vector in vectors])
    labels = np.asarray(kinds)
    counts = np.bincount(labels, minlength=len(plan.shots))
    taught = np.flatnonzero(counts >= 3)
    if len(taught) < 2:
        return None
    means = np.stack([rows[labels == kind].mean(axis=0) for kind in taught])
    known = np.isin(labels, taught)
    centred = rows[known] - means[np.searchsorted(taught, labels[known])]
    spread = centred.T @ centred / max(1, len(centred) - len(taught))
    level = float(np.trace(spread)) / len(spread)
    shrunk = (1 - _SHRINK) * spread + (_SHRINK * level + 1e-9) * np.eye(len(spread))
    directions = np.linalg.solve(shrunk, means.T).T
    # a half keeps few photos in many directions from making it far too sure
    weights, bias = 0.5 * directions, -0.25 * np.einsum("kd,kd->k", directions, means)
    full = np.zeros((len(plan.shots), rows.shape[1]))
    offset = np.full(len(plan.shots), -30.0)
    prior = (counts + 0.5) / (counts + 0.5).sum()
    full[taught], offset[taught] = weights, bias + np.log(prior[taught])
    return ShotHead(weights=full, bias=offset, prior=prior, trust=trust)
