"""Compare the computer's date with the custody log and the files, before a purge is planned or run."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime

from evidence.archive.custody_index import word_hash
from evidence.archive.custody_lines import HOUR, action_and_time, parse_line, utc_text
from evidence.errors import BadInputError, CustodyError, PurgeRefusedError
from evidence.retention.clock import LoggedTime, clock_trouble
from evidence.workspace import Workspace

CONFIRMED = "date_confirmed"
"""The action of the custody entry by which a person confirms the date."""


def require_right_date(
    workspace: Workspace, *, confirmed: date | None = None, by_index: bool = False
) -> None:
    """Raise PurgeRefusedError when the date may be wrong and nobody confirmed it since.

    Reads every line of the custody log. With `by_index` the log's index gives the times, for a page that only shows it;
    what removes anything reads the log itself.

    `confirmed` is the date that a person says it is: it must be the computer's, else BadInputError; it is recorded.
    """
    now = workspace.now()
    today = now.astimezone().date()
    newest = _newest_file(workspace)
    if confirmed is not None:
        if confirmed != today:
            raise BadInputError(
                f"The computer's date is {today}, not {confirmed}.",
                "Set the computer's clock and run it again.",
            )
        workspace.record(
            CONFIRMED, "clock", date=today.isoformat(), newest_file=newest.isoformat() if newest else None
        )
    times = _indexed(workspace) if by_index else _logged(workspace.custody.lines())
    trouble = clock_trouble(now, times, newest_file=newest)
    if trouble:
        raise PurgeRefusedError(
            f"The date may be wrong: {trouble}.",
            f"If today is {today}, run it again with --confirm-date {today}. If not, set the computer's clock first.",
        )


def _logged(lines: Iterable[bytes], hour: bytes = b"") -> Iterator[LoggedTime]:
    """The times of these entries, one for each run of entries of the same hour: jumps are counted in days.

    `hour` is that of the entry before.
    """
    for line in lines:
        known = action_and_time(line)  # a log has millions of lines, and only a confirmation's details count
        if known and known[1][:HOUR] == hour and known[0] != CONFIRMED.encode():
            continue
        if known is None:
            raise CustodyError(
                "A line of the custody log is not an entry, so the date cannot be compared with it.",
                "Run `evidence custody --verify`.",
            )
        action, at = known
        hour = at[:HOUR]
        entry, _ = parse_line(line) if action == CONFIRMED.encode() else (None, "")
        file = entry.details.get("newest_file") if entry else None
        yield LoggedTime(
            at=datetime.fromisoformat(at.decode()),
            confirms=entry is not None,
            newest_file=datetime.fromisoformat(file) if isinstance(file, str) else None,
        )


def _indexed(workspace: Workspace) -> Iterator[LoggedTime]:
    """The same for the whole log, from its index where that goes; blocks with a confirmation are read from the log."""
    log, hour = workspace.custody, b""
    blocks, confirmed = log.index.blocks(), [word_hash(CONFIRMED)]
    for content in log.index.contents(blocks):
        if content.may_hold(confirmed):
            found = list(_logged(log.lines(content.block.start, content.block.end), hour))
        else:
            hours = content.hours
            same = hours and _hour_of(hours[0]) == hour  # as the entry before the block
            found = [LoggedTime(at=at) for at in hours[1 if same else 0 :]]
        yield from found
        hour = _hour_of(found[-1].at) if found else hour
    yield from _logged(log.lines(blocks[-1].end if blocks else 0), hour)


def _hour_of(at: datetime) -> bytes:
    return utc_text(at)[:HOUR].encode()


def _newest_file(workspace: Workspace) -> datetime | None:
    """When the newest of the files was written that each intake and each filing of a bag writes."""
    newest = 0.0
    for pattern in ("ledgers/*", "records/**/*", "claims/*/bag-info.txt", "custody/custody.jsonl"):
        for path in workspace.root.glob(pattern):
            with contextlib.suppress(OSError):
                newest = max(newest, path.stat().st_mtime)
    return datetime.fromtimestamp(newest, tz=UTC) if newest else None
