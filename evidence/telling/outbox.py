"""Messages about cards that are still to be sent. The file names intakes only; each text is made when it is sent."""

from __future__ import annotations

import json
import logging
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from evidence.codec import from_json, to_json
from evidence.disk.durable import discard_replaced, replace_file
from evidence.disk.faults import writing
from evidence.errors import BadInputError, EvidenceError, TellingError
from evidence.model import IntakeId
from evidence.reports.card_result import CardOutcome, card_outcome
from evidence.telling.channels import CardMessage, Send, channels
from evidence.workspace import Workspace

log = logging.getLogger(__name__)

FILE = "to-tell.json"
"""In the archive's folder; it may be deleted."""
FIRST_PAUSE = timedelta(minutes=1)
LONGEST_PAUSE = timedelta(hours=1)
GIVE_UP = timedelta(days=3)
"""How long a message is tried; a later one would be no news."""

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class ToTell:
    """One message on one way."""

    intake: IntakeId
    channel: str
    since: datetime
    """Aware, UTC."""
    due: datetime
    tries: int = 0


def card_message(outcome: CardOutcome) -> CardMessage:
    """The message about a card."""
    return CardMessage(
        subject=f"Card {outcome.label}: {outcome.verdict_words}",
        text=outcome.text(),
        data={
            "intake": outcome.intake,
            "card": outcome.label,
            "photos": outcome.photos,
            "files": outcome.files,
            "safe_to_erase": outcome.verdict.safe_to_erase,
            "only_for_files_seen": outcome.grows,
            "judged_at": outcome.judged_at.isoformat(timespec="seconds"),
            "claims": [
                {"claim": house.claim, "photos": len(house.photos), "missing": list(house.lacks)}
                for house in outcome.claims
            ],
        },
    )


def tell(workspace: Workspace, intake: IntakeId, say: Say) -> None:
    """Send the result of a card on every way that the settings name; what fails is kept and tried again.

    Never raises for a failure of sending: each is said. A newer message about a card replaces one that waits.
    """
    now = workspace.now()
    waiting = [one for one in _read(workspace) if one.intake != intake]
    waiting += [
        ToTell(intake=intake, channel=channel, since=now, due=now)
        for channel in channels(workspace.settings.tell)
    ]
    _send_due(workspace, waiting, say)


def tell_again(workspace: Workspace, say: Say) -> None:
    """Send what is due of the messages that could not be sent before."""
    if (workspace.root / FILE).exists():
        waiting = _read(workspace)
        if any(one.due <= workspace.now() for one in waiting):
            _send_due(workspace, waiting, say)


def _send_due(workspace: Workspace, waiting: list[ToTell], say: Say) -> None:
    ways = channels(workspace.settings.tell)
    left: list[ToTell] = []
    messages: dict[IntakeId, CardMessage | None] = {}
    for one in waiting:
        if one.channel not in ways:
            continue
        if one.due > workspace.now():
            left.append(one)
            continue
        if one.intake not in messages:
            messages[one.intake] = _message(workspace, one.intake)
        message = messages[one.intake]
        if message is not None and (again := _send(workspace, one, ways[one.channel], message, say)):
            left.append(again)
    try:
        _write(workspace, left)
    except EvidenceError as trouble:
        say(f"The list of messages that wait was not written: {trouble}")


def _message(workspace: Workspace, intake: IntakeId) -> CardMessage | None:
    """None when the catalog no longer has the intake."""
    try:
        return card_message(card_outcome(workspace, intake))
    except BadInputError:
        return None


def _send(workspace: Workspace, one: ToTell, send: Send, message: CardMessage, say: Say) -> ToTell | None:
    """None when it was sent or is given up; else the message with the time of the next try."""
    try:
        send(message)
    except TellingError as trouble:
        log.warning("telling_failed channel=%s why=%s", one.channel, trouble.message)
        if workspace.now() - one.since > GIVE_UP:
            say(f"The {one.channel} about a card was not sent, and is given up after 3 days: {trouble}")
            return None
        pause = min(FIRST_PAUSE * 2 ** min(one.tries, 10), LONGEST_PAUSE)
        minutes = round(pause.total_seconds() / 60)
        say(f"The {one.channel} about a card was not sent: {trouble} It is tried again in {minutes} min.")
        return replace(one, due=workspace.now() + pause, tries=one.tries + 1)
    log.info("told channel=%s intake=%s", one.channel, one.intake)
    return None


def _read(workspace: Workspace) -> list[ToTell]:
    """None of them when the file is missing or damaged."""
    try:
        return list(from_json(tuple[ToTell, ...], json.loads((workspace.root / FILE).read_bytes())))
    except (OSError, ValueError, TypeError, KeyError):
        return []


def _write(workspace: Workspace, waiting: list[ToTell]) -> None:
    path = workspace.root / FILE
    with writing(path):
        if waiting:
            replace_file(path, json.dumps(to_json(waiting)).encode())
        else:
            discard_replaced(path)
