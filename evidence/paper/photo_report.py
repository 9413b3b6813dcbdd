"""The photo report as a PDF: cover, the house at a glance, damage summary, the photos in the order of the walk, lists.

Letter paper, one embedded typeface, PDF/A-2b, tagged. A guess is printed as a guess and does not count as shown. The
camera's own time is always printed beside a corrected one. Only the pictures are read from files.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from fpdf.prefs import ViewerPreferences

from evidence.codec import to_json
from evidence.errors import BadInputError
from evidence.model import PICTURE_KINDS, Finding, PhotoRecord, Sha256
from evidence.paper.captions import APART, PhotoGroup, group_by_walk, is_sheet
from evidence.paper.house import claim_house
from evidence.paper.output import write_whole
from evidence.paper.page_writer import GREY, MARGIN, PALE, WIDTH, PageWriter, printable_line
from evidence.paper.report_cover import cover
from evidence.paper.report_document import APART_PER_PAGE, ReportContent, ReportDocument
from evidence.paper.report_lists import appendix, index
from evidence.paper.report_pages import photo_pages
from evidence.paper.report_pictures import LADDER, Fineness, PictureLoader
from evidence.paper.report_summary import summary
from evidence.paper.typesetting import LETTER, open_pdf
from evidence.progress import Progress, quiet

STANDARD = "PDF/A-2B"
"""ISO 19005-2, conformance level B: the file itself holds all that its looks depend on."""

SIDES = {2: 1400, 4: 1000, 6: 800}
"""Pixels of a picture's long side by photos per page: 270 to 300 dots per inch, 240 from a thumbnail at two."""

PAGE_COUNT = "\N{SOFT HYPHEN}" * 4
"""Printed in place of the number of pages until it is known. `printable_line` removes such characters from all texts."""

PER_PAGE = (2, 4, 6)

MEGABYTE = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenReport:
    """The size of a written report."""

    pages: int
    photos: int
    without_picture: tuple[Sha256, ...]
    """Photos whose files gave no picture; a frame on their page says so."""
    bytes: int
    reduced: bool
    """True when the pictures were reduced so that the file fits."""
    without_logo: bool
    """True when the office's logo gave no picture."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Made:
    data: bytearray
    picture_bytes: int
    document: ReportDocument
    pages: int


def write_report(
    content: ReportContent, out: Path, *, replace: bool = True, progress: Progress = quiet
) -> WrittenReport:
    """Write the report to `out`; on a failure an older file there is unchanged, and without `replace` it stays.

    Raises BadInputError for a claim without photos, another number of photos per page than 2, 4 or 6, a largest size
    that cannot be kept, and a place that cannot be written; DestinationError when the disk fails.
    """
    options = content.options
    if options.per_page not in PER_PAGE:
        raise BadInputError(f"{options.per_page} photos per page is not a layout.", "Choose 2, 4 or 6.")
    if options.max_mb is not None and not options.max_mb > 0:
        raise BadInputError(
            f"{options.max_mb:g} MB is no size.", "Give a number above 0, such as --max-mb 20."
        )
    if not any(record.kind in PICTURE_KINDS for record in content.records):
        raise BadInputError(f"Claim {content.claim.claim} has no photos.", "Take its card in first.")
    if out.is_dir() or not out.parent.is_dir():
        raise BadInputError(f"{out} cannot be written.", "Give a file in a folder that exists.")
    made, fineness = _fitted(content, progress)
    write_whole(made.data, out, replace=replace)
    return WrittenReport(
        pages=made.pages,
        photos=len(made.document.photos),
        without_picture=tuple(made.document.without_picture),
        bytes=len(made.data),
        reduced=fineness != LADDER[0],
        without_logo=made.document.without_logo,
    )


def _fitted(content: ReportContent, progress: Progress) -> tuple[_Made, Fineness]:
    """The finest report that is not larger than the options allow."""
    made = _make(content, LADDER[0], progress)
    if content.options.max_mb is None:
        return made, LADDER[0]
    most = content.options.max_mb * MEGABYTE
    full, fineness = made.picture_bytes, LADDER[0]
    for step in LADDER[1:]:
        if len(made.data) <= most:
            break
        rest = len(made.data) - made.picture_bytes
        if rest + full * step.cost > most and step != LADDER[-1]:
            continue  # it would not fit either
        made, fineness = _make(content, step, progress), step
    if len(made.data) > most:
        raise BadInputError(
            f"The report needs {len(made.data) / MEGABYTE:.1f} MB with the smallest pictures; "
            f"{content.options.max_mb:g} MB are allowed.",
            "Allow more with --max-mb, print more photos a page with --per-page 6, or send a link instead of the file.",
        )
    return made, fineness


def _make(content: ReportContent, fineness: Fineness, progress: Progress) -> _Made:
    title = f"Photo report, claim {printable_line(content.claim.claim, 80)}"
    with open_pdf([_every_text(content)], title=title, standard=STANDARD) as pdf:
        pdf.set_author(printable_line(content.letterhead.name or content.made_by, 80))
        pdf.set_subject(f"Photos of claim {printable_line(content.claim.claim, 80)}")
        pdf.set_creation_date(content.made_at)
        pdf.viewer_preferences = ViewerPreferences(display_doc_title=True)
        pdf.alias_nb_pages(PAGE_COUNT)
        document = _new_document(content, PageWriter(pdf), fineness)
        pdf.footer = lambda: _draw_footer(document)  # type: ignore[method-assign]
        with document.pictures:
            cover(document)
            summary(document)
            photo_pages(document, progress)
            index(document)
            appendix(document)
        data = pdf.output()
        return _Made(
            data=data, picture_bytes=document.pictures.bytes, document=document, pages=pdf.pages_count
        )


def _new_document(content: ReportContent, writer: PageWriter, fineness: Fineness) -> ReportDocument:
    printed: list[PhotoRecord] = []
    others: list[PhotoRecord] = []
    for record in content.records:
        kept = record.kind in PICTURE_KINDS and record.sha256 not in content.left_out
        kept = kept and (content.options.sheets or not is_sheet(record))
        (printed if kept else others).append(record)
    groups = group_by_walk(printed, content.vocabulary, signed=content.sign_off is not None)
    ordered = [record.sha256 for group in groups for record in group.photos]
    ordered += [record.sha256 for record in others]
    flags: dict[Sha256, list[Finding]] = {}
    for flag in content.coverage.flags:
        flags.setdefault(Sha256(flag.subject), []).append(flag)
    stays = [
        record
        for record in content.records
        if record.kind in PICTURE_KINDS and record.sha256 not in content.left_out
    ]
    house = claim_house(stays, content.vocabulary, content.coverage)
    return ReportDocument(
        content=content,
        writer=writer,
        pictures=PictureLoader(content.pictures, _wanted(groups, content.options.per_page), fineness),
        house=house.house,
        plan=house.plan,
        bearing=house.bearing,
        groups=groups,
        others=tuple(others),
        numbers={sha: number for number, sha in enumerate(ordered, start=1)},
        links={sha: writer.pdf.add_link(page=1) for sha in ordered},
        flags=flags,
    )


def _wanted(groups: tuple[PhotoGroup, ...], per_page: int) -> Iterator[tuple[PhotoRecord, int]]:
    """Each photo in the order of printing, with the pixels of its long side."""
    for group in groups:
        photos = APART_PER_PAGE if group.title in APART else per_page
        yield from ((record, SIDES[photos]) for record in group.photos)


def _draw_footer(document: ReportDocument) -> None:
    writer, pdf = document.writer, document.writer.pdf
    y = LETTER[1] - 0.52
    writer.rule(MARGIN, y - 0.06, WIDTH, weight=0.006, colour=PALE)
    made = f"Photo report made {document.content.made_at:%Y-%m-%d %H:%M} UTC by {document.content.made_by}"
    with writer.artifact():
        (line,) = writer.fit_lines(made, width=WIDTH - 1.1, size=8, most=1)
        writer.text(line, MARGIN, y, size=8, colour=GREY)
        writer.text(f"Page {pdf.page_no()} of {PAGE_COUNT}", LETTER[0] - MARGIN - 0.9, y, size=8, colour=GREY)


def _every_text(content: ReportContent) -> str:
    """All text that may be printed: the data and the captions made from it."""
    data = [
        content.claim,
        [
            (one.name, one.card_path, one.facts.make, one.facts.model, one.facts.serial)
            for one in content.records
        ],
        content.coverage,
        [content.words(record) for record in content.records],
        content.sign_off,
        content.made_by,
        content.log_head,
        content.letterhead.name,
    ]
    text = json.dumps(to_json(data), ensure_ascii=False)
    return text + PAGE_COUNT + "\N{MIDDLE DOT}\N{DEGREE SIGN}\N{HORIZONTAL ELLIPSIS}\N{EN DASH}"
