"""Fixtures of the tests of filing."""

import pytest
from support_cli import cli
from support_copy import copy_tree
from support_intake import with_target


@pytest.fixture
def backed_up(kept, same_path, two_houses_taken_in):
    """An archive of two houses with a copy of every bag at the target `office`."""
    archive, target = same_path / "archive", same_path / "office"

    def make():
        copy_tree(two_houses_taken_in[0], archive)
        target.mkdir()
        with_target(archive, target, off=False)
        assert cli("backup", archive=archive).status == 0

    kept.put("backed up beside", {"archive": archive, "office": target}, make)
    return archive, target
