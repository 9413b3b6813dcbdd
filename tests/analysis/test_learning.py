"""Learning from confirmed tags: it can be undone and exported, and never changes a stated tag."""

from __future__ import annotations

import io
import sys
from collections import defaultdict
from dataclasses import replace

import numpy as np
import pytest
from support_card import CardMaker
from support_cli import cli, make_archive

from evidence.analysis.learning import LearnReport, SceneCheck, learn_scenes
from evidence.analysis.models import models_of
from evidence.cli.learning import report_lines
from evidence.model import Facet, SceneKind
from evidence.sight.scene_head import KINDS, pack_vector, shipped_head
from evidence.sight.scene_rehearsal import draw, shipped_summary
from evidence.sight.weights import VECTOR_SIZE
from evidence.workspace import Workspace

CLAIMS = ("TC-1001", "TC-1002", "TC-1003", "TC-1004")
GUESSED = "TC-1005"
"""A claim of which one photo alone is stated: the others carry guesses."""
SHOWN = {"elevation": SceneKind.HOUSE, "slope": SceneKind.ROOF}


@pytest.fixture(scope="module")
def taught(tmp_path_factory):
    """Five houses whose photos carry vectors of two kinds that the shipped head was not fitted on."""
    folder = tmp_path_factory.mktemp("taught")
    archive = make_archive(folder)
    (archive / "evidence.toml").write_text(
        "[intake]\nworkers = 1\nread_writing = false\nscene_kinds = false\n"
    )
    card = CardMaker(folder / "card")
    for claim in (*CLAIMS, GUESSED):
        card.sheet(claim)
        for _ in range(8):
            card.scene()
        card.wait(minutes=30)
    assert cli("intake", card.root, archive=archive).status == 0
    rng = np.random.default_rng(20260514)
    centre = {role: rng.normal(size=VECTOR_SIZE) for role in SHOWN}
    shown = defaultdict(list)
    with Workspace(archive) as workspace:
        for claim in (*CLAIMS, GUESSED):
            photos = workspace.catalog.photos.of_claim(claim)[1:]
            for role, mine in (("elevation", photos[:4]), ("slope", photos[4:])):
                looks = []
                for photo in mine:
                    vector = centre[role] + rng.normal(size=VECTOR_SIZE) * 0.3
                    unit = (vector / np.linalg.norm(vector)).astype(np.float32)
                    shares = shipped_head().probabilities(unit[None])[0]
                    scenes = {kind: float(share) for kind, share in zip(KINDS, shares, strict=True)}
                    looks.append(
                        (
                            photo.sha256,
                            photo.facts,
                            replace(photo.look, embedding=pack_vector(unit), scenes=scenes),
                        )
                    )
                workspace.catalog.photos.describe(looks)
                for photo, face in zip(mine, ("front", "right", "back", "left"), strict=True):
                    if claim != GUESSED or (role, face) == ("elevation", "front"):
                        shown[role, face].append(photo.sha256)
    for (role, face), digests in shown.items():
        named = cli("tag", *digests, "--role", role, "--face", face, archive=archive, actor="Rae")
        assert named.status == 0
    return archive


def scene_of_first_slope(archive):
    from evidence.analysis.models import with_scene_head

    with Workspace(archive) as workspace:
        photo = workspace.catalog.photos.of_claim("TC-1001", embeddings=True)[5]
        (seen,) = with_scene_head([photo], models_of(workspace).head)
        return max(seen.look.scenes, key=lambda kind: seen.look.scenes[kind])


def test_learning_reports_held_out_accuracy_and_can_be_undone_and_moved(taught, tmp_path):
    before = cli("photos", "TC-1001", "--json", archive=taught).data
    report = cli("learn", "--json", archive=taught, actor="Rae").data
    assert report["kept"] is True
    assert report["photos"] >= 32
    assert report["scenes"]["photos"] >= 32
    assert report["scenes"]["after"] >= 0.95 > report["scenes"]["before"]
    assert scene_of_first_slope(taught) is SceneKind.ROOF

    after = cli("photos", "TC-1001", "--json", archive=taught).data
    stated = [(p["sha256"], [p[f] for f in p["stated"]]) for p in after]
    assert stated == [(p["sha256"], [p[f] for f in p["stated"]]) for p in before], "a stated tag changed"

    moved = tmp_path / "learned.json"
    assert cli("learn", "--export", moved, archive=taught).status == 0
    other = make_archive(tmp_path)
    assert cli("learn", "--import", moved, archive=other).status == 0
    with Workspace(other) as workspace, Workspace(taught) as first:
        assert np.array_equal(models_of(workspace).head.weights, models_of(first).head.weights)

    assert cli("learn", "--undo", archive=taught).status == 0
    with Workspace(taught) as workspace:
        assert models_of(workspace).head is shipped_head()
    actions = [one["action"] for one in cli("custody", "--json", "--last", "0", archive=taught).data["shown"]]
    assert actions[-2:] == ["learned", "learning_undone"]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        '{"format": "learned 1"}',
        '{"format": "learned 1", "tags": "{}", "scene_head": "AAAA"}',
        '{"format": "other", "tags": "", "scene_head": ""}',
    ],
    ids=["empty", "torn", "list", "bare", "no models", "other format"],
)
def test_a_file_that_is_not_valid_is_refused_and_changes_nothing(taught, tmp_path, text):
    file = tmp_path / "learned.json"
    file.write_text(text)
    refused = cli("learn", "--import", file, archive=taught)
    assert refused.status == 2
    assert refused.err.count("\n") == 1


def test_a_damaged_learned_file_never_stops_tagging(taught):
    (taught / "learnt").mkdir(exist_ok=True)
    (taught / "learnt" / "learned.json").write_text('{"format": "learned 1", "tags": "x"')
    try:
        assert cli("tag", "TEST0003.JPG", "--condition", "damage", archive=taught).status == 0
    finally:
        (taught / "learnt" / "learned.json").unlink()


def test_confirming_states_the_guesses_and_undo_removes_the_statements(taught):
    with Workspace(taught) as workspace:
        guesses = [
            (photo.sha256, facet.value)
            for photo in workspace.catalog.photos.of_claim(GUESSED)
            for facet, value in photo.tags.items()
            if not value.stated and value.confidence >= 0.6 and facet is not Facet.COUNT
        ]
    assert guesses
    done = cli("confirm", GUESSED, "--above", "0.6", "--yes", "--json", archive=taught, actor="Rae").data
    assert done["confirmed"] == len(guesses)
    photos = {p["sha256"]: p for p in cli("photos", GUESSED, "--json", archive=taught).data}
    assert all(facet in photos[sha]["stated"] for sha, facet in guesses)
    assert cli("undo", str(done["decision"]), archive=taught).status == 0
    photos = {p["sha256"]: p for p in cli("photos", GUESSED, "--json", archive=taught).data}
    assert not any(facet in photos[sha]["stated"] for sha, facet in guesses)


def test_nobody_states_guesses_unasked_and_json_alone_only_shows_them(taught):
    shown = cli("confirm", GUESSED, "--above", "0.6", "--json", archive=taught).data
    assert shown["states"]
    assert (shown["confirmed"], shown["decision"]) == (0, 0)
    refused = cli("confirm", GUESSED, "--above", "0.6", archive=taught)
    assert refused.status == 2
    assert "This would be stated in your name" in refused.out
    assert "add --yes" in refused.err
    photos = cli("photos", GUESSED, "--json", archive=taught).data
    waiting = {(one["sha256"], one["facet"]) for one in shown["states"]}
    assert not [p for p in photos for facet in p["stated"] if (p["sha256"], facet) in waiting]


class Terminal(io.StringIO):
    """A terminal on which somebody has typed an answer."""

    def isatty(self):
        return True


def test_on_a_terminal_it_asks_and_only_a_yes_states(taught, monkeypatch):
    monkeypatch.setattr(sys, "stdin", Terminal("n\n"))
    asked = cli("confirm", GUESSED, "--above", "0.6", archive=taught)
    assert asked.status == 0
    assert "in your name?" in asked.out
    assert "0 guesses confirmed" in asked.out
    monkeypatch.setattr(sys, "stdin", Terminal("y\n"))
    done = cli("confirm", GUESSED, "--above", "0.6", archive=taught)
    assert "undo it with `evidence undo`" in done.out
    assert cli("undo", archive=taught).status == 0


def test_tags_shows_guesses_with_their_reasons_and_what_is_stated_only_when_asked(taught):
    guessed = cli("tags", GUESSED, "--json", archive=taught).data
    assert guessed
    assert all(not one["stated"] and one["reason"] for one in guessed)
    every = cli("tags", GUESSED, "--all", "--json", archive=taught).data
    assert {one["facet"] for one in every if one["stated"]} >= {Facet.ROLE.value, Facet.FACE.value}


def test_a_report_says_in_words_what_could_not_be_checked():
    nothing = dict.fromkeys(("role", "face", "component"))
    report = LearnReport(
        photos=12,
        kept=False,
        why="Nothing could be held out.",
        before=nothing,
        after=nothing,
        calibration_error={},
        scenes=SceneCheck(photos=3, before=None, after=None, kept=False),
    )
    said = "\n".join(report_lines(report))
    assert "Nothing could be held out" in said
    assert "3 photos show theirs clearly, too few" in said
    assert "%" not in said
    assert "None" not in said


def drawn(kind, many, seed):
    vectors, kinds = draw(shipped_summary(), many, seed=seed)
    return [vector for vector, of in zip(vectors, kinds, strict=True) if of is kind]


def test_a_head_that_is_better_on_the_office_s_photos_and_forgets_a_shipped_kind_is_not_used():
    """An office that confirms rooms as elevations would teach the head that rooms are houses."""
    lessons = [
        (claim, vector, frozenset({SceneKind.HOUSE}))
        for claim in range(6)
        for vector in drawn(SceneKind.INTERIOR, 40, seed=50 + claim)
    ]
    head, check = learn_scenes(lessons, shipped_head())
    assert head is shipped_head()
    assert not check.kept
    assert check.after > check.before
    assert "interior" in check.forgotten
    report = LearnReport(
        photos=240, kept=False, why="", before={}, after={}, calibration_error={}, scenes=check
    )
    assert "right less often: " in "\n".join(report_lines(report))


def test_a_head_that_keeps_every_shipped_kind_is_used():
    lessons = [
        (claim, vector, frozenset({kind}))
        for claim in range(3)
        for kind in (SceneKind.HOUSE, SceneKind.ROOF)
        for vector in drawn(kind, 8, seed=70 + claim)
    ]
    head, check = learn_scenes(lessons, shipped_head())
    assert check.kept
    assert head is not shipped_head()
    assert set(check.shipped_after) == {kind.value for kind in SceneKind} - {"gauge"}
    assert check.forgotten == ()
