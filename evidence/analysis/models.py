"""The models that an archive guesses with: those that ship, or those that it learned."""

from __future__ import annotations

import base64
import binascii
import json
import logging
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from evidence.errors import BadInputError
from evidence.model import PhotoRecord
from evidence.sight.scene_head import SceneHead, load_head, save_head, shipped_head, unpack_vector
from evidence.tags.learning.serialise import load_models, save_models
from evidence.tags.models import TagModels
from evidence.tags.walk.plan import WalkPlan, load_plan
from evidence.workspace import Workspace

CURRENT = "learned.json"
FORMAT = "learned 1"
_WRONG_FILE = "Name a file that `evidence learn --export` wrote."

log = logging.getLogger(__name__)


@dataclass(frozen=True, kw_only=True, eq=False)
class Models:
    """The tag models and the scene head that belong to them."""

    tags: TagModels
    head: SceneHead

    def text(self) -> str:
        """Both as the text of one file, numbers only."""
        packed = base64.b64encode(save_head(self.head)).decode("ascii")
        return json.dumps({"format": FORMAT, "tags": save_models(self.tags), "scene_head": packed}) + "\n"

    @classmethod
    def read(cls, text: str, origin: str, plan: WalkPlan) -> Models:
        """The models that `text` wrote; raises BadInputError for anything else and for models of another walk plan."""
        try:
            raw = json.loads(text)
            tags, packed = raw["tags"], raw["scene_head"]
            sound = raw["format"] == FORMAT and isinstance(tags, str) and isinstance(packed, str)
            head = base64.b64decode(packed, validate=True) if sound else b""
        except (json.JSONDecodeError, KeyError, TypeError, RecursionError, binascii.Error):
            sound, tags, head = False, "", b""
        if not sound:
            raise BadInputError(f"{origin} does not hold learned models.", _WRONG_FILE)
        return cls(tags=load_models(tags, origin, plan), head=load_head(head))


def plan_of(workspace: Workspace) -> WalkPlan:
    """The archive's walk plan."""
    return load_plan(workspace.text("walk.toml"), workspace.origin("walk.toml"), workspace.vocabulary)


def models_of(workspace: Workspace) -> Models:
    """The learned models, or those that ship. A learned file that cannot be used is ignored with a warning.

    Tagging continues without it: bad models must not stop an intake.
    """
    plan = plan_of(workspace)
    current = workspace.learnt / CURRENT
    if current.is_file():
        try:
            return Models.read(current.read_text(encoding="utf-8"), str(current), plan)
        except (BadInputError, OSError, UnicodeDecodeError) as trouble:
            log.warning("learned_models_unusable path=%s why=%s", current, trouble)
    return Models(tags=TagModels(plan=plan), head=shipped_head())


def learned_text(workspace: Workspace) -> bytes | None:
    """The content of the file of learned models; None when there is none that can be read."""
    try:
        return (workspace.learnt / CURRENT).read_bytes()
    except OSError:
        return None


def with_scene_head(photos: Iterable[PhotoRecord], head: SceneHead) -> Iterator[PhotoRecord]:
    """The photos with the scene kinds that `head` gives their vectors; unchanged when it is the shipped head."""
    shipped = shipped_head()
    for photo in photos:
        look = photo.look
        if head is shipped or not look.scenes or not look.embedding:
            yield photo
            continue
        yield replace(photo, look=replace(look, scenes=head.scenes(unpack_vector(look.embedding))))
