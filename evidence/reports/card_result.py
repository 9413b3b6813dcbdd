"""What came of one card, read from the catalog: its houses, what they lack, what is in doubt, and the verdict."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from shlex import quote

from evidence.analysis.coverage import CoverageChecker
from evidence.archive.copies import CardVerdict
from evidence.catalog.intakes import IntakeRow
from evidence.coverage.flags import USED_BEFORE
from evidence.coverage.report import CoverageReport, Item
from evidence.errors import BadInputError, counted, one_line
from evidence.filing.card_safety import Judging
from evidence.model import PICTURE_KINDS, ClaimId, IntakeId, PhotoRecord
from evidence.plain_words import guess_percent
from evidence.workspace import Workspace

MOST_LACKS = 3
"""Missing shots that a message names for each claim; the others are counted."""
_NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


@dataclass(frozen=True, slots=True, kw_only=True)
class DoubtOnCard:
    """Something that a person should decide, and the command for it."""

    words: str
    command: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseOnCard:
    """One claim of a card, or the tray of photos that fit none."""

    claim: ClaimId | None
    insured: str
    photos: tuple[PhotoRecord, ...]
    """The files of this card, in shooting order."""
    lacks: tuple[str, ...]
    """Required shots that are missing on the whole claim, for example 'the back gutter'."""
    guessed: int
    """Required shots that rest on a guess."""
    doubts: tuple[DoubtOnCard, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CardOutcome:
    """The result of one card as messages and its page give it. Names are safe to print."""

    intake: IntakeId
    label: str
    seen_at: datetime
    """Aware, UTC."""
    judged_at: datetime
    """When the verdict was made, aware, UTC."""
    files: int
    photos: int
    houses: tuple[HouseOnCard, ...]
    doubts: tuple[DoubtOnCard, ...]
    """Doubts about the card itself."""
    verdict: CardVerdict
    grows: bool
    """True for a folder, or a card that is away: it is safe for the files seen only."""
    places: int
    """Copies in different places that the settings ask for."""
    off_computer: int

    @property
    def claims(self) -> tuple[HouseOnCard, ...]:
        """The houses that are a claim."""
        return tuple(house for house in self.houses if house.claim)

    @property
    def verdict_words(self) -> str:
        """SAFE TO ERASE, for how many files it is; or that it is not to be erased yet."""
        if not self.verdict.safe_to_erase:
            return "Do NOT erase it yet"
        if not self.grows:
            return "SAFE TO ERASE"
        seen = self.seen_at.astimezone()
        return f"SAFE TO ERASE for the {counted(self.files, 'file')} seen {seen:%Y-%m-%d %H:%M}"

    def text(self) -> str:
        """The result in a few sentences, plain text without line breaks."""
        start = f"Card {self.label}: {counted(self.photos, 'photo')}, {counted(len(self.claims), 'claim')}"
        return f"{start}; {'; '.join(self._told())}: {self.verdict_words}.{self._why_not()}"

    def _told(self) -> Iterable[str]:
        lacking = [house for house in self.claims if house.lacks]
        for house in lacking:
            yield f"{house.claim} lacks {_listed(house.lacks)}"
        if self.claims and not lacking:
            yield "no required shot is missing"
        guessed = sum(house.guessed for house in self.claims)
        if guessed:
            yield f"{counted(guessed, 'shot rests', 'shots rest')} on a guess"
        loose = sum(len(house.photos) for house in self.houses if not house.claim)
        if loose:
            yield f"{counted(loose, 'file fits', 'files fit')} no claim"
        if self.verdict.safe_to_erase and any(place.of for place in self.verdict.places):
            yield f"{_number(self.places, 'copy', 'copies')} read back, {_NUMBERS[min(self.off_computer, 10)]} off this computer"
        elif self.verdict.safe_to_erase:
            yield "nothing on it needs a copy"
        elif self.verdict.came_since:
            yield f"safe for the {counted(self.files, 'file')} seen, but {self.verdict.came_since} came since"
        else:
            yield "not safe"

    def _why_not(self) -> str:
        if self.verdict.safe_to_erase:
            return ""
        reasons = self.verdict.reasons
        return f" {one_line(reasons[-1] if self.verdict.safe_as_seen else reasons[0])}"


def card_outcome(workspace: Workspace, intake: IntakeId) -> CardOutcome:
    """The result of a card as the catalog and the places of copies give it now.

    Raises BadInputError for an intake that the catalog does not have.
    """
    run = workspace.catalog.photos.intake(intake)
    if run is None:
        raise BadInputError(f"There is no intake {intake}.", "`evidence cards --json` lists them.")
    seen = workspace.catalog.photos.on_card(intake)
    records = workspace.catalog.photos.records(list(dict.fromkeys(one.sha256 for one in seen)))
    judging = Judging(workspace)
    now = judging.judge(run)
    safety = workspace.settings.safety
    return CardOutcome(
        intake=intake,
        label=one_line(run.label),
        seen_at=run.started_at,
        judged_at=judging.at,
        files=now.files,
        photos=sum(record.kind in PICTURE_KINDS for record in records),
        houses=tuple(_houses(workspace, records)),
        doubts=tuple(_doubts_on_card(run)),
        verdict=now.verdict,
        grows=not (now.connected and Path(run.source).is_mount()),
        places=safety.places,
        off_computer=safety.off_computer,
    )


def _houses(workspace: Workspace, records: Sequence[PhotoRecord]) -> Iterable[HouseOnCard]:
    by_claim: dict[ClaimId | None, list[PhotoRecord]] = {}
    for record in records:
        by_claim.setdefault(record.claim, []).append(record)
    rows = workspace.catalog.claims.of([claim for claim in by_claim if claim])
    checker = CoverageChecker(workspace)
    for claim in sorted(by_claim, key=lambda one: (one is None, one or "")):
        photos = tuple(sorted(by_claim[claim], key=lambda record: (record.order, record.name)))
        if claim is None:
            yield HouseOnCard(
                claim=None,
                insured="",
                photos=photos,
                lacks=(),
                guessed=0,
                doubts=tuple(_doubts_loose(photos)),
            )
            continue
        report = checker.report(claim)
        yield HouseOnCard(
            claim=claim,
            insured=one_line(rows[claim].claim.insured),
            photos=photos,
            lacks=tuple(dict.fromkeys(_shot_words(item) for item in report.missing)),
            guessed=len(report.guessed),
            doubts=tuple(_doubts_in_house(claim, photos, report)),
        )


def _doubts_on_card(run: IntakeRow) -> Iterable[DoubtOnCard]:
    unkept = [one for one in run.refused if one.blocks_erase]
    if unkept:
        first = one_line(unkept[0].path)
        yield DoubtOnCard(
            words=f"{counted(len(unkept), 'file was', 'files were')} not kept, first {first}: {one_line(unkept[0].reason)}",
            command=f"evidence intake {quote(one_line(run.source))}",
        )


def _doubts_loose(photos: Sequence[PhotoRecord]) -> Iterable[DoubtOnCard]:
    yield DoubtOnCard(
        words=f"{counted(len(photos), 'file fits', 'files fit')} no claim.",
        command="evidence segments",
    )


def _doubts_in_house(
    claim: ClaimId, photos: Sequence[PhotoRecord], report: CoverageReport
) -> Iterable[DoubtOnCard]:
    for record in photos:
        if record.to_confirm:
            yield DoubtOnCard(
                words=f"{one_line(record.name)}: whether it belongs to this house "
                f"({guess_percent(record.claim_confidence)}% sure).",
                command=f"evidence move {quote(one_line(record.name))} --to {quote(claim)}",
            )
    guessed = len(report.guessed)
    if used := len({flag.subject for flag in report.flags if flag.code in USED_BEFORE}):
        yield DoubtOnCard(
            words=f"{counted(used, 'photo')} may have been used for another claim before, or "
            f"{'is' if used == 1 else 'are'} only alike.",
            command=f"evidence alike {quote(claim)}",
        )
    if guessed:
        yield DoubtOnCard(
            words=f"{counted(guessed, 'required shot rests', 'required shots rest')} on a guess.",
            command=f"evidence confirm {quote(claim)}",
        )


def _shot_words(item: Item) -> str:
    """A missing shot in words: 'the back gutter', 'the left test square'."""
    title = (
        item.title
        if item.title[1:2].isupper() or item.title[1:2] == "/"
        else item.title[:1].lower() + item.title[1:]
    )
    place = str(item.face or "") or item.structure.replace("_", " ")
    return one_line(f"the {place} {title}" if place else f"the {title}")


def _listed(names: Sequence[str]) -> str:
    first = list(names[:MOST_LACKS])
    if len(names) > MOST_LACKS:
        return f"{', '.join(first)} and {counted(len(names) - MOST_LACKS, 'more shot')}"
    return " and ".join([", ".join(first[:-1]), first[-1]]) if len(first) > 1 else first[0]


def _number(number: int, one: str, many: str) -> str:
    word = _NUMBERS[number] if number < len(_NUMBERS) else str(number)
    return f"{word} {one if number == 1 else many}"
