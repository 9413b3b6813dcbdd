"""Which of the day's claims a sheet names, when only its printed or hand-written text was read.

OCR makes errors, and a list always has a best match even when the right claim is not on it. So a
match counts only if it is close and clearly ahead of the runner-up. A garbled text, of which no field is close,
counts if number, name and address together are far ahead of those of every other claim. Even then it is one
piece of evidence among others and never enough to file by.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from itertools import pairwise

from rapidfuzz import fuzz

from evidence.model import Claim, ClaimId

SIMILAR = 85.0
"""Lowest similarity, of 100. Measured: with this and the margin, misread boards gave no claim, not a wrong one."""
MARGIN = 8.0
"""Smallest lead over the runner-up, of 100."""
GARBLED, GARBLED_MARGIN = 60.0, 15.0
"""The same for the mean of all fields of a garbled text. Measured on made-up sheets with two in five letters wrong:
756 of 1,000 named and none wrongly; 24 of 1,000 sheets of claims that are on no list were named, 19 without this."""
CHANCE = 45.0
"""Similarity that two unrelated texts usually have; stands for the runner-up of a claim that is alone on the list."""
VISIBLE = 70.0
"""A field that no claim matches this well was not read from the sheet."""
FIELD_WEIGHTS = {"number": 2.0, "insured": 1.0, "address": 1.0}
"""The number is unique by design; a surname or a street can be shared."""
SHORTEST = 4
"""Fields with fewer letters and digits are ignored, since they match anything."""

ANOTHER = 55.0
"""Highest similarity of the best field of a claim that a text with a number does not mean. Measured on made-up sheets:
95 of 100 numbers of claims on no list are below it, and 1 of 100 sheets with two in five letters wrong."""

PLAIN = 80.0
"""The same where the word before the number is plainly read, so that the number is too."""

_HEADING = "claim"
"""The word before the number on a sheet, printed or written by hand."""
_NUMBER = re.compile(r"\d{4}")
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
    return _close_match(found, claims) or _garbled_match(found, claims)


def names_another(lines: Sequence[str], claim: Claim) -> bool:
    """Whether the text has a number, as a claim's sheet has, and nothing in it is similar to this claim."""
    pieces = _pieces(lines)
    if not any(map(_NUMBER.search, pieces)):
        return False
    fields = (str(claim.claim), claim.insured, claim.address)
    plain = any(piece.split()[:1] == [_HEADING] for piece in pieces)
    return max(_similarity(field, pieces) for field in fields) < (PLAIN if plain else ANOTHER)


def similarity_to(lines: Sequence[str], claim: Claim) -> float:
    """How similar the text is to a claim's number, name and address together, 0 to 1."""
    pieces = _pieces(lines)
    fields = {"number": str(claim.claim), "insured": claim.insured, "address": claim.address}
    weights = {name: FIELD_WEIGHTS[name] for name, field in fields.items() if field}
    if not pieces or not weights:
        return 0.0
    total = sum(weight * _similarity(fields[name], pieces) for name, weight in weights.items())
    return total / sum(weights.values()) / 100.0


def is_sheet_of_another(lines: Sequence[str], claims: Sequence[Claim]) -> bool:
    """Whether the text reads like a sheet, with the word and a number, and is similar to none of the claims."""
    pieces = _pieces(lines)
    headed = any(
        fuzz.partial_ratio(_HEADING, piece) >= SIMILAR for piece in pieces if len(piece) >= len(_HEADING)
    )
    return headed and bool(claims) and all(names_another(lines, claim) for claim in claims)


def _close_match(found: Sequence[Mapping[str, float]], claims: Sequence[Claim]) -> ClaimId | None:
    """The claim whose visible fields are nearly right."""
    fields = tuple(f for f in FIELD_WEIGHTS if max(row[f] for row in found) >= VISIBLE)
    if not fields:
        return None
    weight = sum(FIELD_WEIGHTS[f] for f in fields)
    scores = [sum(FIELD_WEIGHTS[f] * row[f] for f in fields) / weight for row in found]
    return _best(scores, claims, least=SIMILAR, margin=MARGIN, alone=0.0)


def _garbled_match(found: Sequence[Mapping[str, float]], claims: Sequence[Claim]) -> ClaimId | None:
    """The claim whose fields, all together, are far more similar than those of any other."""
    scores = [sum(row.values()) / len(row) for row in found]
    return _best(scores, claims, least=GARBLED, margin=GARBLED_MARGIN, alone=CHANCE)


def _best(
    scores: Sequence[float], claims: Sequence[Claim], *, least: float, margin: float, alone: float
) -> ClaimId | None:
    """The claim with the highest score if it is high enough and `margin` ahead; `alone` stands for a missing rival."""
    ranked = sorted((-score, str(site.claim)) for score, site in zip(scores, claims, strict=True))
    best = -ranked[0][0]
    rival = -ranked[1][0] if len(ranked) > 1 else alone
    return ClaimId(ranked[0][1]) if best >= least and best - rival >= margin else None


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
