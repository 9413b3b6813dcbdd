"""What is printed from the archive: divider sheets and label cards."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from evidence.errors import BadInputError
from evidence.home import ArchiveHome
from evidence.model import ClaimState
from evidence.paper.sheets import divider_sheets, label_cards
from evidence.views import known_claim

PRINTED = frozenset({ClaimState.OPEN, ClaimState.RETURNED})


def print_sheets(home: ArchiveHome, out: Path, claims: Sequence[str]) -> int:
    """A divider sheet for each of these claims, or for every open one; returns the pages written."""
    wanted = {known_claim(home, one) for one in claims}
    rows = [
        r for r in home.catalog.claims.all() if (r.claim.claim in wanted if wanted else r.state in PRINTED)
    ]
    if not rows:
        raise BadInputError(
            "There is no open claim to print a sheet for.", "Load some: evidence assignments FILE.csv"
        )
    return divider_sheets([row.claim for row in rows], out)


def print_labels(home: ArchiveHome, out: Path) -> int:
    """The label cards of the archive's vocabulary; returns the pages written."""
    return label_cards(home.vocabulary.labels, out)
