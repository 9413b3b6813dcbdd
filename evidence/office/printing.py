"""Print divider sheets and label cards from the archive."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from evidence.errors import BadInputError
from evidence.lookup import known_claim
from evidence.model import CHANGEABLE
from evidence.paper.output import require_free
from evidence.paper.sheets import divider_sheets, label_cards
from evidence.workspace import Workspace


def print_sheets(workspace: Workspace, out: Path, claims: Sequence[str], *, replace: bool = False) -> int:
    """Write a divider sheet for each of these claims, or for every open claim; returns the number of pages.

    Raises BadInputError when there is a file of that name, unless `replace`.
    """
    if not replace:
        require_free(out)
    wanted = {known_claim(workspace, one) for one in claims}
    rows = [
        r
        for r in workspace.catalog.claims.all()
        if (r.claim.claim in wanted if wanted else r.state in CHANGEABLE)
    ]
    if not rows:
        raise BadInputError(
            "There is no open claim to print a sheet for.", "Load claims first: evidence assignments FILE"
        )
    return divider_sheets([row.claim for row in rows], out, replace=replace)


def print_labels(workspace: Workspace, out: Path, *, replace: bool = False) -> int:
    """Write the label cards of the archive's vocabulary; returns the number of pages."""
    if not replace:
        require_free(out)
    return label_cards(workspace.vocabulary.labels, out, replace=replace)
