"""Words for a decision: a sentence without its subject, for the lists of decisions and corrections."""

from __future__ import annotations

from evidence.board.view_models import value_words
from evidence.catalog.decisions import (
    AnswerLikeness,
    Caption,
    Cut,
    Decision,
    Event,
    Join,
    LeaveOut,
    Move,
    Name,
    SendBack,
    Shift,
    Sign,
    Tag,
    TakeBack,
    Waive,
)
from evidence.errors import counted
from evidence.review.likeness import ANSWER_WORDS
from evidence.tags.vocabulary import Vocabulary

MAX_FACETS = 4
"""Most facets listed of one tag decision; the others are counted."""


def decision_words(vocabulary: Vocabulary, decision: Decision) -> str:
    """What the person did."""
    match decision:
        case Tag():
            return _tag_words(vocabulary, decision)
        case Move(photos=photos, claim=claim):
            return f"moved {_photos(len(photos))} to {claim or 'unassigned'}"
        case Name(photos=photos, claim=claim):
            return f"assigned a segment of {_photos(len(photos))} to {claim}"
        case Cut():
            return "added a boundary"
        case Join():
            return "removed a boundary"
        case Shift():
            return "moved a boundary"
        case Caption(text=text):
            return f"wrote the caption: {text}" if text else "removed a caption"
        case Waive(requirement=requirement, place=place, why=why):
            where = f" at {place}" if place else ""
            return f"set {requirement.replace('_', ' ')}{where} aside: {why}"
        case LeaveOut(stay=stay, left_out=left_out):
            return f"compared {_photos(len(stay) + len(left_out))}: {len(left_out)} left out of the report"
        case AnswerLikeness(answer=answer, others=others):
            alike = counted(len(others), "photo of another claim", "photos of other claims")
            return f"compared a photo with {alike}: {ANSWER_WORDS[answer]}"
        case Event(event=event, on=on, why=why):
            stated = f"{event.replace('_', ' ')} on {on}" if on else f"{event.replace('_', ' ')} not known"
            return f"stated: {stated}{_after_colon(why)}"
        case Sign(note=note):
            return f"signed off{_after_colon(note)}"
        case SendBack(missing=missing, note=note):
            return f"sent back with {len(missing)} shots to take{_after_colon(note)}"
        case TakeBack(note=note):
            return f"reopened the claim{_after_colon(note)}"
        case _:
            return decision.kind.replace("_", " ")


def _tag_words(vocabulary: Vocabulary, tag: Tag) -> str:
    stated: dict[str, None] = {}
    for facets in tag.stated.values():
        for facet, value in facets.items():
            words = value_words(vocabulary, facet, value) if value else "removed"
            stated[f"{facet} {words}"] = None
    listed = list(stated)
    more = f" and {len(listed) - MAX_FACETS} more" if len(listed) > MAX_FACETS else ""
    return f"tagged {_photos(len(tag.stated))}: {', '.join(listed[:MAX_FACETS])}{more}"


def _photos(photos: int) -> str:
    return counted(photos, "photo")


def _after_colon(note: str) -> str:
    return f": {note}" if note else ""
