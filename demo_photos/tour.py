"""The demo: draws a card from the scenario and runs the program's own commands on it, with a sentence before each."""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import io
import json
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from demo_photos.card import build_card, write_assignments  # noqa: E402

SCENARIO = HERE / "scenario.toml"
ROOM_NEEDED = 400_000_000
"""Bytes that must be free on the disk used as the office's."""


class Tour:
    """Runs `evidence` commands as a user types them, all in this process to save start-up time."""

    def __init__(self, archive: Path) -> None:
        os.environ.update(EVIDENCE_ARCHIVE=str(archive), COLUMNS="120")

    def say(self, text: str) -> None:
        print(f"\n{text}", flush=True)

    def run(self, *arguments: str, may_find: bool = False) -> None:
        """Run one command and show its output; with `may_find`, status 1 (it found something) is fine."""
        print(f"$ evidence {' '.join(arguments)}", flush=True)
        status = _status(arguments)
        sys.stdout.flush()
        if status not in ((0, 1) if may_find else (0,)):
            sys.exit(f"The command failed with status {status}; its message is above.")

    def asked(self, *arguments: str) -> object:
        """Run one command and return its JSON."""
        out = io.StringIO()
        with contextlib.redirect_stdout(out):
            _status([*arguments, "--json"])
        return json.loads(out.getvalue())


def _status(arguments: Sequence[str]) -> int:
    from evidence.cli.main import run  # noqa: PLC0415 - the processes that draw import this file too

    try:
        run(list(arguments))
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else 0
    return 0


def main() -> None:
    options = argparse.ArgumentParser(prog="demo_photos", description=__doc__)
    options.add_argument(
        "--out", type=Path, default=HERE / "out", help="where card and archive go (emptied first)"
    )
    out: Path = options.parse_args().out.absolute()
    started = time.monotonic()
    _empty(out)
    card, archive = out / "card", out / "archive"

    print("The demo draws an adjuster's day onto a camera card: it makes every photo below.", flush=True)
    truth = build_card(SCENARIO, card, progress=_drawing)
    write_assignments(SCENARIO, out / "claims.csv")
    print(f"{len(truth.files)} files in {card}, drawn in {time.monotonic() - started:.0f} s.", flush=True)

    tour = Tour(archive)
    tour.say("The office creates an archive and loads the claims.")
    tour.run("init", str(archive))
    office = name_target(archive)
    tour.run("assignments", str(out / "claims.csv"))
    tour.say(
        "It prints a divider sheet per claim and the label cards; the adjuster photographs them at the house."
    )
    tour.run("sheets", str(out / "sheets.pdf"))
    tour.run("labels", str(out / "labels.pdf"))
    tour.say("In the evening the adjuster connects the card. The intake needs no further input.")
    tour.run("intake", str(card), may_find=True)
    tour.say("The result, claim by claim.")
    tour.run("claims")
    tour.say("Where each house begins, why, and how sure the program is.")
    tour.run("segments")
    claims = [one["claim"] for one in tour.asked("claims") if one["coverage"]]  # type: ignore[attr-defined]
    for claim in claims:
        tour.say(f"The proof that claim {claim} has, and what is missing.")
        tour.run("coverage", claim, may_find=True)
    tour.say("Read every copy again and compare it; verify the custody log.")
    tour.run("verify")
    tour.run("custody", "--verify", "--last", "8")
    tour.say("How long each claim is kept.")
    tour.run("retention")
    _where_next(out, archive, office, claims)
    print(f"\nThe whole demo took {time.monotonic() - started:.0f} s.")


def _empty(out: Path) -> None:
    """Remove the output of an earlier demo, and nothing else."""
    if out.exists():
        marker = out / ".demo"
        if any(out.iterdir()) and not marker.exists():
            sys.exit(f"{out} holds other files. Name another folder with --out.")
        for path in out.rglob("*"):
            if path.is_file() and not path.is_symlink():
                path.chmod(0o600)
        shutil.rmtree(out)
    out.mkdir(parents=True)
    (out / ".demo").touch()


def name_target(archive: Path) -> Path | None:
    """Use another disk of this machine as the office's, if there is one; otherwise say that there is none."""
    ours = archive.stat().st_dev
    for candidate in second_disks():
        if (
            not candidate.is_dir()
            or candidate.stat().st_dev == ours
            or shutil.disk_usage(candidate).free < ROOM_NEEDED
        ):
            continue
        office = candidate / office_name(archive)
        shutil.rmtree(office, ignore_errors=True)  # what this archive's own earlier demo copied
        office.mkdir(parents=True)
        with (archive / "evidence.toml").open("a", encoding="utf-8") as settings:
            settings.write(
                f'\n[[target]]\nname = "office"\npath = {json.dumps(str(office))}\noff_computer = true\n'
            )
        print(
            f"The demo uses {office} as the office's disk; a real one is not in this computer.",
            flush=True,
        )
        return office
    print(
        "This machine has no second disk to use as the office's, so the card will not be called safe to erase."
    )
    return None


def second_disks() -> tuple[Path, ...]:
    """Folders that may lie on another disk than the checkout."""
    return (Path("/dev/shm"), Path(tempfile.gettempdir()))  # noqa: S108 - only its file system matters


def office_name(archive: Path) -> str:
    """A folder name that no other user's demo and no other archive's demo has."""
    user = os.getuid() if hasattr(os, "getuid") else 0
    return f"evidence-demo-office-{user}-{hashlib.sha256(os.fsencode(archive.resolve())).hexdigest()[:12]}"


def _drawing(done: int, total: int) -> None:
    if done == total or done % 40 == 0:
        print(f"  drawn {done} of {total}", file=sys.stderr, flush=True)


def _where_next(out: Path, archive: Path, office: Path | None, claims: list[str]) -> None:
    print("\nWhere to look next:")
    print(f"  the originals, one bag a claim:  {archive / 'claims'}")
    print(f"  photos that fit no claim yet:    {archive / 'unassigned'}")
    print(f"  the sheets and label cards:      {out / 'sheets.pdf'}, {out / 'labels.pdf'}")
    if office:
        print(f"  the copy at 'the office':        {office}")
    if claims:
        print(f"  one claim's photos:              evidence photos {claims[0]} --archive {archive}")


if __name__ == "__main__":
    main()
