"""The commands that prove what is kept: read it back, check a bag, restore a sample."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from evidence.cli import card_lines
from evidence.cli.common import FINDINGS, OFFICE, Actor, Archive, Json, emit, opened, progress_shown
from evidence.errors import BadInputError, counted
from evidence.plain_words import size_text, typed_size, typed_span

if TYPE_CHECKING:
    from collections.abc import Iterator

    from evidence.archive.bagcheck import BagCheck
    from evidence.filing.drill import DrillReport
    from evidence.filing.verify import VerifyReport
    from evidence.model import Finding


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    for command in (verify, check, drill):
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

    Reads the bags in the archive and at every backup target, and the archive's own files there. With --for or --bytes
    it reads the files that were read back longest ago, and the next run continues. The last lines say which earlier cards may be erased now.
    """
    from evidence.codec import to_json
    from evidence.filing import card_safety
    from evidence.filing.verify import Budget
    from evidence.filing.verify import verify as verify_bags

    budget = Budget(
        seconds=typed_span(duration, "--for") if duration else None,
        octets=typed_size(most, "--bytes") if most else None,
    )
    with opened(archive, actor) as here, progress_shown() as progress:
        report = verify_bags(here, budget=budget, progress=progress)
        cards = card_safety.judge_cards(here)
    emit(
        as_json,
        {**to_json(report), "cards": to_json(cards)},
        lambda: [*_verify_lines(report), *card_lines.card_summary(cards)],
    )
    if report.bad or report.missing:
        raise typer.Exit(FINDINGS)


def check(
    bags: Annotated[list[Path], typer.Argument(metavar="BAG", help="The folder of a bag.")],
    as_json: Json = False,
) -> None:
    """Check any bag by the BagIt standard (RFC 8493).

    Says whether each bag is valid, complete or incomplete, and lists every finding. Needs no archive.
    """
    from evidence.archive.bagcheck import PayloadReading, check_bag

    for bag in bags:
        if not (bag / "bagit.txt").is_file():
            raise BadInputError(
                f"{bag} is not a bag: it has no file bagit.txt.",
                "Name the folder that holds bagit.txt; unpack a packed bag first.",
            )
    done: list[tuple[Path, BagCheck]] = []
    with progress_shown() as progress:
        for bag in bags:
            read = [0]

            def show(octets: int, read: list[int] = read, total: int = _payload_size(bag)) -> None:
                read[0] += octets
                progress("Reading, MB", min(read[0], total) // 10**6, -(-total // 10**6))

            done.append((bag, check_bag(bag, reading=PayloadReading(on_read=show))))
    data = [
        {
            "bag": str(bag),
            "verdict": _verdict(one),
            "files": one.checked,
            "octets": one.octets,
            "errors": one.bad,
            "missing": one.missing,
            "unlisted": one.unlisted,
            "warnings": one.warnings,
        }
        for bag, one in done
    ]
    emit(as_json, {"bags": data}, lambda: [line for bag, one in done for line in _check_lines(bag, one)])
    if not all(one.valid for _, one in done):
        raise typer.Exit(FINDINGS)


def _payload_size(bag: Path) -> int:
    return sum(path.lstat().st_size for path in (bag / "data").rglob("*") if not path.is_dir())


def _verdict(check: BagCheck) -> str:
    return "valid" if check.valid else "complete" if check.complete else "incomplete"


def _check_lines(bag: Path, check: BagCheck) -> Iterator[str]:
    what = {
        "valid": "valid",
        "complete": "complete, but NOT valid: files have changed",
        "incomplete": "NOT complete and NOT valid",
    }
    yield f"{bag}: {what[_verdict(check)]}. {counted(check.checked, 'file')} ({size_text(check.octets)}) read."
    yield from (f"  error: {one.message}" for one in check.bad)
    yield from (f"  missing: {path}" for path in check.missing)
    yield from (f"  not in a manifest: {path}" for path in check.unlisted)
    yield from (f"  warning: {one.message}" for one in check.warnings)


def drill(
    photos: Annotated[
        int | None, typer.Option("--photos", min=1, help="Files to restore from each target; 20 by default.")
    ] = None,
    claims: Annotated[
        int | None, typer.Option("--claims", min=1, help="Restore so many whole claims instead.")
    ] = None,
    target: Annotated[str | None, typer.Option("--target", help="Only this backup target.")] = None,
    seed: Annotated[
        int | None, typer.Option("--seed", help="Choose the same sample again; random by default.")
    ] = None,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Restore a random sample from each backup target and check it.

    The files go to a temporary folder, which is deleted. The custody log records the drill.
    """
    if photos and claims:
        raise BadInputError("A drill restores files or whole claims.", "Leave out --photos or --claims.")
    from evidence.filing import drill as drilling

    sample = drilling.Sample(
        photos=photos or drilling.USUAL_PHOTOS,
        claims=claims,
        seed=drilling.new_seed() if seed is None else seed,
    )
    with opened(archive, actor) as here, progress_shown() as progress:
        report = drilling.drill(here, sample, target=target, progress=progress)
    emit(as_json, report, lambda: _drill_lines(report))
    if report.failed:
        raise typer.Exit(FINDINGS)


def _drill_lines(report: DrillReport) -> Iterator[str]:
    for one in report.targets:
        what = f"{counted(one.files, 'file')} ({size_text(one.octets)})"
        whole = f" of {counted(len(one.claims), 'whole claim')}" if one.claims else ""
        yield f"{one.target}: {what}{whole} chosen for a restore, {counted(len(one.failures), 'finding')}."
        yield from (f"  {finding.subject}: {finding.message}" for finding in one.failures)
    yield f"The sample's seed is {report.seed}; --seed {report.seed} chooses the same files again."


_TAG_FILES = frozenset({"bagit.txt", "bag-info.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt"})
"""Files of a bag beside its originals (RFC 8493)."""


def _verify_lines(report: VerifyReport) -> Iterator[str]:
    unread = sum(one.code == "unreachable" for one in report.missing)
    away = f", {counted(unread, 'place')} not read" if unread else ""
    yield (
        f"{counted(report.checked, 'file')} ({size_text(report.octets)}) read and compared, "
        f"{len(report.bad)} bad, {len(report.missing) - unread} missing{away}."
    )
    yield from (f"  {_found(one)}" for one in (*report.bad, *report.missing))
    if any(_is_record(one) for one in (*report.bad, *report.missing)):
        yield "Lists, records and sidecars of bags are bad; to make them anew: evidence repair --all"
    if report.litter:
        were = counted(len(report.litter), "file")
        yield f"{were} that an operating system left in a bag, which harms nothing and may be deleted:"
        yield from (f"  {path}" for path in report.litter)
    if report.left_files:
        yield f"{counted(report.left_files, 'copy', 'copies')} ({size_text(report.left_octets)}) {'was' if report.left_files == 1 else 'were'} not read in this run."
    if report.never:
        yield f"{counted(report.never, 'copy has', 'copies have')} never been read back and matched."
    if report.oldest:
        yield f"The oldest read-back of a copy is of {report.oldest:%Y-%m-%d %H:%M} UTC."


def _is_record(finding: Finding) -> bool:
    """True for a file of a bag that is no original: repair replaces it only when it reads every file."""
    from evidence.archive.names import SIDECAR

    path = finding.subject.rpartition(": ")[2]
    record = path in _TAG_FILES or path.startswith("records/") or path.endswith(SIDECAR)
    return record and finding.code not in {"unreachable", "not_expected", "not_recorded"}


def _found(finding: Finding) -> str:
    """A finding with its place; a path that its message begins with is not printed twice."""
    where, _, path = finding.subject.rpartition(": ")
    again = bool(where) and finding.message.startswith(path)
    return f"{where if again else finding.subject}: {finding.message}"
