"""Copies a card into the intake area, verifies every copy, and accounts for every file on the card."""

from __future__ import annotations

import os
from collections.abc import Container, Sequence
from datetime import datetime
from pathlib import Path
from typing import Protocol

from evidence.archive.target_marker import marked_name
from evidence.cards import ledger
from evidence.cards.copying import copy_in
from evidence.cards.files import CardListing, list_card
from evidence.cards.volumes import CardSource
from evidence.catalog.intakes import IntakeRow
from evidence.disk.objects import sweep_parts
from evidence.errors import BadInputError, CardReadError
from evidence.filing.originals import has_good_original
from evidence.intake.copy_speed import COPYING
from evidence.model import Copied, Found, Refusal
from evidence.progress import Progress, quiet
from evidence.workspace import Workspace


def refuse_overlap(workspace: Workspace, source: CardSource) -> None:
    """Raise BadInputError when the source and the archive or a backup target lie inside one another.

    The copies of a target would be taken in as a card, and the card that holds them called safe to erase.
    """
    if (marked := marked_name(source.root)) is not None:
        raise BadInputError(
            f"The source {source.root} is the folder of a backup target, '{marked}'.",
            "Take in the card itself, or the folder on it that holds nothing but photos (DCIM).",
        )
    ours = [("the archive", workspace.root)]
    ours += [(f"the backup target '{one.name}'", one.path) for one in workspace.settings.target]
    for name, place in ours:
        real = Path(os.path.realpath(place))
        if source.root == real or source.root in real.parents or real in source.root.parents:
            raise BadInputError(
                f"The source {source.root} and {name} lie inside one another.",
                "Take in the card itself, or the folder on it that holds nothing but photos (DCIM).",
            )


class Follower(Protocol):
    """What is done with the files of a card while it is copied."""

    def listed(self, walk: CardListing, known_sizes: set[int]) -> None:
        """The card was listed; `known_sizes` are those of its sizes that a kept file has."""
        ...

    def copied(self, one: Copied) -> None:
        """A file was copied, or is kept already."""
        ...

    def passed(self, card_path: str) -> None:
        """A file of the card is done with, copied or refused."""
        ...


def copy_card(
    workspace: Workspace,
    source: CardSource,
    run: IntakeRow,
    follower: Follower,
    *,
    progress: Progress = quiet,
) -> tuple[list[Copied], list[Refusal]]:
    """Copy every file of the card into the intake area and verify each copy; returns the copies and the refusals.

    Together the two lists account for every file on the card. A file that cannot be read does not stop
    the others. `follower` gets each file when its line is in the ledger. Raises DestinationError when the archive cannot be written, CardReadError when the lists
    do not add up.
    """
    sweep_parts(workspace.store)
    walk = list_card(source.root, litter=workspace.settings.intake.litter)
    sizes = workspace.catalog.photos.sizes({found.size for found in walk.found})
    copied: list[Copied] = []
    refused = list(walk.refused)
    entries: list[ledger.LedgerEntry] = []
    follower.listed(walk, sizes)
    with ledger.Ledger(workspace.ledgers / f"{run.intake}.jsonl") as journal:

        def write(entry: ledger.LedgerEntry) -> None:
            journal.record(entry)
            entries.append(entry)

        write(ledger.started(source, walk, intake=run.intake, actor=run.actor, at=_stamp(run.started_at)))
        for refusal in walk.refused:
            write(ledger.refused(refusal))
        for number, found in enumerate(walk.found):
            progress(COPYING, number, len(walk.found))
            result = _copy_file(workspace, source, found, sizes)
            if isinstance(result, Refusal):
                refused.append(result)
                write(ledger.refused(result, size=found.size))
            else:
                copied.append(result)
                write(ledger.copied(result))
                follower.copied(result)
            follower.passed(found.card_path)
        progress(COPYING, len(walk.found), len(walk.found))
        account = ledger.account(walk, entries)
        write(ledger.finished(account, at=_stamp(workspace.now())))
    if not account.adds_up:
        raise CardReadError(
            f"The list of {source.label} does not add up: {(*account.missing, *account.repeated)[:3]}.",
            "Leave the card untouched and run the intake again.",
        )
    return copied, refused


def copy_again(workspace: Workspace, source: CardSource, gone: Sequence[Copied]) -> None:
    """Copy these files of the card again: a purge removed the archive's copies meanwhile.

    Raises CardReadError, DestinationError.
    """
    for one in gone:
        copy_in(source, one.found, workspace.store, known=lambda sha: has_good_original(workspace, sha))


def _copy_file(
    workspace: Workspace, source: CardSource, found: Found, sizes: Container[int]
) -> Copied | Refusal:
    """Copy one file and verify the copy; returns a refusal for a file that cannot be read."""
    try:
        return copy_in(
            source,
            found,
            workspace.store,
            known=lambda sha: has_good_original(workspace, sha),
            same_size=sizes.__contains__,
        )
    except CardReadError as trouble:
        return Refusal(path=found.card_path, code="unreadable", reason=str(trouble))


def _stamp(moment: datetime) -> str:
    """ISO 8601 UTC to the second, for the ledger."""
    return moment.isoformat(timespec="seconds").replace("+00:00", "Z")
