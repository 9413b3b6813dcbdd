"""Which cards are safe to erase now: the verdict on each run, and a report of those whose verdict changed.

A run is one intake of a card. The latest run of a card stands for it (`Intakes.supersede`). The verdict is
computed from the catalog at any time; the last reported verdict is stored with the run.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import Any

import rfc8785

from evidence.archive.copies import CardVerdict, CopyPlace, Now, OnCard, SafetyPolicy, card_verdict
from evidence.archive.places import place_id
from evidence.cards.files import CardListing, list_card
from evidence.cards.ledger import PurgedFiles, read_files
from evidence.cards.volumes import CardSource, mounted_cards, open_source
from evidence.catalog.intakes import IntakeRow, Sighting
from evidence.catalog.keeping import CopyRow
from evidence.codec import from_json, to_json
from evidence.disk.durable import replace_file
from evidence.disk.faults import writing
from evidence.errors import BadInputError
from evidence.filing.backup import open_targets, why_unreachable
from evidence.filing.target_records import read_record
from evidence.model import IntakeId, Sha256
from evidence.settings import ARCHIVE_PLACE
from evidence.workspace import Workspace

RECENT = timedelta(days=30)
"""Runs of this age or younger are judged again at the end of every backup and verify."""
RULE = (
    "Every card that is not called safe, every card taken in within the last 30 days, every card with a copy "
    "that was found bad, and every card with a copy at a target that cannot be reached that is now too old to count; "
    "all cards after a change of the backup targets or of `[safety]`. `evidence cards` lists all."
)
JUDGED_BY = "cards-judged-by.json"
"""The file of an archive that says when its cards were judged last, and on what basis."""
_STOPPED = (
    "The intake of this card did not end, or is still running. Run `evidence intake` for this card again."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CardNow:
    """One run of a card, with the verdict on it now."""

    intake: IntakeId
    label: str
    source: str
    seen_at: datetime
    """When the run listed the card, aware, UTC."""
    files: int
    """Files that the run saw, system files and purged ones among them."""
    connected: bool
    """True when the card or its folder is there now and was compared with what the run saw."""
    superseded_by: IntakeId | None
    """A later run of the same card: its verdict counts."""
    verdict: CardVerdict
    was_told_safe: bool
    """The verdict that was reported before this one."""
    safe_told_at: datetime | None
    """When it was last called safe, aware, UTC."""

    @property
    def no_longer_safe(self) -> bool:
        """True when the card was called safe once and is not safe now."""
        return self.safe_told_at is not None and not self.verdict.safe_to_erase

    @property
    def must_be_reported(self) -> bool:
        """True when a report must name the card: it is not safe, or was not called safe before."""
        return not (self.verdict.safe_to_erase and self.was_told_safe)


@dataclass(frozen=True, slots=True, kw_only=True)
class CardsReport:
    """Cards with their verdicts now, oldest first."""

    cards: tuple[CardNow, ...]
    others: int
    """Older cards that were called safe and were not judged again."""
    rule: str
    """Which cards are listed."""


def judge_cards(workspace: Workspace) -> CardsReport:
    """Judge the cards that `RULE` names, and store each verdict by itself; needs no lock of the archive."""
    judging = Judging(workspace)
    basis, last = _basis(workspace), _read_last_judgement(workspace)
    if last is not None and last.basis == basis:
        aged = _aged(workspace, judging, last)
        runs = workspace.catalog.photos.runs_to_judge(workspace.now() - RECENT, aged=aged)
    else:
        runs = [run for run in workspace.catalog.photos.own_intakes() if not run.superseded_by]
    cards = tuple(judge_and_store(workspace, run, judging) for run in runs)
    _write_last_judgement(
        workspace, _LastJudgement(basis=basis, at=judging.at, unreachable=judging.unreachable)
    )
    return CardsReport(cards=cards, others=workspace.catalog.photos.cards() - len(cards), rule=RULE)


@dataclass(frozen=True, slots=True, kw_only=True)
class _LastJudgement:
    """What the last judgement was based on; the file of it may be deleted."""

    basis: str
    at: datetime
    """Aware, UTC."""
    unreachable: tuple[str, ...]
    """Targets that could not be reached."""


def _aged(
    workspace: Workspace, judging: Judging, last: _LastJudgement
) -> dict[str, tuple[datetime | None, datetime]]:
    """For each target that cannot be reached: when the copies were read back that became too old since `last`.

    A target that could be reached then has lost every copy that is too old now. Cards that grew unsafe before `last`
    are not called safe, so they are judged anyway.
    """
    days = timedelta(days=workspace.settings.safety.read_back_days)
    return {
        name: (last.at - days if name in last.unreachable else None, judging.at - days)
        for name in judging.unreachable
    }


def _basis(workspace: Workspace) -> str:
    """What decides which copies count: the rule for safety, and the named targets with their disks."""
    targets = sorted(
        (one.name, disk.id if (disk := read_record(workspace, one.name)) else "", one.off_computer)
        for one in workspace.settings.target
    )
    safety = workspace.settings.safety
    decides: dict[str, Any] = {
        "targets": [list(one) for one in targets],
        "elsewhere": sorted(workspace.catalog.stations.targets_elsewhere()),
        "safety": [safety.places, safety.off_computer, safety.read_back_days],
    }
    return rfc8785.dumps(decides).decode()


def _read_last_judgement(workspace: Workspace) -> _LastJudgement | None:
    """None when there was none, or its file is of an earlier program, damaged or deleted."""
    try:
        return from_json(_LastJudgement, json.loads((workspace.root / JUDGED_BY).read_bytes()))
    except (OSError, ValueError):
        return None


def _write_last_judgement(workspace: Workspace, judgement: _LastJudgement) -> None:
    path = workspace.root / JUDGED_BY
    with writing(path):
        replace_file(path, rfc8785.dumps(to_json(judgement)))


def all_cards(workspace: Workspace) -> CardsReport:
    """Judge every run of every card, and store the verdict on each card's latest run.

    Needs no lock of the archive: each run's verdict is stored by itself.
    """
    judging = Judging(workspace)
    runs = workspace.catalog.photos.own_intakes()
    cards = tuple(
        judging.judge(one) if one.superseded_by else judge_and_store(workspace, one, judging) for one in runs
    )
    return CardsReport(cards=cards, others=0, rule="Every run of every card.")


def judge_and_store(
    workspace: Workspace, run: IntakeRow, judging: Judging, *, source: CardSource | None = None
) -> CardNow:
    """Judge one run and store the verdict; a changed verdict gets an entry in the custody log."""
    card = judging.judge(run, source=source)
    safe = card.verdict.safe_to_erase
    row = replace(
        run,
        came_since=card.verdict.came_since,
        told_safe=safe,
        safe_told_at=workspace.now() if safe and not run.told_safe else run.safe_told_at,
    )
    if row == run:
        return card
    with workspace.catalog.transaction():
        workspace.catalog.photos.put_verdict(row)
        if safe != run.told_safe:
            action = "card_told_safe" if safe else "card_no_longer_safe"
            workspace.record(action, run.intake, card=run.label, files=card.files)
    return card


class Judging:
    """Judges runs at one moment: the places that count, and the cards that are connected, are looked up once."""

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace
        safety = workspace.settings.safety
        self._policy = SafetyPolicy(
            places=safety.places, off_computer=safety.off_computer, read_back_days=safety.read_back_days
        )
        targets = open_targets(workspace)
        self._off_computer = {target.name: target.off_computer for target in targets}
        # What other stations keep counts like a disk that is not connected: only if it was read back not long ago.
        stations = workspace.catalog.stations
        self._archives = {one.archive: f"the archive of the station {one.name}" for one in stations.others()}
        self._targets_elsewhere = stations.targets_elsewhere()
        self._elsewhere = {*self._archives.values(), *self._targets_elsewhere} - set(self._off_computer)
        self._now = Now(
            at=workspace.now(),
            places={
                ARCHIVE_PLACE: True,
                **{one.name: why_unreachable(workspace, one) is None for one in targets},
                **dict.fromkeys(self._elsewhere, False),
            },
        )

    @property
    def at(self) -> datetime:
        """The moment, aware, UTC."""
        return self._now.at

    @property
    def unreachable(self) -> tuple[str, ...]:
        """The named targets that cannot be reached, sorted."""
        away = self._elsewhere
        return tuple(
            sorted(n for n, reachable in self._now.places.items() if not reachable and n not in away)
        )

    def judge(self, run: IntakeRow, *, source: CardSource | None = None) -> CardNow:
        """The verdict on a run now. `source` is its card, when the caller has it open. Nothing is stored."""
        seen = self._workspace.catalog.photos.on_card(run.intake)
        present = source if source and source.root.is_dir() else self._connected(run)
        came_since = run.came_since
        if present is not None and not run.superseded_by:
            came_since = self._came_since(run, seen, present)
        verdict = card_verdict(
            [
                *(OnCard(path=one.card_path, sha256=one.sha256) for one in seen),
                *(OnCard(path=refusal.path, refusal=refusal) for refusal in run.refused),
            ],
            self._copies(seen),
            self._policy,
            self._now,
            purged=run.purged,
            came_since=came_since,
        )
        if run.finished_at is None:
            reasons = (_STOPPED, *(verdict.reasons if not verdict.safe_as_seen else ()))
            verdict = replace(verdict, safe_to_erase=False, safe_as_seen=False, reasons=reasons)
        return CardNow(
            intake=run.intake,
            label=run.label,
            source=run.source,
            seen_at=run.started_at,
            files=len(seen) + len(run.refused) + run.purged,
            connected=present is not None,
            superseded_by=run.superseded_by,
            verdict=verdict,
            was_told_safe=run.told_safe,
            safe_told_at=run.safe_told_at,
        )

    def _copies(self, seen: Sequence[Sighting]) -> dict[Sha256, list[CopyPlace]]:
        found = self._workspace.catalog.keeping.copies(list({one.sha256 for one in seen}))
        away = self._workspace.catalog.stations.of_bags(
            {row.claim for rows in found.values() for row in rows}
        )

        def place(row: CopyRow) -> str:
            station = away.get(row.claim, "") if row.place == ARCHIVE_PLACE else ""
            return self._archives.get(station, row.place)

        def off_computer(row: CopyRow) -> bool:
            if row.place in self._off_computer:
                return self._off_computer[row.place] and row.place_id != self._here
            return row.off_computer and row.place in self._targets_elsewhere

        return {
            sha: [
                CopyPlace(
                    place_id=row.place_id,
                    name=place(row),
                    off_computer=off_computer(row),
                    verified_at=row.verified_at,
                    found_bad_at=row.found_bad_at,
                )
                for row in rows
            ]
            for sha, rows in found.items()
        }

    @cached_property
    def _here(self) -> str:
        return place_id(self._workspace.root)

    @cached_property
    def _mounted(self) -> tuple[CardSource, ...]:
        return mounted_cards()

    def _connected(self, run: IntakeRow) -> CardSource | None:
        """The run's card: its folder if it is there and not on another volume, else a mounted card of that volume."""
        if run.superseded_by:
            return None
        if Path(run.source).is_dir():
            try:
                found = open_source(Path(run.source))
            except BadInputError:
                return None
            if not (run.card_id and found.card_id) or run.card_id == found.card_id:
                return found
        if not run.card_id:
            return None
        return next((card for card in self._mounted if card.card_id == run.card_id), None)

    def _came_since(self, run: IntakeRow, seen: Sequence[Sighting], source: CardSource) -> int:
        """Files on the card whose path, size or time the run did not see. Reads folder entries, no contents."""
        sizes = self._workspace.catalog.photos.originals(list({one.sha256 for one in seen}))
        known: dict[str, tuple[int | None, str | None]] = {}
        ledger = self._workspace.ledgers / f"{run.intake}.jsonl"
        if run.purged:  # a purge by an older program left their lines in the ledger
            known |= read_files(ledger)
        for one in seen:
            modified = one.modified.isoformat() if one.modified else None
            known[one.card_path] = (sizes[one.sha256].size if one.sha256 in sizes else None, modified)
        refused = {refusal.path for refusal in run.refused}
        listing = list_card(source.root, litter=self._workspace.settings.intake.litter)
        return _unknown(listing, known, refused, PurgedFiles(ledger) if run.purged else ())


def _unknown(
    listing: CardListing,
    known: dict[str, tuple[int | None, str | None]],
    refused: set[str],
    purged: PurgedFiles | tuple[()] = (),
) -> int:
    """How many files of a listing were neither seen as they are now nor refused."""
    new = 0
    for found in listing.found:
        stamp = found.modified.isoformat() if found.modified else None
        if found.card_path in refused or known.get(found.card_path) == (found.size, stamp):
            continue
        new += (found.card_path, found.size, stamp) not in purged
    return new + sum(refusal.blocks_erase and refusal.path not in refused for refusal in listing.refused)
