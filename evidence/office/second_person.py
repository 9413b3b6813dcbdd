"""Whether two people are two: what one asked for, another has to confirm."""

from __future__ import annotations

import unicodedata

from evidence.errors import BadInputError
from evidence.workspace import Workspace


def require_other_person(workspace: Workspace, first: str, *, what: str) -> None:
    """Raise BadInputError unless the actor is another person than `first`, who asked for `what`.

    Where people are registered, both count by their row in the list of people, and the actor must have one.
    Otherwise names are compared, without case and spaces.
    """
    actor = workspace.actor
    known = {_folded(user.name): user.name for user in workspace.catalog.users.all()}
    if known and _folded(actor) not in known:
        raise BadInputError(
            f"{actor} is not registered and cannot confirm {what}.",
            "Give --actor with the name of a registered person; `evidence people list` shows them.",
        )
    if known.get(_folded(actor), _folded(actor)) == known.get(_folded(first), _folded(first)):
        raise BadInputError(
            f"{actor} asked for {what} and cannot confirm it.", "Ask another person to confirm it."
        )


def _folded(name: str) -> str:
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())
