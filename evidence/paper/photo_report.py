"""The photo report as a PDF: a cover, the photos in the order of the walk, and lists of shots and originals.

Letter paper, one embedded typeface, PDF/A-2b. A guess is printed as a guess and does not count as shown. The
camera's own time is always printed beside a corrected one. Only the pictures are read from files.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from evidence.codec import to_json
from evidence.errors import BadInputError
from evidence.model import PICTURE_KINDS, Finding, PhotoRecord, Sha256
from evidence.paper.captions import CLAIM_SHEETS, PhotoGroup, caption, group_by_walk
from evidence.paper.page_writer import GREY, MARGIN, PALE, WIDTH, PageWriter, printable_line
from evidence.paper.report_document import SHEETS_PER_PAGE, ReportContent, ReportDocument
from evidence.paper.report_lists import appendix, contact_sheet, index
from evidence.paper.report_pages import cover, photo_pages
from evidence.paper.report_pictures import PictureLoader
from evidence.paper.typesetting import LETTER, open_pdf, save_pdf

STANDARD = "PDF/A-2B"
"""ISO 19005-2, conformance level B: the file itself holds all that its looks depend on."""

SIDES = {2: 1400, 4: 1000, 6: 800}
"""Pixels of a picture's long side by photos per page: 270 to 300 dots per inch; 240 at two, where a thumbnail has 1,280 pixels."""

PAGE_COUNT = "\N{SOFT HYPHEN}" * 4
"""Printed in place of the number of pages until it is known. `printable_line` removes such characters from all texts."""

PER_PAGE = (2, 4, 6)


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenReport:
    """The size of a written report."""

    pages: int
    photos: int
    without_picture: tuple[Sha256, ...]
    """Photos whose files gave no picture; a frame on their page says so."""


def write_report(content: ReportContent, out: Path) -> WrittenReport:
    """Write the report to `out`; on a failure an older file there is unchanged.

    Raises BadInputError for a claim without photos, another number of photos per page than 2, 4 or 6, and a place
    that cannot be written; DestinationError when the disk fails.
    """
    if content.per_page not in PER_PAGE:
        raise BadInputError(f"{content.per_page} photos per page is not a layout.", "Choose 2, 4 or 6.")
    if not any(record.kind in PICTURE_KINDS for record in content.records):
        raise BadInputError(f"Claim {content.claim.claim} has no photos.", "Take its card in first.")
    if out.is_dir() or not out.parent.is_dir():
        raise BadInputError(f"{out} cannot be written.", "Give a file in a folder that exists.")
    title = f"Photo report, claim {printable_line(content.claim.claim, 80)}"
    with open_pdf([_every_text(content)], title=title, standard=STANDARD) as pdf:
        pdf.set_lang("en-US")
        pdf.set_author(printable_line(content.made_by, 80))
        pdf.set_creation_date(content.made_at)
        pdf.alias_nb_pages(PAGE_COUNT)
        groups = group_by_walk(
            [one for one in content.records if one.kind in PICTURE_KINDS], content.vocabulary
        )
        document = _new_document(content, PageWriter(pdf), groups)
        pdf.footer = lambda: _draw_footer(document)  # type: ignore[method-assign]
        with document.pictures:
            cover(document)
            photo_pages(document)
            contact_sheet(document)
            index(document)
            appendix(document)
        save_pdf(pdf, out)
        pages = pdf.pages_count
    return WrittenReport(
        pages=pages, photos=len(document.photos), without_picture=tuple(document.without_picture)
    )


def _new_document(
    content: ReportContent, writer: PageWriter, groups: tuple[PhotoGroup, ...]
) -> ReportDocument:
    others = tuple(record for record in content.records if record.kind not in PICTURE_KINDS)
    ordered = [record.sha256 for group in groups for record in group.photos]
    ordered += [record.sha256 for record in others]
    flags: dict[Sha256, list[Finding]] = {}
    for flag in content.coverage.flags:
        flags.setdefault(Sha256(flag.subject), []).append(flag)
    return ReportDocument(
        content=content,
        writer=writer,
        pictures=PictureLoader(content.pictures, _wanted(groups, content.per_page)),
        groups=groups,
        others=others,
        numbers={sha: number for number, sha in enumerate(ordered, start=1)},
        links={sha: writer.pdf.add_link(page=1) for sha in ordered},
        flags=flags,
    )


def _wanted(groups: tuple[PhotoGroup, ...], per_page: int) -> Iterator[tuple[PhotoRecord, int]]:
    """Each photo in the order of printing, with the pixels of its long side."""
    for group in groups:
        photos = SHEETS_PER_PAGE if group.title == CLAIM_SHEETS else per_page
        yield from ((record, SIDES[photos]) for record in group.photos)


def _draw_footer(document: ReportDocument) -> None:
    writer, pdf = document.writer, document.writer.pdf
    y = LETTER[1] - 0.52
    writer.rule(MARGIN, y - 0.06, WIDTH, weight=0.006, colour=PALE)
    made = f"Photo report made {document.content.made_at:%Y-%m-%d %H:%M} UTC by {document.content.made_by}"
    writer.text(
        writer.fit_lines(made, width=WIDTH - 1.1, size=7.5, most=1)[0], MARGIN, y, size=7.5, colour=GREY
    )
    writer.text(f"Page {pdf.page_no()} of {PAGE_COUNT}", LETTER[0] - MARGIN - 0.85, y, size=7.5, colour=GREY)


def _every_text(content: ReportContent) -> str:
    """All text that may be printed: the data and the captions made from it."""
    captions = [caption(record, content.vocabulary) for record in content.records]
    data = [
        content.claim,
        [
            (one.name, one.card_path, one.facts.make, one.facts.model, one.facts.serial)
            for one in content.records
        ],
        content.coverage,
        captions,
        content.sign_off,
        content.made_by,
        content.log_head,
    ]
    text = json.dumps(to_json(data), ensure_ascii=False)
    return text + PAGE_COUNT + "\N{MIDDLE DOT}\N{DEGREE SIGN}\N{HORIZONTAL ELLIPSIS}\N{EN DASH}"
