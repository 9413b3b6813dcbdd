"""Embeddings agree with another implementation; the head learns, keeps its accuracy, and refuses bad input."""

from __future__ import annotations

import io
import pickle
import zipfile

import numpy as np
import pytest
from PIL import Image, ImageOps
from scipy.optimize import minimize
from support_drawn import USUAL, photographed, yard

from evidence.errors import BadInputError
from evidence.model import MediaKind, SceneKind
from evidence.sight.embedding import embed
from evidence.sight.pictures import load_picture
from evidence.sight.scene_head import (
    KINDS,
    SceneHead,
    descend,
    load_head,
    pack_vector,
    refit,
    save_head,
    shipped_head,
    unpack_vector,
)
from evidence.sight.scene_step import AWAY, MOST_MEANS, LocalStep, local_step


def upright(path):
    with Image.open(path) as photo:
        return np.asarray(ImageOps.exif_transpose(photo).convert("RGB"))


def vectors_of(number, seed=0):
    rows = np.random.default_rng(seed).standard_normal((number, 1280)).astype(np.float32)
    return rows / np.linalg.norm(rows, axis=1, keepdims=True)


# --- embedding -----------------------------------------------------------------------------


def test_embeddings_agree_with_those_computed_elsewhere(real_photos):
    """Vectors made by another program with the same weights; the agreement asked for is a cosine of 0.999."""
    check = real_photos.parent / "scene_vectors" / "check.npz"
    if not check.is_file():
        pytest.skip("no file ../shared/scene_vectors/check.npz beside this checkout")
    with np.load(check, allow_pickle=False) as parts:
        for name, expected in zip(parts["files"], parts["vectors"].astype(np.float32), strict=True):
            cosine = embed(upright(real_photos / str(name))) @ expected / np.linalg.norm(expected)
            assert cosine > 0.999, name


def test_the_reduced_photo_of_a_look_gives_nearly_the_vector_of_the_full_one(real_photos):
    for name in ("sheets/hw_page09.jpg", "gps_walk/berlin_01.jpg"):
        full, reduced = upright(real_photos / name), load_picture(real_photos / name, MediaKind.PHOTO).rgb
        if full.shape[0] > full.shape[1] == reduced.shape[0]:
            reduced = np.rot90(reduced)
        assert embed(full) @ embed(np.ascontiguousarray(reduced)) > 0.99, name


def test_a_vector_survives_packing():
    vector = embed(photographed(yard(np.random.default_rng(1), 320, 240), np.random.default_rng(1), USUAL))
    assert abs(np.linalg.norm(vector) - 1) < 1e-5
    assert len(pack_vector(vector)) == 2560
    assert unpack_vector(pack_vector(vector)) @ vector > 0.99999
    with pytest.raises(BadInputError):
        unpack_vector(b"\0" * 12)


def eight_groups(each=8):
    """Photos of eight groups that resemble each other, and their kinds: a kind for each group."""
    centres, noise = vectors_of(8, seed=3), vectors_of(8 * each, seed=4)
    shown = np.repeat(centres, each, axis=0) + 0.4 * noise
    shown /= np.linalg.norm(shown, axis=1, keepdims=True)
    return shown.astype(np.float32), [KINDS[n // each] for n in range(8 * each)]


# --- the shipped head ----------------------------------------------------------------------


def test_the_shipped_head_recognises_real_streets_sheets_and_other_things(real_photos):
    head = shipped_head()

    def top(name):
        scenes = head.scenes(embed(upright(real_photos / name)))
        return max(scenes, key=scenes.__getitem__)

    for name in ("hw_page09.jpg", "om_angle_1.jpg", "om_omr_survey_1.jpg"):
        assert top(f"sheets/{name}") is SceneKind.SHEET
    for number in (7, 11, 13, 19):  # one house or row of houses; a street with no house in front is other
        assert top(f"gps_walk/lund_{number:02}.jpg") is SceneKind.HOUSE
    for name in ("Canon_40D", "Kodak_CX7530", "Pentax_K10D", "Olympus_C8080WZ", "jolla"):
        assert top(f"cameras/{name}.jpg") is SceneKind.OTHER


def test_the_shipped_head_tells_the_vectors_it_was_fitted_on(real_photos):
    """Not a measure of how good it is (tests/bench/scene_report.py is), but of the right file being shipped."""
    folder = real_photos.parent / "scene_vectors"
    for name, least in (("vectors.npz", 0.98), ("more_vectors.npz", 0.96)):
        if not (folder / name).is_file():
            pytest.skip(f"no file ../shared/scene_vectors/{name} beside this checkout")
        with np.load(folder / name, allow_pickle=False) as parts:
            vectors, words = parts["vectors"].astype(np.float32), parts["kind"]
        vectors /= np.linalg.norm(vectors, axis=1, keepdims=True)
        shares = shipped_head().probabilities(vectors)
        told = [KINDS[at].value for at in shares.argmax(axis=1)]
        allowed = [{part.split("_")[0] for part in str(word).split("|")} for word in words]
        right = [
            guess in kinds or (guess == "shingle" and "roof" in kinds)
            for guess, kinds in zip(told, allowed, strict=True)
        ]
        assert np.mean(right) > least, name


def test_a_kind_is_as_probable_as_its_classes_together():
    rng = np.random.default_rng(8)
    kind_of = np.array([*range(8), 0, 0, 3])
    head = SceneHead(
        weights=rng.standard_normal((11, 1280)).astype(np.float32),
        bias=rng.standard_normal(11).astype(np.float32),
        kind_of=kind_of,
    )
    vectors = vectors_of(5)
    classes = np.exp((vectors @ head.weights.T + head.bias).astype(np.float64))
    expected = np.stack([classes[:, kind_of == kind].sum(axis=1) for kind in range(8)], axis=1)
    np.testing.assert_allclose(
        head.probabilities(vectors), expected / expected.sum(axis=1, keepdims=True), atol=1e-5
    )


def test_a_head_of_one_class_for_each_kind_is_read_too():
    """The form of earlier versions, as in models that an archive learned with them."""
    head = SceneHead(
        weights=shipped_head().weights[:8],
        bias=shipped_head().bias[:8],
        kind_of=np.arange(8),
        temperature=0.7,
    )
    again = load_head(save_head(head))
    assert again.kind_of.tolist() == list(range(8))
    np.testing.assert_array_equal(again.probabilities(vectors_of(4)), head.probabilities(vectors_of(4)))


# --- learning ------------------------------------------------------------------------------


def test_without_photos_the_head_stays_as_it_is():
    head = shipped_head()
    assert refit(head, np.zeros((0, 1280), np.float32), []) is head


def test_a_refit_learns_from_new_photos_and_forgets_little():
    head, (shown, kinds) = shipped_head(), eight_groups()
    learned = refit(head, shown, kinds)
    guesses = learned.probabilities(shown).argmax(axis=1)
    assert np.mean([KINDS[at] is kind for at, kind in zip(guesses, kinds, strict=True)]) > 0.95
    plain_cases = head.weights - head.weights.mean(axis=0)
    plain_cases /= np.linalg.norm(plain_cases, axis=1, keepdims=True)
    before, after = (
        head.probabilities(plain_cases).argmax(axis=1),
        learned.probabilities(plain_cases).argmax(axis=1),
    )
    assert before.tolist() == after.tolist()


def test_the_same_photos_give_the_same_head_to_the_bit():
    shown, kinds = vectors_of(40), [KINDS[n % 8] for n in range(40)]
    assert save_head(refit(shipped_head(), shown, kinds)) == save_head(refit(shipped_head(), shown, kinds))


def test_a_photo_of_weight_zero_changes_nothing():
    shown, kinds = vectors_of(10), [SceneKind.GAUGE] * 10
    learned = refit(shipped_head(), shown, kinds, [0.0] * 10)
    np.testing.assert_allclose(learned.logits(shown), shipped_head().logits(shown), atol=1e-5)
    half = refit(shipped_head(), vectors_of(20), [SceneKind.GAUGE] * 20, [1.0] * 10 + [0.0] * 10)
    np.testing.assert_array_equal(
        half.step.near, refit(shipped_head(), vectors_of(20)[:10], [SceneKind.GAUGE] * 10).step.near
    )


def test_a_stronger_prior_changes_the_head_less():
    shown, kinds = vectors_of(30), [KINDS[n % 8] for n in range(30)]
    moves = [
        np.linalg.norm(refit(shipped_head(), shown, kinds, strength=s).step.lines[:, :-1])
        for s in (0.01, 1.0)
    ]
    assert moves[1] < moves[0] / 3


def test_all_classes_of_a_kind_move_alike_when_a_head_learns():
    head, (shown, kinds) = shipped_head(), eight_groups()
    learned = refit(head, shown, kinds)
    np.testing.assert_array_equal(learned.weights, head.weights)
    assert np.abs(learned.step.lines).max() > 0.1


def test_what_was_learned_applies_fully_near_the_confirmed_photos_and_hardly_elsewhere():
    head, (shown, kinds) = shipped_head(), eight_groups()
    learned = refit(head, shown, kinds)
    change = shown @ learned.step.lines[:, :-1].T + learned.step.lines[:, -1]
    np.testing.assert_allclose(learned.logits(shown), head.logits(shown) + change, atol=1e-3)
    others = vectors_of(40, seed=9)
    change = others @ learned.step.lines[:, :-1].T + learned.step.lines[:, -1]
    np.testing.assert_allclose(learned.logits(others), head.logits(others) + AWAY * change, atol=1e-3)


def test_learning_again_starts_from_the_shipped_head():
    shown, kinds = eight_groups()
    once = refit(shipped_head(), shown, kinds)
    assert save_head(refit(once, shown, kinds)) == save_head(once)


def test_no_mean_of_a_step_is_one_photo_s_vector_and_their_number_is_limited():
    rng = np.random.default_rng(6)
    shown = np.abs(rng.standard_normal((40, 1280))).astype(np.float32)
    shown /= np.linalg.norm(shown, axis=1, keepdims=True)
    near = local_step(np.zeros((8, 1281)), shown).near
    assert 0 < len(near) <= 40 // 3
    assert (near @ shown.T).max() < 0.97
    assert len(local_step(np.zeros((8, 1281)), vectors_of(2)).near) == 1


def test_the_fit_is_the_minimum_another_optimiser_finds():
    """Nelder-Mead needs no slope, so a wrong gradient of ours would show."""
    rng = np.random.default_rng(4)
    design = np.hstack([rng.standard_normal((40, 1)), np.ones((40, 1))])
    truth = np.eye(2)[(design[:, 0] + 0.5 * rng.standard_normal(40) > 0).astype(int)]
    start, counts = np.array([[0.3, 0.1], [-0.2, 0.0]]), rng.uniform(0.5, 2, 40)

    def loss(flat):
        rows = flat.reshape(2, 2)
        logits = design @ rows.T
        chances = logits - np.logaddexp.reduce(logits, axis=1)[:, None]
        return float(-(counts[:, None] * truth * chances).sum() + 0.5 * 0.7 * ((rows - start) ** 2).sum())

    other = minimize(
        loss, start.ravel(), method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-10, "maxiter": 9000}
    )
    np.testing.assert_allclose(descend(start, design, truth, counts, 0.7).ravel(), other.x, atol=1e-3)


@pytest.mark.parametrize(
    ("rows", "kinds", "counts"),
    [(3, 2, None), (2, 2, [1.0]), (2, 2, [1.0, -1.0]), (2, 2, [1.0, float("nan")])],
    ids=["too few kinds", "too few weights", "negative", "not a number"],
)
def test_photos_that_do_not_fit_together_are_refused(rows, kinds, counts):
    with pytest.raises(BadInputError):
        refit(shipped_head(), vectors_of(rows), [SceneKind.HOUSE] * kinds, counts)


# --- the file ------------------------------------------------------------------------------


def test_a_head_comes_back_from_its_file_as_it_was():
    data = save_head(shipped_head())
    again = load_head(data)
    assert save_head(again) == data
    np.testing.assert_array_equal(again.weights, shipped_head().weights)


def test_a_learned_head_comes_back_from_its_file_as_it_was():
    learned = refit(shipped_head(), *eight_groups())
    data = save_head(learned)
    assert save_head(load_head(data)) == data
    np.testing.assert_array_equal(load_head(data).logits(vectors_of(5)), learned.logits(vectors_of(5)))


def _npz(**arrays):
    buffer = io.BytesIO()
    np.savez(buffer, **arrays)
    return buffer.getvalue()


def _flipped(data):
    hurt = bytearray(data)
    hurt[len(hurt) // 2] ^= 0x55
    return bytes(hurt)


def _bomb():
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("weights.npy", bytes(50_000_000))
    return buffer.getvalue()


def _with(**changes):
    head = shipped_head()
    same = {"weights": head.weights, "bias": head.bias, "kind_of": head.kind_of, "temperature": 1.0}
    return save_head(SceneHead(**{**same, **changes}))


@pytest.mark.parametrize(
    "make",
    [
        lambda: b"",
        lambda: b"no archive",
        lambda: pickle.dumps({"weights": 1}),
        lambda: _npz(weights=np.zeros(3)),
        lambda: _npz(
            **dict.fromkeys(
                ("kinds", "weights", "bias", "temperature", "digest"), np.array([print], dtype=object)
            )
        ),
        _bomb,
        lambda: _flipped(save_head(shipped_head())),
        lambda: _with(weights=np.zeros((3, 5), np.float32)),
        lambda: _with(bias=np.full(len(shipped_head().bias), np.nan, np.float32)),
        lambda: _with(kind_of=np.zeros(len(shipped_head().bias), np.int64)),
        lambda: save_head(
            SceneHead(
                weights=np.zeros((408, 1280), np.float32),
                bias=np.zeros(408, np.float32),
                kind_of=np.arange(408) % 8,
            )
        ),
        lambda: _with(temperature=-1.0),
        lambda: _with(step=LocalStep(lines=np.zeros((8, 5), np.float32), near=vectors_of(2))),
        lambda: _with(step=LocalStep(lines=np.full((8, 1281), np.inf, np.float32), near=vectors_of(2))),
        lambda: _with(
            step=LocalStep(lines=np.zeros((8, 1281), np.float32), near=np.zeros((2, 5), np.float32))
        ),
        lambda: _with(step=LocalStep(lines=np.zeros((8, 1281), np.float32), near=vectors_of(MOST_MEANS + 1))),
    ],
    ids=[
        "empty",
        "text",
        "pickle",
        "lacking",
        "objects",
        "bomb",
        "flipped",
        "shape",
        "nan",
        "kinds lacking",
        "too many classes",
        "temperature",
        "shape of the step",
        "infinite step",
        "shape of the means",
        "too many means",
    ],
)
def test_anything_but_a_head_is_refused(make):
    data = make()
    with pytest.raises(BadInputError):
        load_head(data)
