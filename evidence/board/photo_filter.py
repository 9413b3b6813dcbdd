"""Which photos of a claim a page shows: those with one tag, for one required shot, with a guess, to confirm."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from urllib.parse import urlencode

from evidence.board.view_models import pills_of
from evidence.coverage.report import Item
from evidence.model import (
    Facet,
    Finding,
    PhotoRecord,
    Sha256,
    tag_value,
)
from evidence.tags.vocabulary import Vocabulary


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoFilter:
    """Which photos of a claim to show; an empty field does not filter."""

    need: str = ""
    at: str = ""
    face: str = ""
    role: str = ""
    component: str = ""
    condition: str = ""
    show: str = ""

    @property
    def is_active(self) -> bool:
        """Whether any field is set."""
        return any((self.need, self.face, self.role, self.component, self.condition, self.show))

    @property
    def query(self) -> str:
        """The filter as the query of an address, with its question mark; empty when nothing is filtered."""
        chosen = {name: value for name, value in asdict(self).items() if value}
        return f"?{urlencode(chosen)}" if chosen else ""


SHOW_WORDS = {
    "guesses": "with a guess",
    "untagged": "without tags",
    "flagged": "with a finding",
    "to_confirm": "whose house is to confirm",
}


def filtered(
    records: Iterable[PhotoRecord],
    photo_filter: PhotoFilter,
    *,
    item: Item | None,
    flagged: Mapping[str, Sequence[Finding]],
    vocabulary: Vocabulary,
) -> list[PhotoRecord]:
    """The photos that match the filter, in their order."""
    only: set[Sha256] | None = None
    if item is not None:
        only = {*item.photos, *item.guesses} or {near.photo for near in item.candidates}
    return [
        record
        for record in records
        if (only is None or record.sha256 in only)
        and all(
            not value or tag_value(record.tags, facet) == value
            for facet, value in (
                (Facet.FACE, photo_filter.face),
                (Facet.ROLE, photo_filter.role),
                (Facet.COMPONENT, photo_filter.component),
                (Facet.CONDITION, photo_filter.condition),
            )
        )
        and _of_kind(record, photo_filter.show, flagged, vocabulary)
    ]


def _of_kind(
    record: PhotoRecord, show: str, flagged: Mapping[str, Sequence[Finding]], vocabulary: Vocabulary
) -> bool:
    pills = pills_of(record, vocabulary) if show in ("guesses", "untagged") else ()
    return {
        "guesses": any(pill.guess_percent is not None for pill in pills),
        "untagged": not pills,
        "flagged": record.sha256 in flagged,
        "to_confirm": record.to_confirm,
    }.get(show, True)
