"""Which claims a hold covers, and on which days: comparisons of values only.

In doubt a claim is held: what is not known of a claim does not take it out of a hold.
"""

from __future__ import annotations

import re
import unicodedata
from datetime import date

from evidence.model import Claim, HoldKind, HoldScope

KIND_WORDS = {
    HoldKind.FRAUD_INQUIRY: "fraud inquiry",
    HoldKind.MINOR: "a minor's interest",
    HoldKind.OWN: "the office's own",
}


def kind_words(kind: HoldKind) -> str:
    """The kind for people: `fraud inquiry`."""
    return KIND_WORDS.get(kind, kind.value)


def covers(scope: HoldScope, claim: Claim) -> bool:
    """True when every condition of the scope fits the claim, or the claim lacks what would tell.

    An insured fits when each word of the scope's name is in the claim's; an area fits when one of its names is in the
    address or is the jurisdiction.
    """
    if scope.claim is not None:
        return scope.claim == claim.claim
    return (
        _same(scope.peril, claim.peril)
        and _named(scope.insured, claim.insured)
        and _within(claim.loss_date, scope.first_loss, scope.last_loss)
        and (not scope.area or _in_area(scope.area, claim))
    )


def in_force(until: date | None, *, lifted: bool, today: date) -> bool:
    """True through the hold's last day, unless it was lifted."""
    return not lifted and (until is None or today <= until)


def scope_words(scope: HoldScope) -> str:
    """The scope for people: `claim HL-1`, `hail, loss 2026-05-01 to 2026-05-03, in Boulder or 80301`."""
    parts = [
        f"claim {scope.claim}" if scope.claim else "",
        f"insured {scope.insured}" if scope.insured else "",
        scope.peril,
        _range_words(scope.first_loss, scope.last_loss),
        f"in {' or '.join(scope.area)}" if scope.area else "",
    ]
    return ", ".join(filter(None, parts))


def _range_words(first: date | None, last: date | None) -> str:
    match first, last:
        case None, None:
            return ""
        case None, _:
            return f"loss until {last}"
        case _, None:
            return f"loss from {first}"
        case _:
            return f"loss on {first}" if first == last else f"loss {first} to {last}"


def _same(wanted: str, known: str) -> bool:
    return not wanted.strip() or not known.strip() or _folded(wanted) == _folded(known)


def _named(wanted: str, known: str) -> bool:
    return not wanted.strip() or not known.strip() or _words(wanted) <= _words(known)


def _within(day: date | None, first: date | None, last: date | None) -> bool:
    return day is None or ((first is None or first <= day) and (last is None or day <= last))


def _in_area(area: tuple[str, ...], claim: Claim) -> bool:
    if not claim.address.strip() or not claim.jurisdiction.strip():
        return True
    address, place = _words(claim.address), _folded(claim.jurisdiction)
    return any(_words(name) <= address or _folded(name) == place for name in area)


def _folded(text: str) -> str:
    return " ".join(unicodedata.normalize("NFKC", text).casefold().split())


def _words(text: str) -> set[str]:
    return set(re.findall(r"\w+", _folded(text)))
