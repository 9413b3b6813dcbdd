"""Requires a second person: what one person asked for, another one has to confirm."""

from __future__ import annotations

from evidence.errors import BadInputError
from evidence.office.people import require_login
from evidence.retention.persons import same_person
from evidence.workspace import Workspace


def require_other_person(workspace: Workspace, first: str, *, what: str) -> None:
    """Raise BadInputError unless the actor is another person than `first`, who asked for `what`.

    Where people are registered, both count by their row in the list of people, and the actor must have logged in as
    one, else PurgeRefusedError. Otherwise names are compared by how they look.
    """
    require_login(workspace)
    actor = workspace.actor
    known = [user.name for user in workspace.catalog.users.all()]
    row = next((name for name in known if same_person(name, actor)), None)
    if known and row is None:
        raise BadInputError(
            f"{actor} is not registered and cannot confirm {what}.",
            "Give --actor with the name of a registered person; `evidence people list` shows them.",
        )
    if same_person(row or actor, first):
        raise BadInputError(
            f"{actor} asked for {what} and cannot confirm it.", "Ask another person to confirm it."
        )
