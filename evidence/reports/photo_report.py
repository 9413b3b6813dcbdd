"""Write a claim's photo report, and record it in the custody log."""

from __future__ import annotations

import hashlib
from datetime import UTC
from pathlib import Path

from PIL import Image

from evidence.analysis import coverage as covering
from evidence.analysis.left_out import left_out_of_report, without_left_out
from evidence.catalog.decisions import ReviewDecision, Sign
from evidence.errors import BadInputError
from evidence.filing.custody_heads import head_text
from evidence.filing.originals import find_original
from evidence.lookup import known_claim
from evidence.model import CONCLUDED, ClaimId
from evidence.paper.output import require_free
from evidence.paper.photo_report import WrittenReport, write_report
from evidence.paper.report_document import Letterhead, ReportContent, ReportOptions, SignOff
from evidence.paper.report_pictures import PictureSource
from evidence.progress import Progress, quiet
from evidence.workspace import Workspace


def photo_report(
    workspace: Workspace,
    claim: str,
    out: Path,
    *,
    options: ReportOptions,
    replace: bool = False,
    progress: Progress = quiet,
) -> WrittenReport:
    """Write the claim's photo report to `out` and record it in the custody log, with the file's SHA-256.

    An existing file is refused unless `replace`.

    Raises BadInputError for an unknown claim, a claim without photos and a file that cannot be written;
    DestinationError when the disk fails.
    """
    number = known_claim(workspace, claim)
    if not replace:
        require_free(out)
    letterhead = _letterhead(workspace)
    row = workspace.catalog.claims.get(number)
    assert row is not None
    records = tuple(workspace.catalog.photos.of_claim(number))
    shown, coverage = without_left_out(
        records, covering.coverage_of(workspace, number), left_out_of_report(workspace, number)
    )
    written = write_report(
        ReportContent(
            claim=row.claim,
            records=records,
            coverage=coverage,
            vocabulary=workspace.vocabulary,
            pictures=PictureSource(
                thumbs=workspace.thumbs,
                original=lambda sha: find_original(workspace, sha),
                memory_mb=workspace.settings.intake.picture_memory_mb,
                timeout_s=workspace.settings.intake.look_timeout_s,
            ),
            made_by=workspace.actor,
            made_at=workspace.now().astimezone(UTC),
            log_head=head_text(workspace),
            sign_off=sign_off(workspace, number) if row.state in CONCLUDED else None,
            left_out=frozenset({one.sha256 for one in records} - {one.sha256 for one in shown}),
            letterhead=letterhead,
            options=options,
        ),
        out,
        replace=replace,
        progress=progress,
    )
    digest = hashlib.sha256(out.read_bytes()).hexdigest()
    workspace.record("report_written", number, name=out.name, sha256=digest, photos=written.photos)
    return written


def _letterhead(workspace: Workspace) -> Letterhead:
    """The office's name and logo; raises BadInputError for a logo that is missing or has a transparent background."""
    office = workspace.settings.office
    if not office.logo:
        return Letterhead(name=office.name)
    path = workspace.root / office.logo  # a whole path stays as it is
    try:
        with Image.open(path) as header:  # reads the header only; a process of its own decodes the picture
            transparent = "A" in header.getbands() or "transparency" in header.info
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as problem:
        raise BadInputError(
            f"The logo {office.logo} cannot be read as a picture.",
            "Check `logo` in [office] of evidence.toml.",
        ) from problem
    if transparent:
        raise BadInputError(
            f"The logo {office.logo} has a transparent background.", "Save it with a white background."
        )
    return Letterhead(name=office.name, logo=path)


def sign_off(workspace: Workspace, claim: ClaimId) -> SignOff | None:
    """The present sign-off; None when there is none or it was taken back."""
    verdicts = workspace.catalog.claims.decisions(ReviewDecision, claim=claim)
    last = verdicts[-1] if verdicts else None
    if last is None or not isinstance(last.decision, Sign):
        return None
    return SignOff(by=last.actor, at=last.at.astimezone(UTC), note=last.decision.note)
