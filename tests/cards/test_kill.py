"""Killing the copying at any instant loses nothing and doubles nothing (rule 5), with a real SIGKILL."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from support_cards import a_card, files_below
from support_cards_run import take_in

from evidence.cards.copying import CopyStep, hash_file, place_copy, sweep_folder
from evidence.cards.ledger import read_ledger

pytestmark = pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no SIGKILL on this system")

SUPPORT = Path(__file__).parents[1] / "support"
REPOSITORY = Path(__file__).parents[2]

RUN = """
import sys
from pathlib import Path
from support_cards_run import Killer, take_in
card, store, journal, step, nth = sys.argv[1:]
take_in(Path(card), Path(store), Path(journal), Killer(step, int(nth)))
"""

PLACE = """
import sys
from pathlib import Path
from support_cards_run import Killer
from evidence.cards.copying import hash_file, place_copy
source, dest, step = sys.argv[1:]
place_copy(Path(source), Path(dest), hash_file(Path(source)), on_step=Killer(step, 1))
"""


def run_and_be_killed(code: str, *arguments: object) -> None:
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([str(REPOSITORY), str(SUPPORT)])}
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)],
        env=environment,
        check=False,
        capture_output=True,
        text=True,
    )
    assert done.returncode == -signal.SIGKILL, done.stderr


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
    run_and_be_killed(RUN, card, store, journal, step, nth)

    for path in store.glob("??/*"):  # what has its final name is whole, whatever the instant
        assert hash_file(path) == path.stem
    for entry in read_ledger(journal):
        if entry["event"] == "kept":  # what was acknowledged is there
            assert list(store.glob(f"??/{entry['sha256']}.*"))

    account = take_in(card, store, journal)
    assert account.adds_up, account
    assert not (store / "damaged").exists()
    assert files_below(store / "incoming") == set()
    wanted = {hash_file(p) for p in card.rglob("*") if p.is_file() and not p.name.startswith(".")}
    assert sorted(p.stem for p in store.glob("??/*")) == sorted(wanted)


@pytest.mark.parametrize("step", [step.value for step in CopyStep])
def test_a_killed_placing_is_finished_by_the_next(tmp_path, step):
    source, bag = tmp_path / "IMG_0001.JPG", tmp_path / "bag"
    source.write_bytes(os.urandom(100_000))
    run_and_be_killed(PLACE, source, bag / "IMG_0001.JPG", step)

    assert not (bag / "IMG_0001.JPG").exists() or hash_file(bag / "IMG_0001.JPG") == hash_file(source)
    place_copy(source, bag / "IMG_0001.JPG", hash_file(source))
    sweep_folder(bag)
    assert files_below(bag) == {"IMG_0001.JPG"}
