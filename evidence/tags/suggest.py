"""One tag for each photo from everything that speaks of it: people, cards, writing, pixels, place, habit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from evidence.model import Facet, FacetValue, Finding, PhotoRecord, Role, Sha256, Source, Tags
from evidence.tags.label_cards import ordinal, read_labels
from evidence.tags.reading.parser import Grammar
from evidence.tags.reading.semantics import Reading
from evidence.tags.vocabulary import CardOptions, GuessOptions, Vocabulary
from evidence.tags.walk.emission import ASIDE_ROLES, Listener, ShotHead
from evidence.tags.walk.model import Habits, WalkModel
from evidence.tags.walk.plan import Calibration, WalkPlan
from evidence.tags.walk.posterior import Facets, Mind, Shares, believe

Stated = Mapping[Facet, FacetValue]

_SCENE_WORDS = {
    "house": "a house from outside",
    "roof": "a roof slope",
    "shingle": "shingles from near",
    "fixture": "a metal part or fixture",
    "interior": "a room",
    "sheet": "a sheet of paper",
    "gauge": "a gauge or tool",
    "other": "something else",
}

_PLAINLY = 1.5
"""Odds from which the likeness to the claim's other pictures is worth a word."""

_COMPASS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


@dataclass(frozen=True, kw_only=True, eq=False)
class TagModels:
    """The plan of the walk, and what was learned on top of it; nothing learned as it ships."""

    plan: WalkPlan
    everyone: Habits | None = None
    adjusters: Mapping[str, Habits] = field(default_factory=dict)
    calibration: Mapping[Facet, Calibration] = field(default_factory=dict)
    """What was learned; facets that are absent keep the plan's."""
    shot_head: ShotHead | None = None

    def walk(self, adjuster: str) -> WalkModel:
        """The walk model for one adjuster: the others' habits, then the adjuster's own on top of them."""
        own = self.adjusters.get(adjuster)
        if self.everyone is None or own is None:
            known = [habits for habits in (self.everyone, own) if habits is not None]
            return WalkModel(plan=self.plan, habits=tuple(known))
        return WalkModel(plan=self.plan, habits=(self.everyone.without(own), own))

    def calibrated(self, facet: Facet, share: float) -> float:
        """The probability that a guess with this share is right."""
        calibration = self.calibration.get(facet, self.plan.calibration.get(facet))
        return calibration(share) if calibration else share


@dataclass(frozen=True, slots=True, kw_only=True)
class TagOptions:
    """Settings of one run; None takes the vocabulary's own."""

    adjuster: str = ""
    """Whose habits to use; empty for everyone's."""
    cards: CardOptions | None = None
    guess: GuessOptions | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TagResult:
    """A photo's tag, everything that was said about it, and what needs a person's eye."""

    tags: Tags
    """The strongest value of each facet; what is stated always comes before a guess."""
    said: tuple[FacetValue, ...] = ()
    """Every source's word, the tag's own values among them."""
    flags: tuple[Finding, ...] = ()
    notes: tuple[str, ...] = ()
    """What writing says and no facet holds: a pitch, the number of layers."""


def tag_claim(
    photos: Sequence[PhotoRecord],
    *,
    person: Mapping[Sha256, Stated],
    vocabulary: Vocabulary,
    models: TagModels | None = None,
    options: TagOptions | None = None,
) -> Mapping[Sha256, TagResult]:
    """Tag all photos of ONE claim, given in shooting order.

    `person` holds what people stated; it comes before what cards state, and both come before any
    guess. Guesses carry a probability and never count as reviewed (rule 9); no damage is never
    concluded from pixels. Without `models` only people, cards and writing are listened to.
    """
    options = options or TagOptions()
    labels = read_labels(photos, vocabulary, options.cards)
    grammar = Grammar(vocabulary)
    told = [
        _Told(
            photo=photo,
            reading=grammar.read(photo.look.writing),
            labels=labels.stated.get(photo.sha256, {}),
            person=person.get(photo.sha256, {}),
        )
        for photo in photos
    ]
    walked = [k for k, each in enumerate(told) if not each.aside]
    guesses: dict[int, _Guess] = {}
    if models is not None and walked:
        guesses = _guess([told[k] for k in walked], walked, vocabulary, models, options)
    return {
        each.photo.sha256: _result(each, guesses.get(k), labels.flags.get(each.photo.sha256, ()))
        for k, each in enumerate(told)
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class _Told:
    """A photo, and what writing, cards and people say of it."""

    photo: PhotoRecord
    reading: Reading
    labels: Stated
    person: Stated

    @property
    def stated(self) -> Stated:
        return {**self.labels, **self.person}

    @property
    def aside(self) -> bool:
        """A sheet, a label card or a stated stray: no step of the walk."""
        role = self.stated.get(Facet.ROLE)
        return role is not None and role.value in ASIDE_ROLES


@dataclass(frozen=True, slots=True, kw_only=True)
class _Guess:
    """The fused values of a photo and each source's own word."""

    fused: Mapping[Facet, FacetValue]
    said: tuple[FacetValue, ...]


def _result(told: _Told, guess: _Guess | None, flags: Sequence[Finding]) -> TagResult:
    written = _written(told.reading)
    tags: dict[Facet, FacetValue] = {}
    if guess is None and not told.aside:
        tags.update({value.facet: value for value in reversed(written)})
    if guess is not None:
        tags.update(guess.fused)
    tags.update(told.stated)
    said = (*told.person.values(), *told.labels.values(), *written, *(guess.said if guess else ()))
    return TagResult(
        tags=tags,
        said=said,
        flags=(*flags, *told.reading.flags, *_contradictions(told)),
        notes=told.reading.notes,
    )


def _written(reading: Reading) -> list[FacetValue]:
    """The writing's word for each facet, alternatives after the value to take."""
    return [
        _value(spoken.facet, spoken.value, Source.WRITING, min(0.99, spoken.sure), _board(reading))
        for spoken in reading.spoken
    ]


def _board(reading: Reading) -> str:
    text = reading.text.upper()
    return f"board reads {text if len(text) <= 60 else text[:57] + '...'}"


def _value(facet: Facet, value: str, source: Source, share: float, reason: str) -> FacetValue:
    return FacetValue(
        facet=facet, value=str(value), source=source, confidence=round(float(share), 4), reason=reason
    )


def _contradictions(told: _Told) -> list[Finding]:
    """A card that says one thing while the board in the same photo says another."""
    found = []
    for facet, label in told.labels.items():
        written = told.reading.best(facet)
        if (
            facet in told.person
            or written is None
            or written.implied
            or written.sure < 0.8
            or facet is Facet.ROLE
        ):
            continue
        if written.value != label.value:
            message = f"{label.reason} says {label.value}, but the {_board(told.reading)}."
            found.append(Finding(code="label_and_board_differ", message=message, subject=told.photo.sha256))
    return found


# --- guessing ------------------------------------------------------------------------------


def _guess(
    told: Sequence[_Told],
    places: Sequence[int],
    vocabulary: Vocabulary,
    models: TagModels,
    options: TagOptions,
) -> dict[int, _Guess]:
    """The fused guesses of all photos that are steps of the walk, keyed by their place in the claim."""
    listener = Listener(
        model=models.walk(options.adjuster), vocabulary=vocabulary, shot_head=models.shot_head
    )
    mind = believe(listener, [t.photo for t in told], [t.reading for t in told], [t.stated for t in told])
    speaker = _Speaker(
        mind=mind, models=models, vocabulary=vocabulary, guess=options.guess or vocabulary.guess
    )
    guesses: dict[int, _Guess] = {}
    before = ""
    for row, (each, place) in enumerate(zip(told, places, strict=True)):
        guesses[place] = speaker.speak(row, each, before)
        words = {**guesses[place].fused, **each.stated}
        named = [vocabulary.plain(f, words[f].value) for f in (Facet.FACE, Facet.COMPONENT) if f in words]
        role = words.get(Facet.ROLE)
        named += [vocabulary.plain(Facet.ROLE, role.value)] if role and Facet.COMPONENT not in words else []
        before = f"{' '.join(n for n in named if n != vocabulary.plain(Facet.FACE, 'none'))} at {ordinal(place + 1)} photo"
    return guesses


@dataclass(frozen=True, slots=True, kw_only=True)
class _Speaker:
    """Puts beliefs into values with reasons."""

    mind: Mind
    models: TagModels
    vocabulary: Vocabulary
    guess: GuessOptions

    def speak(self, row: int, told: _Told, before: str) -> _Guess:
        """The fused values of one photo, and each source's own word on them."""
        mind, facets = self.mind, Facets(mind=self.mind, reading=told.reading, stated=told.stated)
        steps, off = mind.belief.steps[row], mind.off_walk(row)
        fused = facets.shares(steps, off)
        square = fused[Facet.ROLE].get(Role.TEST_SQUARE, 0.0)
        usual = facets.shares(mind.usual, mind.plan.off_walk)
        own = self._own_words(row, facets)
        self._withhold(fused, own, facets)
        values: dict[Facet, FacetValue] = {}
        said: list[FacetValue] = []
        for facet, shares in fused.items():
            reasons = self._reasons(facet, row, told, before)
            values |= self._pick(facet, shares, own, usual, reasons, told)
            said += self._words(facet, own, reasons)
        for facet, shares in (
            (Facet.CONDITION, facets.condition(steps)),
            (Facet.COUNT, facets.count(told.photo, square)),
        ):
            values |= self._plain(facet, shares, told)
        return _Guess(fused=values, said=(*said, *(v for v in values.values() if v.source is Source.FUSED)))

    def _own_words(self, row: int, facets: Facets) -> dict[Source, dict[Facet, Shares]]:
        """What each source would say by itself."""
        mind = self.mind
        voices: dict[Source, NDArray[np.float64]] = {
            Source.PIXELS: mind.alone(mind.heard.pixels[row]),
            Source.HABIT: mind.belief.habit[row],
        }
        if mind.place is not None:
            voices[Source.PLACE] = mind.alone(mind.place[row])
        return {source: facets.shares(steps, 0.0) for source, steps in voices.items()}

    def _withhold(
        self, fused: dict[Facet, Shares], own: dict[Source, dict[Facet, Shares]], facets: Facets
    ) -> None:
        """No damage is only ever concluded from what was written or stated, never from pixels or habit."""
        if not facets.condition_told:
            for shares in (fused, *own.values()):
                shares[Facet.ROLE].pop(Role.NO_DAMAGE_PROOF.value, None)

    def _pick(
        self,
        facet: Facet,
        shares: Shares,
        own: dict[Source, dict[Facet, Shares]],
        usual: dict[Facet, Shares],
        reasons: dict[Source, str],
        told: _Told,
    ) -> dict[Facet, FacetValue]:
        value, share = max(shares.items(), key=lambda item: item[1], default=("", 0.0))
        sure = self.models.calibrated(facet, share)
        if not value or sure < self.guess.floor:
            return {}
        spoken = [s.value for s in told.reading.all(facet)]
        favour = [Source.WRITING] if value in spoken else []
        favour += [
            source
            for source, words in own.items()
            if words[facet].get(value, 0.0) > 1.2 * usual[facet].get(value, 0.0) and source in reasons
        ]
        if not favour:
            favour = [Source.HABIT]
        reason = "; ".join(reasons[source] for source in favour if source in reasons)
        return {facet: _value(facet, value, Source.FUSED, sure, reason)}

    def _words(
        self, facet: Facet, own: dict[Source, dict[Facet, Shares]], reasons: dict[Source, str]
    ) -> list[FacetValue]:
        said = []
        for source, words in own.items():
            value, share = max(words[facet].items(), key=lambda item: item[1], default=("", 0.0))
            if value and source in reasons and share >= self.guess.floor:
                said.append(_value(facet, value, source, share, reasons[source]))
        return said

    def _plain(self, facet: Facet, shares: Shares, told: _Told) -> dict[Facet, FacetValue]:
        """Condition and count, which the walk does not carry."""
        value, share = max(shares.items(), key=lambda item: item[1], default=("", 0.0))
        sure = self.models.calibrated(facet, share)
        least = self.guess.shows if facet is Facet.CONDITION else self.guess.floor
        if not value or sure < least:
            return {}
        if told.reading.best(facet):
            reason = _board(told.reading)
        elif facet is Facet.COUNT:
            reason = f"{value} chalk marks counted"
        else:
            reason = "usual for a close-up here; nothing in the photo says so"
        return {facet: _value(facet, value, Source.FUSED, sure, reason)}

    # --- reasons -------------------------------------------------------------------------

    def _reasons(self, facet: Facet, row: int, told: _Told, before: str) -> dict[Source, str]:
        reasons = {Source.HABIT: self._habit(before), Source.WRITING: _board(told.reading)}
        if pixels := self._pixels(facet, row, told.photo):
            reasons[Source.PIXELS] = pixels
        if facet is Facet.FACE and (place := self._place(told)):
            reasons[Source.PLACE] = place
        return reasons

    def _habit(self, before: str) -> str:
        style = self.mind.styles[int(np.argmax(self.mind.belief.styles))].name
        return f"follows {before} on a walk {style}" if before else f"begins a walk {style}"

    def _pixels(self, facet: Facet, row: int, photo: PhotoRecord) -> str:
        look, reasons = photo.look, []
        if look.scenes:
            kind, share = max(look.scenes.items(), key=lambda item: item[1])
            reasons.append(f"looks like {_SCENE_WORDS[kind]} ({share:.0%})")
        if facet is Facet.ROLE and look.chalk and look.chalk.square >= 0.5:
            reasons.append("a chalked square is in it")
        if facet is Facet.ROLE and self.mind.sorts[row, np.argmax(self.mind.belief.steps[row])] > _PLAINLY:
            reasons.append("like this claim's other photos of the same sort")
        return ", ".join(reasons)

    def _place(self, told: _Told) -> str:
        reasons = []
        if (direction := told.photo.facts.direction) is not None:
            reasons.append(f"facing {direction:.0f} degrees")
        if told.reading.compass is not None:
            reasons.append(f"board names the {_COMPASS[round(told.reading.compass / 45) % 8]} side")
        if told.photo.facts.gps is not None:
            reasons.append("by its position")
        front = self.mind.front
        if reasons and front is not None:
            reasons.append(f"the front faces {_COMPASS[round(front / 45) % 8]}")
        return ", ".join(reasons)
