"""What the commands print about cards: the verdict, its reasons, and where the copies are."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import TYPE_CHECKING

from evidence.cli.common import wrapped
from evidence.errors import counted

if TYPE_CHECKING:
    from evidence.archive.copies import CardVerdict, PlaceOfCard
    from evidence.filing.card_safety import CardNow, CardsReport
    from evidence.intake.pipeline import ClaimUsedBefore

WIDTH = 80
"""Longest line, in columns, as long as no word is longer."""
MOST_OTHERS = 5
"""Other claims that are named for each claim of a card; the others are counted."""
MOST_CARDS = 20
"""Cards listed at the end of a backup or a check; the others are counted."""


def moment(when: datetime) -> str:
    """A time to the minute in this computer's time zone."""
    return f"{when.astimezone():%Y-%m-%d %H:%M}"


def intake_verdict(
    card: CardVerdict, number: int, seen_at: datetime, *, grows: bool = False
) -> Iterable[str]:
    """The last lines of an intake: may this card be erased, and where its files are.

    `grows` is true for a folder that may still be filled: it is called safe for the files seen only.
    """
    if card.safe_to_erase and grows:
        yield from _wrapped(
            f"The folder is SAFE TO ERASE for the {counted(number, 'file')} seen {moment(seen_at)}. "
            f"Files that come later are taken in when they come; wait for the next verdict then."
        )
        yield from _indented(card.reasons[1:])
    elif card.safe_to_erase:
        yield "The card is SAFE TO ERASE: every file was read back and matched where it is kept."
        yield from _indented(card.reasons[1:])
    else:
        if card.safe_as_seen:
            yield f"{_safe_as_seen(card, number, seen_at)}."
        yield "Do NOT erase the card yet:"
        yield from _indented(card.reasons)
    yield from places(card)


def used_before(found: Iterable[ClaimUsedBefore]) -> Iterable[str]:
    """Which photos of a card may have served another claim, and how to see them."""
    for one in found:
        many = counted(len(one.photos), "photo", "photos")
        first = ", ".join(one.others[:MOST_OTHERS])
        more = f" and {len(one.others) - MOST_OTHERS} more" if len(one.others) > MOST_OTHERS else ""
        yield from _wrapped(
            f"Claim {one.claim}: {many} the same as, or nearly the same as, photos of claim {first}{more}. To compare: "
            f"evidence alike {one.claim}"
        )


def places(card: CardVerdict) -> Iterable[str]:
    """One line for each place: how many files it holds, when they were read back, whether it counts now."""
    for place in card.places:
        yield from _indented([_place(place)])


def _place(place: PlaceOfCard) -> str:
    parts = [f"{place.name}: {place.files} of {counted(place.of, 'file')}"]
    if place.read_back:
        parts[0] += f", read back {moment(place.read_back)}"
    if place.bad:
        parts.append(f"{counted(place.bad, 'file')} found bad")
    if not place.named:
        parts.append("no longer in the settings, does not count")
    elif not place.reachable:
        aged = place.files - place.counted
        parts.append(
            "not connected now" + (f", {counted(aged, 'file')} read back too long ago" if aged else "")
        )
    return "; ".join(parts)


def card_summary(report: CardsReport) -> Iterable[str]:
    """The end of a backup or a check: the cards that a person must know about, and a count of the others."""
    reported = sorted(
        (card for card in report.cards if card.must_be_reported),
        key=lambda one: (not one.no_longer_safe, one.seen_at),
    )
    for card in reported[:MOST_CARDS]:
        yield from card_lines(card)
    left = reported[MOST_CARDS:]
    if left:
        unsafe = sum(not card.verdict.safe_to_erase for card in left)
        yield from _wrapped(
            f"{counted(len(left), 'more card')}, {unsafe} of them not safe: `evidence cards` lists every card."
        )
    rest = len(report.cards) - len(reported)
    if rest:
        words = _cards(rest, "other" if reported else "")
        yield from _wrapped(f"{words} still safe to erase; `evidence cards` lists every card.")
    if report.others:
        words = counted(report.others, "older card was", "older cards were")
        yield from _wrapped(
            f"{words} called safe before and not checked again; `evidence cards` checks every card."
        )


def _cards(number: int, which: str) -> str:
    return counted(number, f"{which} card is".lstrip(), f"{which} cards are".lstrip())


def card_lines(card: CardNow) -> Iterable[str]:
    """One card: its verdict, the reasons, the places."""
    verdict = card.verdict
    yield from _wrapped(f"{_name(card)}: {headline(card)}.")
    any_kept = any(place.of for place in verdict.places)
    yield from _indented(verdict.reasons[1:] if verdict.safe_to_erase and any_kept else verdict.reasons)
    if any_kept:
        yield from places(verdict)


def headline(card: CardNow) -> str:
    """The verdict now, in a few words."""
    verdict = card.verdict
    if card.superseded_by:
        return f"taken in again later ({card.superseded_by})"
    if verdict.safe_to_erase:
        seen = "" if card.connected else f" for the {counted(card.files, 'file')} seen"
        return f"SAFE TO ERASE{seen}"
    if card.no_longer_safe and card.safe_told_at:
        start = f"NO LONGER SAFE, although it was called safe {moment(card.safe_told_at)}. "
    else:
        start = ""
    if verdict.safe_as_seen:
        return f"{start}{_safe_as_seen(verdict, card.files, card.seen_at)}. Do NOT erase it yet"
    return f"{start}Do NOT erase it{'' if start else ' yet'}"


def _safe_as_seen(verdict: CardVerdict, number: int, seen_at: datetime) -> str:
    return f"SAFE for the {counted(number, 'file')} seen {moment(seen_at)}; {verdict.came_since} came since"


def _name(card: CardNow) -> str:
    return f"Card {card.label}, {moment(card.seen_at)}, {counted(card.files, 'file')}"


def _wrapped(text: str, indent: str = "") -> Iterable[str]:
    return wrapped(text, WIDTH, indent=indent)


def _indented(texts: Iterable[str]) -> Iterable[str]:
    for text in texts:
        yield from _wrapped(text, "  ")
