"""Killing a copy at any step leaves nothing half done, with a real SIGKILL."""

from __future__ import annotations

import os

import pytest
from support_cards import files_below
from support_cards_run import Killer, run_and_be_killed

from evidence.disk.copying import copy_file
from evidence.disk.durable import CopyStep, sweep_folder
from evidence.disk.hashing import hash_file

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")


@pytest.mark.parametrize("step", [step.value for step in CopyStep])
def test_a_killed_copy_is_finished_by_the_next(tmp_path, step):
    source, bag = tmp_path / "IMG_0001.JPG", tmp_path / "bag"
    source.write_bytes(os.urandom(100_000))
    digest = hash_file(source)
    killer = Killer(step, 1)
    run_and_be_killed(lambda: copy_file(source, bag / "IMG_0001.JPG", digest, on_step=killer))

    assert not (bag / "IMG_0001.JPG").exists() or hash_file(bag / "IMG_0001.JPG") == hash_file(source)
    copy_file(source, bag / "IMG_0001.JPG", hash_file(source))
    sweep_folder(bag)
    assert files_below(bag) == {"IMG_0001.JPG"}
