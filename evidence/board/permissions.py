"""Who may do what on the board: one small table."""

from __future__ import annotations

from enum import StrEnum

from evidence.model import Duty


class Permission(StrEnum):
    """Something that needs a permission; the value completes 'may not ...'."""

    LOOK = "look at claims and photos"
    ORIGINAL = "download an original"
    TAG = "tag photos"
    PLACE = "move photos to another house or change boundaries"
    UNDO_OTHERS = "undo another person's correction"
    WAIVE = "set a required shot aside"
    SIGN = "sign off a claim"
    SEND_BACK = "send back a claim"
    REOPEN = "undo a sign-off"
    DESK = "work at the office's desk"


_EVERYONE = frozenset({Permission.LOOK, Permission.ORIGINAL})

PERMISSIONS: dict[Duty, frozenset[Permission]] = {
    Duty.ADJUSTER: _EVERYONE | {Permission.TAG, Permission.PLACE},
    Duty.REVIEWER: frozenset(Permission) - {Permission.DESK},
    Duty.OFFICE: _EVERYONE | {Permission.REOPEN, Permission.UNDO_OTHERS, Permission.PLACE, Permission.DESK},
}
"""An adjuster never signs off their own photos; the office corrects the filing and does not tag photos."""


def is_allowed(duty: Duty, permission: Permission) -> bool:
    """Whether people of that duty have the permission."""
    return permission in PERMISSIONS[duty]
