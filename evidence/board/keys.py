"""The keys of the board: one table, which the pages, their scripts, the `?` dialog and docs/reviewer.md use."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from evidence.model import Facet

FACET_KEYS: Mapping[Facet, Mapping[str, str]] = {
    Facet.FACE: {"front": "f", "right": "r", "back": "b", "left": "l", "none": "n"},
    Facet.ROLE: {
        "overview": "o",
        "elevation": "e",
        "slope": "s",
        "test_square": "t",
        "close_up": "c",
        "no_damage_proof": "p",
        "measurement": "m",
        "other": "x",
    },
    Facet.CONDITION: {"damage": "d", "no_damage": "u"},
}
"""One key for each word; the digits are for the components that the claim's list asks for."""


class Where(StrEnum):
    """Where keys work; the value is their heading."""

    ANYWHERE = "On every page"
    CLAIMS = "List of claims"
    CLAIM = "A claim"
    PHOTOS = "Photos"
    TAGS = "Tags of the selected photos, or of the one in focus"
    PHOTO = "One photo, and photos side by side"
    USED_BEFORE = "Used before"
    QUESTIONS = "Review by question"


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """One line of the table."""

    where: Where
    shown: str
    """The key as people read it; several are separated by spaces."""
    words: str
    """What it does."""
    does: str = ""
    """The name that pages and scripts give the action; empty where the browser or the tag panel does it."""
    keys: tuple[str, ...] = ()
    """Values of `KeyboardEvent.key` (W3C UI Events), any of which starts the action."""


def _key(where: Where, shown: str, words: str, does: str, *keys: str) -> Key:
    return Key(where=where, shown=shown, words=words, does=does, keys=keys or ((shown,) if does else ()))


KEYS: tuple[Key, ...] = (
    _key(Where.ANYWHERE, "?", "show these keys", "keys"),
    _key(Where.ANYWHERE, "L", "list of claims", "list"),
    _key(
        Where.ANYWHERE,
        "Esc",
        "back: from a photo to the photos, from the photos to the proof",
        "up",
        "Escape",
    ),
    _key(Where.CLAIMS, "↑ ↓", "claim above, claim below", "move", "ArrowUp", "ArrowDown"),
    _key(Where.CLAIMS, "Enter", "open the claim", ""),
    _key(Where.CLAIMS, "/", "find a claim", "find"),
    _key(Where.CLAIM, "Q", "review by question", "questions"),
    _key(Where.CLAIM, "P", "proof", "proof"),
    _key(Where.CLAIM, "G", "photos", "photos"),
    _key(Where.CLAIM, "D", "day", "day"),
    _key(Where.CLAIM, "U", "duplicates", "duplicates"),
    _key(
        Where.CLAIM, "R", "photos that may have been used for another claim, if there are any", "used-before"
    ),
    _key(Where.CLAIM, "M", "still to shoot", "missing"),
    _key(Where.CLAIM, "E", "the house at a glance", "house"),
    _key(Where.CLAIM, "H", "history", "history"),
    _key(Where.CLAIM, "J", "next claim of the list", "next-claim"),
    _key(Where.CLAIM, "B", "claim before it", "previous-claim"),
    _key(Where.CLAIM, "arrows", "in the proof table: shot beside, above or below", ""),
    _key(Where.CLAIM, "W", "set the shot in focus aside: type the reason, press Enter", "waive"),
    _key(Where.CLAIM, "O", "sign off, or what stands in the way", "sign"),
    _key(Where.CLAIM, "X", "send back", "send-back"),
    _key(Where.PHOTOS, "arrows, Home, End", "go from photo to photo", ""),
    _key(Where.PHOTOS, "Space", "select; Shift and arrows select a range", ""),
    _key(Where.PHOTOS, "a", "select all, or none", "select-all"),
    _key(Where.PHOTOS, "Enter", "open the photo", ""),
    _key(Where.PHOTOS, "j", "two to four selected photos side by side", "side-by-side"),
    _key(Where.TAGS, "f r b l n", "front, right, back, left, no side", ""),
    _key(
        Where.TAGS,
        "o e s t c p m x",
        "overview, elevation, slope, test square, close-up, no-damage proof, measurement, other",
        "",
    ),
    _key(Where.TAGS, "d u", "damage, no damage", ""),
    _key(Where.TAGS, "1 to 9, w", "component: one of the nine on the panel, or any other", ""),
    _key(Where.TAGS, "h", "number of hits: type it and press Enter", ""),
    _key(Where.TAGS, "y", "confirm the guesses", ""),
    _key(Where.TAGS, "q", "remove stated tags", ""),
    _key(Where.TAGS, "z", "undo", ""),
    _key(Where.PHOTO, "← →", "photo before, photo after", "step", "ArrowLeft", "ArrowRight"),
    _key(Where.PHOTO, "+ -", "zoom in, zoom out", "zoom", "+", "=", "-"),
    _key(Where.PHOTO, "0", "whole photo, as it was", "whole"),
    _key(Where.PHOTO, "v", "1:1, one pixel of the original for one of the screen", "one-to-one"),
    _key(Where.PHOTO, "V", "2:1", "two-to-one"),
    _key(Where.PHOTO, "Shift and arrows", "move the photo, or the loupe", "pan"),
    _key(Where.PHOTO, "[ ]", "turn left, turn right", "turn", "[", "]"),
    _key(Where.PHOTO, "g", "loupe: 2:1 where the pointer is, or in the middle", "loupe"),
    _key(Where.PHOTO, "i I", "brighter, darker (this view only)", "brightness", "i", "I"),
    _key(Where.PHOTO, "k K", "more contrast, less contrast (this view only)", "contrast", "k", "K"),
    _key(Where.PHOTO, "F", "full screen; again, or Esc, to leave it", "full-screen"),
    _key(Where.USED_BEFORE, "S", "same house, fine", "fine"),
    _key(Where.USED_BEFORE, "T", "look into it", "look-into"),
    _key(Where.USED_BEFORE, "z", "undo my last answer", "undo-answer"),
    _key(Where.QUESTIONS, "y", "yes: state what is chosen on the page", ""),
    _key(
        Where.QUESTIONS,
        "1 to 9",
        "choose another house, component, photo or reason; the keys of tags choose theirs",
        "",
    ),
    _key(
        Where.QUESTIONS, "S T", "a photo that may have been used before: same house, fine; look into it", ""
    ),
    _key(Where.QUESTIONS, ".", "put the question off", ""),
    _key(Where.QUESTIONS, "z", "undo the last answer", ""),
    _key(
        Where.QUESTIONS,
        "W",
        "not needed at this house; then the number of a reason, or w for another one",
        "",
    ),
)


def grouped() -> list[tuple[Where, list[Key]]]:
    """The table by where the keys work, in its order."""
    return [(where, [key for key in KEYS if key.where is where]) for where in Where]


def markdown() -> str:
    """The table for docs/reviewer.md, which repeats it word for word."""
    lines = ["| where | key | does |", "| --- | --- | --- |"]
    for where, keys in grouped():
        for place, key in enumerate(keys):
            lines.append(f"| {'' if place else where.value} | {key.shown} | {key.words} |")
    return "\n".join(lines) + "\n"
