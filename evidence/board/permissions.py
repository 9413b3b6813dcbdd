"""Who may do what on the board: one small table."""

from __future__ import annotations

from enum import StrEnum

from evidence.model import Duty


class Permission(StrEnum):
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


_EVERYONE = frozenset({Permission.LOOK, Permission.ORIGINAL})

PERMISSIONS: dict[Duty, frozenset[Permission]] = {
    Duty.ADJUSTER: _EVERYONE | {Permission.TAG, Permission.PLACE},
    Duty.REVIEWER: frozenset(Permission),
    Duty.OFFICE: _EVERYONE | {Permission.REOPEN, Permission.UNDO_OTHERS, Permission.PLACE},
}
"""An adjuster never signs off their own photos; the office keeps order and judges no photo."""


def is_allowed(duty: Duty, permission: Permission) -> bool:
    """Whether people of that duty have the right."""
    return permission in PERMISSIONS[duty]
