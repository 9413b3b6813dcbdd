"""What the claims that a day's list leaves over say about houses without a readable sheet.

An adjuster mostly visits every claim of the day's list. A claim of which no sheet was read is then either a house
whose sheet was not photographed or not read, or a claim of another day. All numbers are common practice without a
source.
"""

from __future__ import annotations

from math import floor, log

DAY_LIST = 0.7
"""Share of lists that hold one day's claims; the others hold those of several days."""
SKIPPED = 0.1
"""Share of the claims of a day's list that are not visited that day; each further one is as rare again."""
OTHER_DAYS = 8
"""Claims of other days, at most, on a list of several days; each number is as likely."""
UNLISTED = 0.1
"""Houses of the day, beside those of the list, that are on no list, for each house of the list without a sheet."""
MOST, LEAST = 2.5, -1.5
"""Limits (nats) of what the list may add to, or take from, an unnamed house."""


def log_odds_of_unread(left: int, found: float, share: float) -> float:
    """Nats to add to one more unnamed house if the list leaves `left` claims over and `found` houses are unnamed.

    `share` is the probability of an unnamed house, after a boundary without a sheet, that is assumed without a list.
    """
    waiting = max(0.0, left - found)
    whole = floor(waiting)
    low, high = _odds(whole), _odds(whole + 1)
    odds = low + (waiting - whole) * (high - low)
    return min(MOST, max(LEAST, log(odds / share)))


def _odds(waiting: int) -> float:
    """Odds that one more of the waiting claims was visited rather than none of them."""
    if waiting == 0:
        return UNLISTED
    return UNLISTED + _unvisited(waiting - 1) / _unvisited(waiting)


def _unvisited(count: int) -> float:
    """Prior probability that so many claims of the list were not visited that day."""
    mixed = (1 - DAY_LIST) / OTHER_DAYS if count < OTHER_DAYS else (1 - DAY_LIST) / OTHER_DAYS**2
    return DAY_LIST * (1 - SKIPPED) * SKIPPED**count + mixed
