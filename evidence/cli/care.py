"""The commands that prove what is kept: read it back, check a bag, restore a sample."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Annotated

import typer

from evidence.cli.common import FINDINGS, OFFICE, Actor, Archive, Json, emit, opened, progress_shown
from evidence.errors import BadInputError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from evidence.filing.verify import VerifyReport

_SECONDS = {"s": 1, "m": 60, "h": 3600}
_OCTETS = {"": 1, "K": 10**3, "M": 10**6, "G": 10**9, "T": 10**12}


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    for command in (verify,):
        app.command(rich_help_panel=OFFICE)(command)


def verify(
    duration: Annotated[
        str | None,
        typer.Option(
            "--for", metavar="TIME", help="Begin no file after this time, for example 30m or 1h30m."
        ),
    ] = None,
    most: Annotated[
        str | None, typer.Option("--bytes", metavar="SIZE", help="Read at most this much, for example 50G.")
    ] = None,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Compare every file of every bag with its manifest.

    Reads the bags in the archive and at every backup target. With --for or --bytes it reads the files that were
    read back longest ago, and the next run continues.
    """
    from evidence.filing.verify import Budget
    from evidence.filing.verify import verify as verify_bags

    budget = Budget(
        seconds=as_seconds(duration, "--for") if duration else None,
        octets=as_octets(most, "--bytes") if most else None,
    )
    with opened(archive, actor) as here, progress_shown() as progress:
        report = verify_bags(here, budget=budget, progress=progress)
    emit(as_json, report, lambda: _verify_lines(report))
    if report.bad or report.missing:
        raise typer.Exit(FINDINGS)


def _verify_lines(report: VerifyReport) -> Iterator[str]:
    yield (
        f"{report.checked} files ({as_size(report.octets)}) read and compared, "
        f"{len(report.bad)} bad, {len(report.missing)} missing."
    )
    yield from (f"  {one.subject}: {one.message}" for one in (*report.bad, *report.missing))
    if report.left_files:
        yield f"{report.left_files} copies ({as_size(report.left_octets)}) were not read in this run."
    if report.never:
        yield f"{report.never} copies have never been read back and matched."
    if report.oldest:
        yield f"The oldest read-back of a copy is of {report.oldest:%Y-%m-%d %H:%M} UTC."


def as_size(octets: int) -> str:
    """Bytes for people, in decimal units as disks are sold."""
    for unit, factor in (("TB", 10**12), ("GB", 10**9), ("MB", 10**6), ("kB", 10**3)):
        if octets >= factor:
            return f"{octets / factor:.1f} {unit}"
    return f"{octets} bytes"


def as_seconds(text: str, option: str) -> float:
    """Parse a time such as 90s, 30m or 1h30m; raises BadInputError."""
    match = re.fullmatch(r"(?:(\d+)h)?(?:(\d+)m)?(?:(\d+)s)?", text.strip().lower())
    seconds = (
        sum(int(n or 0) * _SECONDS[u] for n, u in zip(match.groups(), "hms", strict=True)) if match else 0
    )
    if not seconds:
        raise BadInputError(f"{option}: '{text}' is not a time.", "Write it as 30m, 2h or 1h30m.")
    return seconds


def as_octets(text: str, option: str) -> int:
    """Parse a size such as 500M or 1.5G, decimal units; raises BadInputError."""
    match = re.fullmatch(r"(\d+(?:\.\d+)?)([KMGT]?)B?", text.strip().upper())
    octets = int(float(match[1]) * _OCTETS[match[2]]) if match else 0
    if not octets:
        raise BadInputError(f"{option}: '{text}' is not a size.", "Write it as 500M, 50G or 2T.")
    return octets
