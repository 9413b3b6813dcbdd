"""What `evidence photos` prints: the photos of a claim counted by what they show, or every one of them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from evidence.cli.common import table
from evidence.errors import counted
from evidence.model import Facet
from evidence.plain_words import guess_percent

if TYPE_CHECKING:
    from rich.table import Table

    from evidence.reports.views import PhotoView

NO_ROLE = "nothing yet"
_SHOWN = (Facet.ROLE, Facet.FACE, Facet.COMPONENT, Facet.CONDITION, Facet.COUNT)
_HEADINGS = ["photo", "taken", *(facet.value for facet in _SHOWN), "flags"]


def summary(claim: str, photos: Sequence[PhotoView]) -> Iterable[str | Table]:
    """How many photos, from when to when, what they show, and how much of it a person has to check."""
    times = sorted(_taken(one) for one in photos if _taken(one))
    span = f", {times[0][:16]} to {times[-1][:16]}" if times else ""
    yield f"{claim}: {counted(len(photos), 'photo')}{span}."
    roles = Counter(one.role or NO_ROLE for one in photos)
    guessed = Counter(one.role or NO_ROLE for one in photos if one.role and Facet.ROLE not in one.stated)
    rows = [
        (role, number, guessed[role] or "") for role, number in sorted(roles.items(), key=lambda one: -one[1])
    ]
    if rows:
        yield table(["shows", "photos", "of them guessed"], rows)
    if house := sum(one.to_confirm for one in photos):
        yield f"{counted(house, 'photo')} to confirm: the house is not sure."
    if open_guesses := sum(len(one.confidence) > len(one.stated) for one in photos):
        yield f"{counted(open_guesses, 'photo')} to confirm: a tag is a guess. `evidence tags {claim}` says why."
    if flagged := sum(bool(one.flags) for one in photos):
        yield f"{counted(flagged, 'photo')} with a flag."
    if photos:
        yield f"To list them: evidence photos {claim} --all"


def every_photo(photos: Sequence[PhotoView]) -> Iterable[str | Table]:
    """One line for each photo, in order; a question mark shows a guess."""
    yield table(_HEADINGS, (_line(one) for one in photos))


def _taken(view: PhotoView) -> str:
    return (view.corrected_at or view.taken_at or "")[:19].replace("T", " ")


def _line(view: PhotoView) -> list[object]:
    def shown(facet: Facet) -> str:
        value = getattr(view, facet.value)
        if value is None:
            return ""
        return str(value) if facet in view.stated else f"{value} ? {guess_percent(view.confidence[facet])}%"

    flags = [flag.code for flag in view.flags] + (["house_to_confirm"] if view.to_confirm else [])
    return [view.name, _taken(view), *(shown(one) for one in _SHOWN), ", ".join(flags)]
