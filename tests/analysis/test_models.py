"""The models that an archive guesses with: learned ones that are sound, otherwise those that ship."""

from __future__ import annotations

import logging
from dataclasses import replace

import pytest
from support_board import put_claim, put_photos

from evidence.analysis.models import CURRENT, FORMAT, Models, models_of, plan_of, with_scene_head
from evidence.errors import BadInputError
from evidence.model import SceneKind
from evidence.sight.scene_head import shipped_head
from evidence.sight.weights import VECTOR_SIZE
from evidence.tags.learning.serialise import save_models


def test_an_archive_that_learned_nothing_guesses_with_the_models_that_ship(workspace):
    assert models_of(workspace).head is shipped_head()


def test_models_that_are_written_and_read_again_are_the_same(workspace):
    plan = plan_of(workspace)
    models = models_of(workspace)
    read = Models.read(models.text(), "learned.json", plan)
    assert save_models(read.tags) == save_models(models.tags)
    assert read.text() == models.text()


@pytest.mark.parametrize(
    "text",
    [
        pytest.param("", id="empty"),
        pytest.param("{", id="broken"),
        pytest.param("[]", id="a-list"),
        pytest.param('{"format": "learned 0", "tags": "", "scene_head": ""}', id="another-format"),
        pytest.param(f'{{"format": "{FORMAT}", "tags": "", "scene_head": "%"}}', id="not-base64"),
        pytest.param(f'{{"format": "{FORMAT}", "tags": 1, "scene_head": ""}}', id="a-number"),
    ],
)
def test_a_file_that_holds_no_models_is_refused_and_an_archive_goes_on_without_it(workspace, text, caplog):
    with pytest.raises(BadInputError):
        Models.read(text, "learned.json", plan_of(workspace))
    workspace.learnt.mkdir(exist_ok=True)
    (workspace.learnt / CURRENT).write_text(text, encoding="utf-8")
    with caplog.at_level(logging.WARNING):
        assert models_of(workspace).head is shipped_head()
    assert "learned_models_unusable" in caplog.text


def test_a_photo_without_a_vector_keeps_its_scene_kinds_under_another_head(workspace):
    put_claim(workspace, "AN-1")
    put_photos(workspace, "AN-1", 1, originals=False)
    (photo,) = workspace.catalog.photos.of_claim("AN-1")
    seen = replace(photo, look=replace(photo.look, scenes={SceneKind.ROOF: 1.0}))
    with_vector = replace(seen, look=replace(seen.look, embedding=b"\x00\x14" * VECTOR_SIZE))
    unchanged, judged = with_scene_head([seen, with_vector], replace(shipped_head()))
    assert unchanged is seen
    assert judged.look.scenes != seen.look.scenes
    assert sum(judged.look.scenes.values()) == pytest.approx(1.0, abs=1e-6)
    assert list(with_scene_head([with_vector], shipped_head())) == [with_vector]
