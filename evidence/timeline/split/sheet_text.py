"""Which of the day's claims a sheet names, when only its printed or hand-written text was read.

OCR makes errors, and a list always has a best match even when the right claim is not on it. So a
match counts only if it is close and clearly ahead of the runner-up. Even then it is one piece of
evidence among others and never enough to file by.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import pairwise

from rapidfuzz import fuzz

from evidence.model import Claim, ClaimId

SIMILAR = 85.0
"""Lowest similarity, of 100. Measured: with this and the margin, misread boards gave no claim, not a wrong one."""
MARGIN = 8.0
"""Smallest lead over the runner-up, of 100."""
VISIBLE = 70.0
"""A field that no claim matches this well was not read from the sheet."""
FIELD_WEIGHTS = {"number": 2.0, "insured": 1.0, "address": 1.0}
"""The number is unique by design; a surname or a street can be shared."""
SHORTEST = 4
"""Fields with fewer letters and digits are ignored, since they match anything."""

_NOT_WORDS = re.compile(r"[^0-9a-z]+")


def match_sheet(lines: Sequence[str], claims: Sequence[Claim]) -> ClaimId | None:
    """The claim that the text names; None where no match is close and clear enough.

    Each claim's score is the weighted mean similarity of the fields that can be read off the
    sheet for at least one claim.
    """
    pieces = _pieces(lines)
    if not pieces or not claims:
        return None
    found = [
        {
            "number": _similarity(str(site.claim), pieces),
            "insured": _similarity(site.insured, pieces),
            "address": _similarity(site.address, pieces),
        }
        for site in claims
    ]
    fields = tuple(f for f in FIELD_WEIGHTS if max(row[f] for row in found) >= VISIBLE)
    if not fields:
        return None
    weight = sum(FIELD_WEIGHTS[f] for f in fields)
    scored = sorted(
        (-sum(FIELD_WEIGHTS[f] * row[f] for f in fields) / weight, str(site.claim))
        for row, site in zip(found, claims, strict=True)
    )
    best = -scored[0][0]
    margin = best + scored[1][0] if len(scored) > 1 else best
    return ClaimId(scored[0][1]) if best >= SIMILAR and margin >= MARGIN else None


def _plain(text: str) -> str:
    return _NOT_WORDS.sub(" ", text.lower()).strip()


def _pieces(lines: Sequence[str]) -> list[str]:
    """The lines, and each two neighbours joined: OCR breaks a line in two at a wide space."""
    plain = [p for p in map(_plain, lines) if p]
    return plain + [f"{a} {b}" for a, b in pairwise(plain)]


def _similarity(field: str, pieces: Sequence[str]) -> float:
    """Best similarity of a field with part of any piece; a much shorter piece is compared as a whole."""
    wanted = _plain(field)
    if len(wanted.replace(" ", "")) < SHORTEST:
        return 0.0
    return max(
        fuzz.partial_ratio(wanted, piece) if len(piece) >= 0.8 * len(wanted) else fuzz.ratio(wanted, piece)
        for piece in pieces
    )
