"""The copying part of an intake, and a way to kill it at any step."""

from __future__ import annotations

import os
import signal
import traceback
from collections.abc import Callable
from pathlib import Path

from support_cards import read_ledger

from evidence.cards.copying import copy_in
from evidence.cards.files import list_card
from evidence.cards.ledger import Account, Ledger, account, copied, finished, refused, started
from evidence.cards.reading import CardFile, open_on_card
from evidence.cards.volumes import open_source
from evidence.disk.objects import sweep_parts


def run_and_be_killed(work: Callable[[], object]) -> None:
    """Do `work` in a forked process, which must end by SIGKILL."""
    child = os.fork()
    if child == 0:
        try:
            work()
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(1)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status), "the work ended before it came to this step, or its traceback is above"
    assert os.WTERMSIG(status) == signal.SIGKILL


class Killer:
    """Ends this very process with SIGKILL when a given step has come for the nth time."""

    def __init__(self, step: str, nth: int) -> None:
        self._step = step
        self._left = nth

    @property
    def tears(self) -> bool:
        """True when the next entry of the journal is to be torn."""
        return self._step == "torn" and self._left == 1

    def __call__(self, step: str, _path: Path | None = None) -> None:
        if step != self._step:
            return
        self._left -= 1
        if self._left == 0:
            os.kill(os.getpid(), signal.SIGKILL)


def take_in(card: Path, store: Path, journal: Path, at: Killer | None = None) -> Account:
    """The copying part of an intake, as a caller strings it together; every step is told to `at`."""
    told = at or (lambda _step, _path=None: None)
    source = open_source(card)
    sweep_parts(store)
    walk = list_card(source.root)
    sizes = {p.stat().st_size for p in store.glob("??/*")}

    def opener(path: Path) -> CardFile:
        inner = open_on_card(path)
        real = inner.read

        def read(size: int, /) -> bytes:
            data = real(min(size, 30_000))
            told("reading", path)
            return data

        inner.read = read  # type: ignore[method-assign]
        return inner

    with Ledger(journal) as ledger:
        ledger.record(started(source, walk, intake="i", actor="a", at="2026-03-04T00:00:00Z"))
        told("started")
        for refusal in walk.refused:
            ledger.record(refused(refusal))
        for found in walk.found:
            entry = copied(
                copy_in(source, found, store, opener=opener, same_size=sizes.__contains__, on_step=told)
            )
            told("before_record")
            if isinstance(at, Killer) and at.tears:
                with journal.open("ab") as handle:  # half a line, as a kill in the midst of writing leaves
                    handle.write(b'{"event": "kept", "pa')
                told("torn")
            ledger.record(entry)
            told("recorded")
        account_now = account(walk, read_ledger(journal))
        ledger.record(finished(account_now, at="2026-03-04T00:00:01Z"))
    return account(walk, read_ledger(journal))
