"""Whether two names can be one person's. Names that look alike count as one.

A person who logged in is compared by their registered row (`office.people`). Names that nobody logged in under are
compared here: a second spelling must not pass as a second person.
"""

from __future__ import annotations

import unicodedata
from functools import cache

from evidence.errors import PurgeRefusedError

_IGNORABLE = (
    (0x00AD, 0x00AD),
    (0x034F, 0x034F),
    (0x061C, 0x061C),
    (0x115F, 0x1160),
    (0x17B4, 0x17B5),
    (0x180B, 0x180F),
    (0x200B, 0x200F),
    (0x202A, 0x202E),
    (0x2060, 0x206F),
    (0x3164, 0x3164),
    (0xFE00, 0xFE0F),
    (0xFEFF, 0xFEFF),
    (0xFFA0, 0xFFA0),
    (0xFFF0, 0xFFF8),
    (0x1BCA0, 0x1BCA3),
    (0x1D173, 0x1D17A),
    (0xE0000, 0xE0FFF),
)
"""Default_Ignorable_Code_Point of Unicode's DerivedCoreProperties.txt (from memory): characters that are not drawn."""


def person_name(by: str) -> str:
    """The name with spaces tidied. Raises PurgeRefusedError for an empty or unprintable one, or one that hides letters."""
    person = " ".join(by.split())
    if not person:
        raise PurgeRefusedError("A purge needs the name of the person who does it.", "Give --actor NAME.")
    if not person.isprintable():
        raise PurgeRefusedError(
            f"The name {person!r} has characters that cannot be printed.", "Give --actor NAME."
        )
    if any(_is_ignorable(char) for char in person):
        raise PurgeRefusedError(
            "The name has characters that are not drawn, so that it looks like another name.",
            "Type the name again with --actor NAME.",
        )
    if _is_mixed(person):
        raise PurgeRefusedError(
            f"The name {person} mixes letters of different scripts that look alike.",
            "Type the name again in one script, with --actor NAME.",
        )
    return person


def same_person(one: str, other: str) -> bool:
    """True when two names look the same: case, spaces, the form of letters and look-alike letters do not matter."""
    first, second = folded(one), folded(other)
    if first == second:
        return True
    mine, theirs = _drawn(one), _drawn(other)
    return len(mine) == len(theirs) and all(
        a == b or _look_alike(a, b) for a, b in zip(mine, theirs, strict=True)
    )


def folded(name: str) -> str:
    """The name's form for comparing: NFKC, no characters that are not drawn, no case, single spaces."""
    if name.isascii() and name.isprintable():
        return " ".join(name.casefold().split())
    drawn = "".join(char for char in name if not _is_ignorable(char))
    return " ".join(unicodedata.normalize("NFKC", drawn).casefold().split())


def _drawn(name: str) -> str:
    """Without case folding, because capital letters of two scripts may look alike where small ones do not."""
    drawn = "".join(char for char in unicodedata.normalize("NFKC", name) if not _is_ignorable(char))
    return " ".join(drawn.split())


def _is_ignorable(char: str) -> bool:
    return any(first <= ord(char) <= last for first, last in _IGNORABLE)


def _look_alike(one: str, other: str) -> bool:
    """True for letters of the same or of two scripts that look alike, whatever their case (Unicode UTS 39)."""
    cases = {one, one.lower(), one.upper()}
    alike = {look for char in cases for look in _looks(char)}
    return bool({case.casefold() for case in alike | cases} & {other.casefold()})


@cache
def _looks(char: str) -> frozenset[str]:
    from confusable_homoglyphs.confusables import confusables_data  # noqa: PLC0415 - slow to import

    return frozenset(one["c"] for one in confusables_data.get(char, ()))


def _is_mixed(name: str) -> bool:
    from confusable_homoglyphs.confusables import is_dangerous  # noqa: PLC0415 - slow to import

    return any(is_dangerous(word) for word in name.split())
