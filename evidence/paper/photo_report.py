"""The photo report that a reviewer hands on: a cover, the photos along the walk, and lists that prove them.

Letter paper, one embedded typeface, PDF/A-2b. A guess is printed as a guess and never counted as shown
(rule 9); the camera's own time always stands beside a corrected one (rule 10). Nothing here is read from a
file but the pictures.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from evidence.codec import to_json
from evidence.errors import BadInputError
from evidence.model import Finding, PhotoRecord, Sha256
from evidence.paper.captions import CLAIM_SHEETS, Group, caption, walked
from evidence.paper.pen import GREY, MARGIN, PALE, WIDTH, Pen, plain
from evidence.paper.report_desk import SHEETS_A_PAGE, Desk, ReportMatter
from evidence.paper.report_lists import appendix, contact_sheet, index
from evidence.paper.report_pages import cover, photo_pages
from evidence.paper.report_pictures import PICTURES, PictureBook
from evidence.paper.type import LETTER, open_paper, save

STANDARD = "PDF/A-2B"
"""ISO 19005-2, conformance level B: what it looks like is in the file itself."""

SIDES = {2: 1400, 4: 1000, 6: 800}
"""Pixels of a picture's long side by photos a page: 270 to 300 dots an inch, 240 from a thumbnail at two a page."""

TOTAL = "\N{SOFT HYPHEN}" * 4
"""Stands for the number of pages until it is known. `plain` leaves no such character in what is given to us."""

PER_PAGE = (2, 4, 6)


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """What was written."""

    pages: int
    photos: int
    without_picture: tuple[Sha256, ...]
    """Photos of which no picture could be had; each has a frame that says so."""


def write_report(matter: ReportMatter, out: Path) -> Written:
    """Write the report whole, or leave what stood at `out`.

    Raises BadInputError for a claim without photos, a page that cannot hold so many photos or a place that cannot
    be written, DestinationError where the disk fails.
    """
    if matter.per_page not in PER_PAGE:
        raise BadInputError(f"{matter.per_page} photos a page cannot be set.", "Choose 2, 4 or 6.")
    if not any(record.kind in PICTURES for record in matter.records):
        raise BadInputError(f"Claim {matter.claim.claim} has no photos.", "Take its card in first.")
    if out.is_dir() or not out.parent.is_dir():
        raise BadInputError(f"{out} cannot be written.", "Name a file in a folder that is there.")
    title = f"Photo report, claim {plain(matter.claim.claim, 80)}"
    with open_paper([_every_text(matter)], title=title, standard=STANDARD) as pdf:
        pdf.set_lang("en-US")
        pdf.set_author(plain(matter.made_by, 80))
        pdf.set_creation_date(matter.made_at)
        pdf.alias_nb_pages(TOTAL)
        groups = walked([one for one in matter.records if one.kind in PICTURES], matter.words)
        desk = _desk(matter, Pen(pdf), groups)
        pdf.footer = lambda: _foot(desk)  # type: ignore[method-assign]
        with desk.book:
            cover(desk)
            photo_pages(desk)
            contact_sheet(desk)
            index(desk)
            appendix(desk)
        save(pdf, out)
        pages = pdf.pages_count
    return Written(pages=pages, photos=len(desk.photos), without_picture=tuple(desk.without_picture))


def _desk(matter: ReportMatter, pen: Pen, groups: tuple[Group, ...]) -> Desk:
    others = tuple(record for record in matter.records if record.kind not in PICTURES)
    ordered = [record.sha256 for group in groups for record in group.photos]
    ordered += [record.sha256 for record in others]
    flags: dict[Sha256, list[Finding]] = {}
    for flag in matter.coverage.flags:
        flags.setdefault(Sha256(flag.subject), []).append(flag)
    return Desk(
        matter=matter,
        pen=pen,
        book=PictureBook(matter.pictures, _wanted(groups, matter.per_page)),
        groups=groups,
        others=others,
        numbers={sha: number for number, sha in enumerate(ordered, start=1)},
        links={sha: pen.pdf.add_link(page=1) for sha in ordered},
        flags=flags,
    )


def _wanted(groups: tuple[Group, ...], per_page: int) -> Iterator[tuple[PhotoRecord, int]]:
    """Each photo in the order in which it is set, with the pixels of its long side."""
    for group in groups:
        many = SHEETS_A_PAGE if group.title == CLAIM_SHEETS else per_page
        yield from ((record, SIDES[many]) for record in group.photos)


def _foot(desk: Desk) -> None:
    pen, pdf = desk.pen, desk.pen.pdf
    y = LETTER[1] - 0.52
    pen.rule(MARGIN, y - 0.06, WIDTH, weight=0.006, colour=PALE)
    made = f"Photo report made {desk.matter.made_at:%Y-%m-%d %H:%M} UTC by {desk.matter.made_by}"
    pen.say(pen.lines(made, width=WIDTH - 1.1, size=7.5, most=1)[0], MARGIN, y, size=7.5, colour=GREY)
    pen.say(f"Page {pdf.page_no()} of {TOTAL}", LETTER[0] - MARGIN - 0.85, y, size=7.5, colour=GREY)


def _every_text(matter: ReportMatter) -> str:
    """Every character that may be printed: of the data, and of the captions made from it."""
    said = [caption(record, matter.words) for record in matter.records]
    data = [
        matter.claim,
        [
            (one.name, one.card_path, one.facts.make, one.facts.model, one.facts.serial)
            for one in matter.records
        ],
        matter.coverage,
        said,
        matter.sign_off,
        matter.made_by,
    ]
    text = json.dumps(to_json(data), ensure_ascii=False)
    return text + TOTAL + "\N{MIDDLE DOT}\N{DEGREE SIGN}\N{HORIZONTAL ELLIPSIS}\N{EN DASH}"
