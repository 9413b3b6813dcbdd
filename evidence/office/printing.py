"""Print divider sheets and label cards from the archive."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from pathlib import Path

from evidence.errors import BadInputError
from evidence.lookup import known_claim
from evidence.model import CHANGEABLE
from evidence.paper.output import require_free
from evidence.paper.sheets import divider_sheets, label_cards
from evidence.tags.vocabulary import LabelCard
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


def print_labels(
    workspace: Workspace, out: Path, *, only: Sequence[str] = (), every: bool = False, replace: bool = False
) -> int:
    """Write label cards: those named in `only`, every one, or the vocabulary's pocket set; returns the number of pages.

    Raises BadInputError for a card that the vocabulary does not have, or when there is a file of that name, unless
    `replace`.
    """
    if not replace:
        require_free(out)
    labels = workspace.vocabulary.labels
    pocket = workspace.vocabulary.cards.pocket
    if only:
        labels = tuple(_named_label(labels, one) for one in only)
    elif pocket and not every:
        labels = tuple(label for number in pocket for label in labels if label.number == number)
    return label_cards(labels, out, replace=replace)


def _named_label(labels: Sequence[LabelCard], name: str) -> LabelCard:
    """The card with these words or this number. Raises BadInputError with the most similar words."""
    wanted = " ".join(name.split()).casefold()
    for label in labels:
        if wanted in {label.words.casefold(), str(label.number)}:
            return label
    words = [label.words.casefold() for label in labels]
    near = difflib.get_close_matches(wanted, words, n=1)
    raise BadInputError(
        f"There is no label card '{name}'.",
        f"Did you mean '{near[0]}'?"
        if near
        else "`evidence labels OUT.pdf --all` prints every card with its words.",
    )
