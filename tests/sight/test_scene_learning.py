"""Learning keeps the accuracy of the shipped head, and a damaged summary is refused."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))

from scene_fit import load
from scene_learning import Shipped, falls, offices
from scene_report import REPORTED, thirds

from evidence.errors import BadInputError
from evidence.model import SceneKind
from evidence.sight.scene_head import KINDS, refit, shipped_head
from evidence.sight.scene_rehearsal import draw, load_summary, save_summary, shipped_summary, summarise

MANY = 300
"""Drawn vectors of each kind that are asked."""


def asked():
    return draw(shipped_summary(), MANY, seed=90)


def recalls(head):
    vectors, kinds = asked()
    best = head.probabilities(vectors).argmax(axis=1)
    return {
        kind: np.mean([KINDS[at] is kind for at, of in zip(best, kinds, strict=True) if of is kind])
        for kind in dict.fromkeys(kinds)
    }


def office(left_out, many, shift):
    """Confirmed photos of every kind but `left_out`, all of them a little unlike the shipped ones in the same way."""
    vectors, kinds = draw(shipped_summary(), many, seed=91)
    keep = [at for at, kind in enumerate(kinds) if kind not in left_out]
    moved = vectors[keep] + shift * np.abs(np.random.default_rng(5).standard_normal(1280)) / 1280**0.5
    moved /= np.linalg.norm(moved, axis=1, keepdims=True)
    return moved.astype(np.float32), [kinds[at] for at in keep]


@pytest.mark.parametrize(
    "left_out",
    [{SceneKind.OTHER}, {SceneKind.FIXTURE}, {SceneKind.OTHER, SceneKind.FIXTURE, SceneKind.SHEET}],
    ids=["no other", "no fixture", "neither, nor sheets"],
)
def test_no_shipped_kind_is_right_less_often_after_an_office_left_it_out(left_out):
    vectors, kinds = office(left_out, 30, shift=0.5)
    rehearsed, _ = draw(shipped_summary(), 60, seed=1)
    before = recalls(shipped_head())
    kept = recalls(refit(shipped_head(), vectors, kinds, rehearsed=rehearsed))
    assert max(before[kind] - kept[kind] for kind in before) < 0.0101


def test_two_hundred_houses_alone_do_not_teach_that_nothing_else_occurs():
    vectors, kinds = draw(shipped_summary(), 200, seed=92)
    houses = vectors[[kind is SceneKind.HOUSE for kind in kinds]]
    rehearsed, _ = draw(shipped_summary(), 60, seed=1)
    head = refit(shipped_head(), houses, [SceneKind.HOUSE] * 200, rehearsed=rehearsed)
    before, after = recalls(shipped_head()), recalls(head)
    assert max(before[kind] - after[kind] for kind in before) < 0.0101


def test_a_photo_that_may_show_either_of_two_kinds_teaches_neither_against_the_other():
    vectors, _ = office(set(), 5, shift=0.5)
    either = frozenset({SceneKind.ROOF, SceneKind.SHINGLE})
    head = refit(shipped_head(), vectors, [either] * len(vectors))
    old, new = shipped_head().probabilities(vectors), head.probabilities(vectors)
    roof, shingle = KINDS.index(SceneKind.ROOF), KINDS.index(SceneKind.SHINGLE)
    assert (new[:, [roof, shingle]].sum(axis=1) > old[:, [roof, shingle]].sum(axis=1)).mean() > 0.95
    odds = [np.median(np.log(shares[:, roof] / shares[:, shingle])) for shares in (old, new)]
    assert abs(odds[0] - odds[1]) < 0.7


def test_an_office_with_held_out_sources_gains_and_forgets_nothing(real_photos):
    """A third of the real sources: the office confirms photos of some, the others are asked (all: scene_report.py)."""
    folder = real_photos.parent / "scene_vectors"
    if not (folder / "more_vectors.npz").is_file():
        pytest.skip("no folder ../shared/scene_vectors beside this checkout")
    rows = load(folder)
    shipped = Shipped.without(rows, thirds(rows, REPORTED)[0], shipped_head().temperature)
    outcomes = [
        one
        for mixture in ("any kind", "no other", "no fixture")
        for turn in range(3)
        for one in offices(shipped, mixture, 200, seed=100 * turn)
    ]
    assert len(outcomes) >= 6
    before, after = (np.concatenate([one.own[when] for one in outcomes]).mean() for when in (0, 1))
    assert after > before
    lost = falls(outcomes)
    assert set(lost) >= {SceneKind.HOUSE, SceneKind.ROOF, SceneKind.INTERIOR, SceneKind.OTHER}
    assert max(lost.values()) <= 0.01


# --- the summary -----------------------------------------------------------------------------


def test_the_summary_is_small_and_comes_back_as_it_was():
    data = save_summary(shipped_summary())
    assert len(data) < 300_000
    assert save_summary(load_summary(data)) == data


def test_drawn_vectors_are_what_the_shipped_head_was_fitted_on_in_kind():
    before = recalls(shipped_head())
    assert set(before) == set(KINDS) - {SceneKind.GAUGE}
    assert min(before.values()) > 0.8


def test_no_mean_of_the_summary_is_one_photo_s_vector():
    rng = np.random.default_rng(3)
    vectors = np.abs(rng.standard_normal((40, 1280))).astype(np.float32)
    vectors /= np.linalg.norm(vectors, axis=1, keepdims=True)
    made = summarise(vectors, [SceneKind.HOUSE] * 20 + [SceneKind.SHEET] * 20)
    assert (made.means @ vectors.T / np.linalg.norm(made.means, axis=1, keepdims=True)).max() < 0.99


@pytest.mark.parametrize(
    "spoil",
    [lambda data: b"", lambda data: data[: len(data) // 2], lambda data: b"no archive" * 30],
    ids=["empty", "cut short", "text"],
)
def test_a_damaged_summary_is_refused(spoil):
    with pytest.raises(BadInputError):
        load_summary(spoil(save_summary(shipped_summary())))
