"""What hand-held label cards and claim sheets state, for the photos of one claim in order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from evidence.model import Facet, FacetValue, Finding, PhotoRecord, Role, Sha256, Source
from evidence.tags.vocabulary import CardOptions, LabelCard, Vocabulary

_CARRIED = (Facet.CONDITION, Facet.COUNT)
"""Statements that mislead when they run on to another thing without anyone meaning it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelReading:
    """What the cards state about each photo, and what about them needs a person's eye."""

    stated: Mapping[Sha256, Mapping[Facet, FacetValue]]
    flags: Mapping[Sha256, tuple[Finding, ...]]


def label_tags(
    photos: Sequence[PhotoRecord], vocabulary: Vocabulary, options: CardOptions | None = None
) -> Mapping[Sha256, Mapping[Facet, FacetValue]]:
    """What cards and sheets state about each photo; see `read_labels`."""
    return read_labels(photos, vocabulary, options).stated


def read_labels(
    photos: Sequence[PhotoRecord], vocabulary: Vocabulary, options: CardOptions | None = None
) -> LabelReading:
    """State facets from cards and sheets. `photos` are those of ONE claim in shooting order.

    A card that fills the frame is shown for its own sake: its photo has the role `label`, and what
    it states stands for the photos after it until a card changes the same facet, an END card, the
    claim's sheet, or a long pause. A smaller card speaks for its own photo alone.
    """
    reader = _Reader(vocabulary=vocabulary, options=options or vocabulary.cards)
    for place, photo in enumerate(photos):
        reader.see(photo, place)
    return LabelReading(
        stated=reader.stated, flags={key: tuple(found) for key, found in reader.flags.items()}
    )


@dataclass(frozen=True, slots=True)
class _Standing:
    """A statement that stands: its value, the card that made it, and where that card was shown."""

    value: str
    card: LabelCard
    place: int

    def said(self, facet: Facet) -> FacetValue:
        return _stated(facet, self.value, f"label card {self.card.words} at {ordinal(self.place + 1)} photo")


@dataclass(slots=True)
class _Reader:
    """Walks along the photos; holds what stands at this moment."""

    vocabulary: Vocabulary
    options: CardOptions
    stated: dict[Sha256, dict[Facet, FacetValue]] = field(default_factory=dict)
    flags: dict[Sha256, list[Finding]] = field(default_factory=dict)
    standing: dict[Facet, _Standing] = field(default_factory=dict)
    used: set[Facet] = field(default_factory=set)
    """Standing facets that have already spoken for a photo."""
    doubtful: dict[Facet, LabelCard] = field(default_factory=dict)
    """Standing facets that ran on past a change of subject, and the card that changed it."""
    last: datetime | None = None

    def see(self, photo: PhotoRecord, place: int) -> None:
        if self._paused(photo):
            self._end()
        if photo.look.dividers:
            self._end()
            sheet = photo.look.dividers[0]
            self._state(
                photo, {Facet.ROLE: _stated(Facet.ROLE, Role.DIVIDER, f"sheet of claim {sheet.claim}")}
            )
            return
        shown, aside = self._cards(photo)
        if shown:
            self._show(photo, shown, place)
            return
        said = {facet: standing.said(facet) for facet, standing in self.standing.items()}
        if any(card.ends for card in aside):
            said = {}
        said |= self._own(photo, aside)
        self._state(photo, said)
        self._warn(photo, said)
        self.used.update(self.standing)

    def _paused(self, photo: PhotoRecord) -> bool:
        now = photo.corrected or photo.facts.taken_local
        before, self.last = self.last, now or self.last
        return now is not None and before is not None and now - before > self.options.pause

    def _cards(self, photo: PhotoRecord) -> tuple[list[LabelCard], list[LabelCard]]:
        """Our cards in the photo: those shown for their own sake, and those that merely lie in it."""
        seen: dict[int, float] = {}
        for mark in photo.look.labels:
            share = min(1.0, mark.code_area / self.options.tag_share)
            seen[mark.number] = max(share, seen.get(mark.number, 0.0))
        ours: list[tuple[float, LabelCard]] = []
        for number, share in sorted(seen.items()):
            card = self.vocabulary.label(number)
            if card is None:
                self._flag(photo, "unknown_label", f"Label card number {number} is not in the vocabulary.")
            else:
                ours.append((share, card))
        largest = max((share for share, _ in ours), default=0.0)
        held = [(share, card) for share, card in ours if share >= largest / 2]  # two cards held up together
        if sum(share for share, _ in held) < self.options.fills_frame:
            return [], [card for _, card in ours]
        return [card for _, card in held], []

    def _show(self, photo: PhotoRecord, shown: list[LabelCard], place: int) -> None:
        words = " + ".join(card.words for card in shown)
        self._state(
            photo, {Facet.ROLE: _stated(Facet.ROLE, Role.LABEL, f"label card {words} fills the frame")}
        )
        if any(card.ends for card in shown):
            self._end()
        new = self._agreed(photo, shown)
        for facet in {facet for card in shown for facet, _ in card.sets}:
            self._replace(facet)
        for facet, (value, card) in new.items():
            self.standing[facet] = _Standing(value, card, place)
        changed = {facet for facet in new if facet not in _CARRIED}
        for facet in _CARRIED:
            if changed and facet in self.used and facet not in new:
                self.doubtful[facet] = shown[0]

    def _replace(self, facet: Facet) -> None:
        """End a standing facet, and all that ends with it."""
        for other, ends_with in self.options.ends_with.items():
            if facet in ends_with:
                self._drop(other)
        old = self.standing.get(facet)
        if old is None:
            return
        together = [name for name, standing in self.standing.items() if standing.card is old.card]
        for name in together if old.card.sets[0][0] is facet else [facet]:
            self._drop(name)

    def _drop(self, facet: Facet) -> None:
        self.standing.pop(facet, None)
        self.used.discard(facet)
        self.doubtful.pop(facet, None)

    def _end(self) -> None:
        for facet in list(self.standing):
            self._drop(facet)

    def _own(self, photo: PhotoRecord, aside: list[LabelCard]) -> dict[Facet, FacetValue]:
        return {
            facet: _stated(facet, value, f"label card {card.words} in the photo")
            for facet, (value, card) in self._agreed(photo, aside).items()
        }

    def _agreed(self, photo: PhotoRecord, cards: list[LabelCard]) -> dict[Facet, tuple[str, LabelCard]]:
        """What the cards of one photo state together; a facet they differ on is stated by none of them.

        A card's own facet outranks what another card states in passing.
        """
        said: dict[Facet, dict[str, LabelCard]] = {}
        for card in cards:
            for facet, value in card.sets:
                said.setdefault(facet, {})[value] = card
        agreed: dict[Facet, tuple[str, LabelCard]] = {}
        for facet, values in said.items():
            own = {value: card for value, card in values.items() if card.sets[0][0] is facet} or values
            if len(own) == 1:
                agreed[facet] = next(iter(own.items()))
                continue
            both = " and ".join(card.words for card in own.values())
            self._flag(
                photo,
                "labels_disagree",
                f"Label cards {both} are in one photo; neither is taken for {facet}.",
            )
        return agreed

    def _warn(self, photo: PhotoRecord, said: Mapping[Facet, FacetValue]) -> None:
        """Say once where a condition or count ran on past a change of subject."""
        for facet, changer in list(self.doubtful.items()):
            standing = self.standing.get(facet)
            if standing and facet in said and said[facet] == standing.said(facet):
                self._flag(
                    photo,
                    "label_ran_on",
                    f"Label card {standing.card.words} still stands after card {changer.words}: "
                    f"check that it was meant for this too.",
                )
            self.doubtful.pop(facet)

    def _state(self, photo: PhotoRecord, said: dict[Facet, FacetValue]) -> None:
        self.stated[photo.sha256] = said

    def _flag(self, photo: PhotoRecord, code: str, message: str) -> None:
        self.flags.setdefault(photo.sha256, []).append(
            Finding(code=code, message=message, subject=photo.sha256)
        )


def _stated(facet: Facet, value: str, reason: str) -> FacetValue:
    return FacetValue(facet=facet, value=str(value), source=Source.LABEL, confidence=1.0, reason=reason)


def ordinal(number: int) -> str:
    """1st, 2nd, 3rd, 4th, ... 11th, 12th, 13th, ... as English writes them."""
    ending = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"
