"""Runs the `evidence` command in this process, as a user types it, and catches what it prints."""

from __future__ import annotations

import contextlib
import io
import json
import os
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import support_once

from evidence.cli.main import run

support_once.share()


class Today:
    """The date of the moment at which a command gets it: a run of all tests may go on past midnight."""

    def __str__(self) -> str:
        return f"{datetime.now().astimezone().date()}"


CONFIRMED = ("--confirm-date", Today())
"""For a purge of an archive that a test made under several clocks."""


@dataclass
class Ran:
    """What one command came to."""

    status: int
    out: str
    err: str

    @property
    def data(self) -> Any:
        """Its JSON."""
        return json.loads(self.out)


def cli(*arguments: object, archive: Path | None = None, actor: str | None = None) -> Ran:
    """One command; never raises for a status, so that a test can look at it."""
    given = [str(one) for one in arguments]
    if archive is not None:
        given += ["--archive", str(archive)]
    if actor is not None:
        given += ["--actor", actor]
    out, err = io.StringIO(), io.StringIO()
    known = os.environ.pop("EVIDENCE_ARCHIVE", None)
    status = 0
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            run(given)
    except SystemExit as end:
        status = int(end.code or 0)
    finally:
        if known is not None:
            os.environ["EVIDENCE_ARCHIVE"] = known
    return Ran(status, out.getvalue(), err.getvalue())


def make_archive(folder: Path, settings: str = "") -> Path:
    """A new archive below `folder`, one look process, with these lines added to its settings."""
    archive = folder / "archive"
    assert cli("init", archive).status == 0
    with (archive / "evidence.toml").open("a", encoding="utf-8") as file:
        file.write(settings)
    return archive
