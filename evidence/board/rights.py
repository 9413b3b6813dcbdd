"""Who may do what on the board: one small table."""

from __future__ import annotations

from enum import StrEnum

from evidence.model import Duty


class Right(StrEnum):
    """Something that not everyone may do."""

    LOOK = "look at claims and photos"
    ORIGINAL = "take out a copy of an original"
    TAG = "say what a photo shows"
    PLACE = "say which house photos belong to"
    UNDO_OTHERS = "take back somebody else's correction"
    WAIVE = "set a required shot aside"
    SIGN = "sign a claim off"
    SEND_BACK = "send a claim back"
    REOPEN = "take a sign-off back"


_EVERYONE = frozenset({Right.LOOK, Right.ORIGINAL})

MAY: dict[Duty, frozenset[Right]] = {
    Duty.ADJUSTER: _EVERYONE | {Right.TAG, Right.PLACE},
    Duty.REVIEWER: frozenset(Right),
    Duty.OFFICE: _EVERYONE | {Right.REOPEN, Right.UNDO_OTHERS, Right.PLACE},
}
"""An adjuster never signs off their own photos; the office keeps order and judges no photo."""


def may(duty: Duty, right: Right) -> bool:
    """Whether people of that duty have the right."""
    return right in MAY[duty]
