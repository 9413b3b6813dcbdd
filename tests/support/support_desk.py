"""An office with something on every page of its desk: closings, holds, a purge plan, disks, drills."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from support_board import put_claim, put_photos
from support_copy import copy_tree

from evidence.board import jobs
from evidence.board.app import make_app
from evidence.filing.backup import back_up
from evidence.filing.drill import Sample, drill
from evidence.model import ClaimId, ClaimState, HoldKind, HoldScope
from evidence.office import holds, retention, targets
from evidence.office.purging import plan_purge
from evidence.workspace import Workspace

CLAIMS = (
    ("OD-2001", "Perpetua Lund", "3 Weir Lane"),
    ("OD-2002", "Casimir Holt", "11 Sluice Street"),
    ("OD-2003", "Ottoline Marsh", "7 Ferry Rise"),
    ("OD-2004", "Ignatius Quill", "40 Tannery Row"),
    ("OD-2005", "Wilhelmina Ardenne", "9 Cooper's Row"),
    ("OD-2006", "Barnaby Thorne", "2 Millrace Court"),
)
CLOSED = {"OD-2001": date(2018, 3, 2), "OD-2002": date(2019, 6, 11), "OD-2003": date(2022, 9, 30)}
"""The first two are due by the shipped rule; the second is held."""
EMPTY = "OD-2006"
"""Loaded by mistake: it has no photos."""
PLANNER = "Ann Example"


def furnish(workspace: Workspace, disk: Path | None = None) -> Workspace:
    """Fill the archive. With `disk` a backup target there, filled, and a drill."""
    for number, insured, address in CLAIMS:
        put_claim(workspace, number, insured=insured, address=address)
        if number != EMPTY:
            put_photos(workspace, number, 3, name=number.replace("-", ""), pictures=True)
    for number, on in CLOSED.items():
        retention.close_claim(workspace, ClaimId(number), on=on)
    workspace.catalog.claims.set_state(ClaimId("OD-2004"), ClaimState.SIGNED)
    holds.place_hold(
        workspace, ClaimId("OD-2002"), reason="suit filed; letter of 3 Sep", kind=HoldKind.LITIGATION
    )
    storm = HoldScope(insured="Quill")
    number = holds.place_hold(workspace, storm, reason="inquiry 77", kind=HoldKind.REGULATOR)
    holds.ask_to_lift(workspace.acting_as(PLANNER, logged_in=True), number, why="inquiry closed")
    if disk is not None:
        targets.add(workspace, "red", disk, off_computer=True)
        workspace = reopened(workspace)
        back_up(workspace)
        drill(workspace, Sample(photos=2, seed=7))
    plan_purge(workspace.acting_as(PLANNER, logged_in=True))
    return workspace


def reopened(workspace: Workspace) -> Workspace:
    """The same archive opened again, with the settings as they are now."""
    return Workspace(workspace.root, actor=workspace.actor)


@pytest.fixture
def office(furnished_archive, tmp_path):
    copy_tree(furnished_archive, tmp_path / "office")
    with Workspace(tmp_path / "office", actor="office clerk") as opened:
        yield opened


@pytest.fixture
def desk_app(office, clock, monkeypatch):
    """The board on that archive; its pages wait for the end of a step, however slow the computer is."""
    monkeypatch.setattr(jobs, "PAGE_WAIT_S", 120.0)
    return make_app(office, background=False, clock=clock)
