"""Killing the copying at any instant loses nothing and doubles nothing (rule 5), with a real SIGKILL."""

from __future__ import annotations

import os

import pytest
from support_cards import a_card, files_below, read_ledger
from support_cards_run import Killer, run_and_be_killed, take_in

from evidence.disk.durable import CopyStep
from evidence.disk.hashing import hash_file

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")

STEPS = [
    *[(step.value, 2) for step in CopyStep],
    ("started", 1),
    ("reading", 2),
    ("reading", 4),
    ("before_record", 2),
    ("torn", 1),
    ("recorded", 1),
    ("recorded", 11),
]


@pytest.mark.parametrize(("step", "nth"), STEPS)
def test_a_killed_intake_is_finished_by_the_next(tmp_path, step, nth):
    card, store, journal = a_card(tmp_path / "card"), tmp_path / "store", tmp_path / "journal.jsonl"
    run_and_be_killed(lambda: take_in(card, store, journal, Killer(step, nth)))

    for path in store.glob("??/*"):  # what has its final name is whole, whatever the instant
        assert hash_file(path) == path.stem
    for entry in read_ledger(journal):
        if entry["event"] == "kept":  # what was acknowledged is there
            assert list(store.glob(f"??/{entry['sha256']}.*"))

    account = take_in(card, store, journal)
    assert account.adds_up, account
    assert not list(store.glob("??/*.damaged"))
    assert files_below(store / "incoming") == set()
    wanted = {hash_file(p) for p in card.rglob("*") if p.is_file() and not p.name.startswith(".")}
    assert sorted(p.stem for p in store.glob("??/*")) == sorted(wanted)
