"""The custody log as the desk shows it: entries that match, the newest first, a page at a time."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from datetime import date, timedelta
from itertools import islice
from urllib.parse import urlencode

from evidence.archive.custody import Entry
from evidence.archive.custody_index import BLOCK, Block, BlockContent, word_hash
from evidence.archive.custody_texts import NO_TEXT, TextFiles
from evidence.workspace import Workspace

PER_PAGE = 100
"""Entries on one page."""
MOST_LOOKED = 20_000
"""Entries that one page looks at: about half a second."""
NAMES_FROM = 2000
"""So many of the newest entries give the names and actions that a field suggests."""
MOST_DETAIL = 160
"""Characters of one detail that are shown."""
_DIGEST = re.compile(r"[0-9a-f]{32,}")


@dataclass(frozen=True, slots=True, kw_only=True)
class LogFilter:
    """Which entries to show; an empty field does not filter."""

    about: str = ""
    """A claim, a digest, or the name of anything: the whole subject, or a whole value of the details."""
    who: str = ""
    what: str = ""
    since: str = ""
    """The first day, ISO."""
    until: str = ""
    """The last day, ISO."""

    def query(self, before: int = 0) -> str:
        """The filter as the query of an address; with `before` only entries of a lower number."""
        chosen: dict[str, object] = {name: value for name, value in asdict(self).items() if value}
        return urlencode(chosen | ({"before": before} if before else {}))


@dataclass(frozen=True, slots=True, kw_only=True)
class LogPage:
    """One page of the log."""

    entries: tuple[Entry, ...]
    """The newest first."""
    before: int
    """The next page has entries of a lower number; 0 when this is the last page."""
    looked_at: tuple[int, int] | None
    """First and last number of the entries that were looked at, when there were too many for one page."""
    length: int
    """Entries of the whole log."""
    people: tuple[str, ...]
    """Who may be looked for: everyone registered, and who wrote one of the newest entries."""
    actions: tuple[str, ...]
    """Actions of the newest entries."""


def log_page(workspace: Workspace, chosen: LogFilter, *, before: int = 0) -> LogPage:
    """The newest entries that match, of a lower number than `before`.

    Looks at `MOST_LOOKED` entries at most, from the newest on; blocks of the log's index that hold none are skipped.
    """
    custody, found = workspace.custody, list[Entry]()
    first = last = 0
    skip = _Skip(chosen, custody.texts) if chosen.query() else None
    for looked, entry in enumerate(custody.newest(before=before, skip=skip)):
        if looked == MOST_LOOKED or len(found) == PER_PAGE:
            break
        first, last = entry.seq, last or entry.seq
        if _matches(entry, chosen):
            found.append(entry)
    else:
        first = 0
    recent = list(islice(custody.newest(texts=False), NAMES_FROM))
    people = {one.name for one in workspace.catalog.users.all()} | {one.actor for one in recent}
    more = first > 1
    return LogPage(
        entries=tuple(found),
        before=first if more else 0,
        looked_at=(first, last) if more and len(found) < PER_PAGE else None,
        length=custody.head().seq,
        people=tuple(sorted(people)),
        actions=tuple(sorted({one.action for one in recent})),
    )


class _Skip:
    """Chooses the blocks of the log in which no entry can match a filter."""

    def __init__(self, chosen: LogFilter, texts: TextFiles) -> None:
        self._chosen = chosen
        self._texts = texts
        self._exact = [[word_hash(word)] for word in (chosen.who, chosen.what) if word]
        self._about = [word_hash(chosen.about)] if chosen.about else []
        self._anywhere = not chosen.about or _may_be_no_string(chosen.about)

    def __call__(self, content: BlockContent) -> bool:
        """True when the block needs not be read."""
        chosen, block = self._chosen, content.block
        if chosen.since and (block.latest + timedelta(days=1)).date() < date.fromisoformat(chosen.since):
            return True
        if chosen.until and (block.earliest - timedelta(days=1)).date() > date.fromisoformat(chosen.until):
            return True
        if not all(content.may_hold(one) for one in self._exact):
            return True
        return not (self._anywhere or content.may_hold(self._about) or self._has_text(block))

    def _has_text(self, block: Block) -> bool:
        """True when a free text of the block may be what is looked for."""
        return self._texts.may_hold(block.first_seq, block.first_seq + BLOCK - 1, self._chosen.about)


def _may_be_no_string(text: str) -> bool:
    """True for what a number, a truth value, an object or a removed text is shown as: the index holds strings alone."""
    if text.casefold() in {"true", "false", "none", NO_TEXT} or text.startswith("{"):
        return True
    try:
        float(text)
    except ValueError:
        return False
    return True


def _matches(entry: Entry, chosen: LogFilter) -> bool:
    day = entry.at.astimezone().date()
    return (
        (not chosen.who or entry.actor == chosen.who)
        and (not chosen.what or entry.action == chosen.what)
        and (not chosen.since or day >= date.fromisoformat(chosen.since))
        and (not chosen.until or day <= date.fromisoformat(chosen.until))
        and (not chosen.about or chosen.about.casefold() in {one.casefold() for one in _words(entry)})
    )


def _words(entry: Entry) -> Iterator[str]:
    yield str(entry.subject)
    for value in entry.details.values():
        if isinstance(value, list | tuple):
            yield from map(str, value)
        else:
            yield str(value)


def detail_words(entry: Entry) -> str:
    """The details for people: `hold: 3; reason: suit filed`; digests by their first digits."""
    return "; ".join(
        f"{name.replace('_', ' ')}: {_value_words(value)}"
        for name, value in entry.details.items()
        if name != "key" and _is_something(value)
    )


def _is_something(value: object) -> bool:
    return value not in ("", None, [], {})


def _value_words(value: object) -> str:
    if isinstance(value, Mapping):
        text = ", ".join(f"{name} {_value_words(one)}" for name, one in value.items() if _is_something(one))
    elif isinstance(value, list | tuple):
        text = ", ".join(map(_value_words, value))
    else:
        text = {True: "yes", False: "no"}.get(value, str(value)) if isinstance(value, bool) else str(value)
    if _DIGEST.fullmatch(text):
        return f"{text[:12]}…"
    return text if len(text) <= MOST_DETAIL else f"{text[:MOST_DETAIL]}…"
