"""Stated facets: what label cards and claim sheets state of the photos of one claim."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from evidence.model import Facet, FacetValue, Finding, PhotoRecord, Role, Sha256, Source
from evidence.tags.vocabulary import CardOptions, LabelCard, Vocabulary

_CARRIED = (Facet.CONDITION, Facet.COUNT)
"""Facets that are flagged when a card's statement continues past a change of subject: it may not be meant."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelReading:
    """What the cards state about each photo, and flags for a person to check."""

    stated: Mapping[Sha256, Mapping[Facet, FacetValue]]
    flags: Mapping[Sha256, tuple[Finding, ...]]


def read_labels(
    photos: Sequence[PhotoRecord], vocabulary: Vocabulary, options: CardOptions | None = None
) -> LabelReading:
    """State facets from cards and sheets. `photos` are those of ONE claim in shooting order.

    A card that fills the frame applies to the photos after it, until another card changes the same facet, or
    until an END card, the claim's sheet or a long pause; its own photo has the role `label`. A smaller card
    applies to its own photo only.
    """
    reader = _CardReader(vocabulary=vocabulary, options=options or vocabulary.cards)
    for position, photo in enumerate(photos):
        reader.see(photo, position)
    return LabelReading(
        stated=reader.stated, flags={key: tuple(found) for key, found in reader.flags.items()}
    )


@dataclass(frozen=True, slots=True)
class _Statement:
    """A statement that applies now: its value, its card, and the position of the card's photo."""

    value: str
    card: LabelCard
    position: int

    def stated(self, facet: Facet) -> FacetValue:
        return _stated(
            facet, self.value, f"label card {self.card.words} in the {ordinal(self.position + 1)} photo"
        )


@dataclass(slots=True)
class _CardReader:
    """Reads the photos in order and keeps the statements that apply."""

    vocabulary: Vocabulary
    options: CardOptions
    stated: dict[Sha256, dict[Facet, FacetValue]] = field(default_factory=dict)
    flags: dict[Sha256, list[Finding]] = field(default_factory=dict)
    statements: dict[Facet, _Statement] = field(default_factory=dict)
    used: set[Facet] = field(default_factory=set)
    """Facets whose statement was applied to a photo already."""
    unsure: dict[Facet, LabelCard] = field(default_factory=dict)
    """Facets whose statement continues past a change of subject, and the card that changed it."""
    last: datetime | None = None

    def see(self, photo: PhotoRecord, position: int) -> None:
        if self._paused(photo):
            self._end()
        if photo.look.dividers:
            self._end()
            sheet = photo.look.dividers[0]
            self._state(
                photo, {Facet.ROLE: _stated(Facet.ROLE, Role.DIVIDER, f"sheet of claim {sheet.claim}")}
            )
            return
        shown, small = self._cards_of(photo)
        if shown:
            self._show(photo, shown, position)
            return
        stated = {facet: statement.stated(facet) for facet, statement in self.statements.items()}
        if any(card.ends for card in small):
            stated = {}
        stated |= self._of_small_cards(photo, small)
        self._state(photo, stated)
        self._flag_continued(photo, stated)
        self.used.update(self.statements)

    def _paused(self, photo: PhotoRecord) -> bool:
        now = photo.corrected or photo.facts.taken_local
        before, self.last = self.last, now or self.last
        return now is not None and before is not None and now - before > self.options.pause

    def _cards_of(self, photo: PhotoRecord) -> tuple[list[LabelCard], list[LabelCard]]:
        """The known cards in the photo: those that fill the frame together, and small ones."""
        seen: dict[int, float] = {}
        for mark in photo.look.labels:
            share = min(1.0, mark.code_area / self.options.tag_share)
            seen[mark.number] = max(share, seen.get(mark.number, 0.0))
        known: list[tuple[float, LabelCard]] = []
        for number, share in sorted(seen.items()):
            card = self.vocabulary.label(number)
            if card is None:
                self._flag(photo, "unknown_label", f"Label card number {number} is not in the vocabulary.")
            else:
                known.append((share, card))
        largest = max((share for share, _ in known), default=0.0)
        held = [(share, card) for share, card in known if share >= largest / 2]  # two cards shown together
        if sum(share for share, _ in held) < self.options.fills_frame:
            return [], [card for _, card in known]
        return [card for _, card in held], []

    def _show(self, photo: PhotoRecord, shown: list[LabelCard], position: int) -> None:
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
            self.statements[facet] = _Statement(value, card, position)
        changed = {facet for facet in new if facet not in _CARRIED}
        for facet in _CARRIED:
            if changed and facet in self.used and facet not in new:
                self.unsure[facet] = shown[0]

    def _replace(self, facet: Facet) -> None:
        """End the statement on a facet, and all statements that end with it."""
        for other, ends_with in self.options.ends_with.items():
            if facet in ends_with:
                self._drop(other)
        old = self.statements.get(facet)
        if old is None:
            return
        together = [name for name, statement in self.statements.items() if statement.card is old.card]
        for name in together if old.card.sets[0][0] is facet else [facet]:
            self._drop(name)

    def _drop(self, facet: Facet) -> None:
        self.statements.pop(facet, None)
        self.used.discard(facet)
        self.unsure.pop(facet, None)

    def _end(self) -> None:
        for facet in list(self.statements):
            self._drop(facet)

    def _of_small_cards(self, photo: PhotoRecord, small: list[LabelCard]) -> dict[Facet, FacetValue]:
        return {
            facet: _stated(facet, value, f"label card {card.words} in the photo")
            for facet, (value, card) in self._agreed(photo, small).items()
        }

    def _agreed(self, photo: PhotoRecord, cards: list[LabelCard]) -> dict[Facet, tuple[str, LabelCard]]:
        """What the cards of one photo state together; a facet on which they differ is not stated.

        A card's first facet comes before the further facets of another card.
        """
        stated: dict[Facet, dict[str, LabelCard]] = {}
        for card in cards:
            for facet, value in card.sets:
                stated.setdefault(facet, {})[value] = card
        agreed: dict[Facet, tuple[str, LabelCard]] = {}
        for facet, values in stated.items():
            own = {value: card for value, card in values.items() if card.sets[0][0] is facet} or values
            if len(own) == 1:
                agreed[facet] = next(iter(own.items()))
                continue
            both = " and ".join(card.words for card in own.values())
            self._flag(
                photo,
                "labels_disagree",
                f"Label cards {both} are in one photo; neither is used for the {facet}.",
            )
        return agreed

    def _flag_continued(self, photo: PhotoRecord, stated: Mapping[Facet, FacetValue]) -> None:
        """Flag the first photo at which a condition or count continues past a change of subject."""
        for facet, changer in list(self.unsure.items()):
            statement = self.statements.get(facet)
            if statement and facet in stated and stated[facet] == statement.stated(facet):
                self._flag(
                    photo,
                    "label_ran_on",
                    f"Label card {statement.card.words} still applies after card {changer.words}: "
                    "check that this is intended.",
                )
            self.unsure.pop(facet)

    def _state(self, photo: PhotoRecord, stated: dict[Facet, FacetValue]) -> None:
        self.stated[photo.sha256] = stated

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
