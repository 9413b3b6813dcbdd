"""The cover of a photo report, with its summary and flags, and the pages of photos."""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator

from evidence.coverage.report import Item
from evidence.errors import counted
from evidence.model import Face, Facet, Finding, PhotoRecord, Role, Sha256
from evidence.paper.captions import UNTAGGED, caption
from evidence.paper.dates import day_text, offset_text, time_text
from evidence.paper.page_writer import (
    ACCENT,
    BOTTOM,
    GREY,
    INK,
    LEADING,
    MARGIN,
    TOP,
    WARN,
    WIDTH,
    Colour,
    PageWriter,
)
from evidence.paper.report_document import ReportDocument
from evidence.paper.report_pictures import size_of
from evidence.paper.typesetting import BOLD, POINTS

CAUTION = (
    "This report shows photographs, with tags from people, label cards and a program. It does not state coverage, "
    "cause or cost, and it is not legal advice: the policy, the carrier's guideline, local codes, licensed "
    "professionals and counsel decide. The pictures are reduced copies. Each original is kept unchanged; its "
    "SHA-256 is in the appendix."
)

PART_GAP = {10.0: 0.35}
"""Space between the parts of a caption, in lines, by letter size; the smaller sizes have none."""

GAP = 0.25
"""Inches between photos."""

FACT_INDENT = 1.15
"""Inches from a fact's name to its value on the cover."""


# --- the cover ---------------------------------------------------------------------------


def cover(document: ReportDocument) -> None:
    """Print the cover: the claim, the time of inspection, which required shots are shown, guessed or missing, flags."""
    writer, claim = document.writer, document.content.claim
    document.section = "Summary"
    writer.draw_header = lambda: None
    writer.new_page()
    writer.y = 0.6
    writer.bookmark("Summary", 0)
    writer.draw_header = document.draw_header
    writer.rule(MARGIN, 0.6, WIDTH, weight=0.06, colour=ACCENT)
    writer.text("Photo report", MARGIN, 0.78, size=13, colour=GREY)
    writer.y = (
        writer.paragraph(f"Claim {claim.claim}", MARGIN, 1.02, width=WIDTH, size=26, style=BOLD, most=2)
        + 0.08
    )
    top = writer.y
    photo_foot = _lead_photo(document, top)
    facts_width = WIDTH - 3.35 if photo_foot > top else WIDTH
    for name, value in _facts(document):
        writer.text(name, MARGIN, writer.y, size=9.5, colour=GREY)
        writer.y = (
            writer.paragraph(
                value, MARGIN + FACT_INDENT, writer.y, width=facts_width - FACT_INDENT, size=9.5, most=6
            )
            + 0.05
        )
    writer.y = max(writer.y, photo_foot) + 0.1
    writer.flow(CAUTION, size=8, colour=GREY, after=0.1)
    _coverage(document)
    _flags(document)
    _signed(document)


def _lead_photo(document: ReportDocument, top: float) -> float:
    """Print the first stated whole view of the front at the right; returns the y below it, or `top` without one."""
    for record in document.photos:
        stated = {facet: value.value for facet, value in record.tags.items() if value.stated}
        if stated.get(Facet.ROLE) in (Role.ELEVATION, Role.OVERVIEW) and stated.get(Facet.FACE) == Face.FRONT:
            data = document.pictures.make(record, 1000).large
            if data is None:
                continue
            x, width = MARGIN + WIDTH - 3.15, 3.15
            foot = top + 0.05 + _put(document, data, x, top + 0.05, width, 2.6, align=1.0)
            writer = document.writer
            number = document.numbers[record.sha256]
            writer.text(
                f"Photo {number}: front",
                x,
                foot + 0.04,
                size=8,
                colour=GREY,
                link=document.links[record.sha256],
            )
            return foot + 0.24
    return top


def _facts(document: ReportDocument) -> Iterator[tuple[str, str]]:
    claim = document.content.claim
    yield "Insured", claim.insured or "not given"
    yield "Address", claim.address or "not given"
    loss = claim.loss_date
    yield "Date of loss", day_text(loss) if loss else "not given"
    yield "Peril", claim.peril or "not given"
    yield "Inspection", _window(document.photos)
    yield "Photos", _contents(len(document.photos), len(document.others))
    cameras = _cameras(document.photos)
    yield ("Cameras" if len(cameras) > 1 else "Camera"), "; ".join(cameras) or "not recorded"


def _contents(photos: int, others: int) -> str:
    return counted(photos, "photo") + (f" and {counted(others, 'other file')}" if others else "")


def _cameras(photos: Iterable[PhotoRecord]) -> list[str]:
    found: dict[str, None] = {}
    for record in photos:
        facts = record.facts
        name = " ".join(filter(None, [facts.make, facts.model])) or "unnamed camera"
        found.setdefault(f"{name}, serial number {facts.serial}" if facts.serial else name, None)
    return list(found)


def _window(photos: list[PhotoRecord]) -> str:
    """First to last photo by the cameras' clocks, the time zone if it is known, and how many times were corrected."""
    taken = sorted((one.facts.taken_local, one.order, one) for one in photos if one.facts.taken_local)
    if not taken:
        return "no photo has a time"
    first, last = taken[0][0], taken[-1][0]
    same = first.date() == last.date()
    text = f"{time_text(first)} to {last:%H:%M:%S}" if same else f"{time_text(first)} to {time_text(last)}"
    text = f"First to last photo: {text}, camera's local time"
    zones = {one.facts.offset_minutes for *_, one in taken if one.facts.offset_minutes is not None}
    derived = {
        round((one.corrected - one.utc.replace(tzinfo=None)).total_seconds() / 60)
        for one in photos
        if one.corrected and one.utc
    }
    if zones and all(one.facts.offset_minutes is not None for *_, one in taken):
        text += f"; {', '.join(map(offset_text, sorted(zones)))} by the camera"
    elif derived:
        text += f"; {', '.join(map(offset_text, sorted(derived)))}, calculated"
    else:
        text += "; the time zone is not known"
    corrected = sum(1 for one in photos if one.correction)
    if corrected:
        text += f". {counted(corrected, 'photo has a corrected time', 'photos have corrected times')}"
        text += ", printed beside the camera's own time"
    return text


def _coverage(document: ReportDocument) -> None:
    writer, report = document.writer, document.content.coverage
    writer.ensure_room(1.6)
    writer.rule(MARGIN, writer.y, WIDTH, weight=0.012)
    writer.y += 0.1
    writer.y = writer.paragraph(
        f"Required shots: {report.list_title} ({report.basis})", MARGIN, writer.y, width=WIDTH, size=9, colour=GREY,
        most=2,
    )  # fmt: skip
    writer.y += 0.04
    counts = (
        (len(report.met), "shown", ACCENT),
        (len(report.guessed), "only guessed", INK),
        (len(report.missing), "missing", WARN),
        (len(report.waived), "set aside", INK),
    )
    for place, (count, words, colour) in enumerate(counts):
        x = MARGIN + place * WIDTH / 4
        end = writer.text(str(count), x, writer.y, size=24, style=BOLD, colour=colour if count else GREY)
        writer.text(words, end + 0.08, writer.y + 0.19, size=10, colour=INK if count else GREY)
    writer.y += 0.5
    writer.flow(
        _verdict(document), size=10, style=BOLD, colour=ACCENT if report.complete else WARN, after=0.06
    )
    _listed(writer, "Missing", _by_title(report.missing))
    _listed(
        writer, "Only guessed: not confirmed by a person, so it proves nothing", _by_title(report.guessed)
    )
    _listed(writer, "Set aside", [f"{_named(item)}: {item.why}" for item in report.waived])


def _verdict(document: ReportDocument) -> str:
    report = document.content.coverage
    if report.complete:
        waived = ", except those that a person set aside" if report.waived else ""
        return f"Complete: every required shot is shown and stated{waived}."
    parts = []
    if report.missing:
        parts.append(f"{counted(len(report.missing), 'required shot is', 'required shots are')} missing")
    if report.guessed:
        guessed = len(report.guessed)
        parts.append(f"{guessed} {'rests' if guessed == 1 else 'rest'} on guesses that nobody has confirmed")
    return f"Not complete: {' and '.join(parts)}."


def _named(item: Item) -> str:
    return f"{item.title}, {item.place}" if item.place else item.title


def _by_title(items: Iterable[Item]) -> list[str]:
    """One line for each required shot, with its places."""
    found: dict[str, list[str]] = {}
    for item in items:
        found.setdefault(item.title, []).append(item.place)
    return [
        f"{title}: {', '.join(filter(None, places))}" if any(places) else title
        for title, places in found.items()
    ]


def _listed(writer: PageWriter, title: str, lines: list[str]) -> None:
    if not lines:
        return
    writer.ensure_room(0.45)
    writer.flow(title, size=9.5, style=BOLD)
    for line in lines:
        writer.flow(line, x=MARGIN + 0.18, width=WIDTH - 0.18, size=9.5)
    writer.y += 0.06


def _flags(document: ReportDocument) -> None:
    """Print the flags of the claim, then those of each photo by number."""
    writer = document.writer
    flags = document.content.coverage.flags
    writer.heading("What to check")
    if not flags:
        writer.flow("The check raised no flags.", size=9.5)
    order = sorted(flags, key=lambda flag: (document.numbers.get(Sha256(flag.subject), 0), flag.code))
    for flag in order:
        _flag(document, flag)


def _flag(document: ReportDocument, flag: Finding) -> None:
    writer, sha = document.writer, Sha256(flag.subject)
    number = document.numbers.get(sha)
    writer.ensure_room(0.2)
    label = f"Photo {number}" if number else "Claim"
    writer.text(label, MARGIN, writer.y, size=9.5, style=BOLD, link=document.links.get(sha))
    writer.flow(flag.message, x=MARGIN + 0.85, width=WIDTH - 0.85, size=9.5)


def _signed(document: ReportDocument) -> None:
    writer, sign = document.writer, document.content.sign_off
    writer.heading("Sign-off")
    if sign is None:
        writer.flow("Nobody has signed this claim off.", size=9.5)
        return
    writer.flow(f"Signed off by {sign.by} on {time_text(sign.at)} UTC.", size=9.5)
    if sign.note:
        writer.flow(f"Note: {sign.note}", size=9.5)


# --- the photos --------------------------------------------------------------------------


def photo_pages(document: ReportDocument) -> None:
    """Print every photo in the order of the walk; claim sheets and label cards six to a page."""
    for group in document.groups:
        per_page = document.photos_per_page(group)
        for position, record in enumerate(group.photos):
            if position % per_page == 0:
                if position == 0:
                    document.start_section(group.title)
                else:
                    document.writer.new_page()
            _photo(document, record, per_page, position % per_page)


def _photo(document: ReportDocument, record: PhotoRecord, per_page: int, position: int) -> None:
    writer = document.writer
    rows, columns = per_page // (1 if per_page == 2 else 2), 1 if per_page == 2 else 2
    row, column = divmod(position, columns)
    height = (BOTTOM - TOP - GAP * (rows - 1)) / rows
    width = (WIDTH - GAP * (columns - 1)) / columns
    x, y = MARGIN + column * (width + GAP), TOP + row * (height + GAP)
    writer.pdf.set_link(document.links[record.sha256], y=max(0.0, y - 0.2))
    writer.y = y
    words = caption(record, document.content.vocabulary)
    writer.bookmark(f"{document.numbers[record.sha256]}  {words.stated or words.guess or record.name}", 1)
    if per_page == 2:
        photo_width = 5.15
        _show(document, record, x, y, photo_width, height)
        _caption(
            document, record, x + photo_width + 0.2, y - 0.03, width - photo_width - 0.2, y + height, 10.0
        )
    else:
        share = {4: 0.62, 6: 0.66}[per_page]
        used = _show(document, record, x, y, width, height * share)
        size = {4: 8.5, 6: 7.5}[per_page]
        _caption(document, record, x, y + used + 0.05, width, y + height, size)


def _show(
    document: ReportDocument, record: PhotoRecord, x: float, y: float, width: float, height: float
) -> float:
    """Print the picture, or a frame that says that there is none; returns the height used."""
    data = document.pictures.next_large(record)
    if data is not None:
        return _put(document, data, x, y, width, height)
    document.without_picture.append(record.sha256)
    height = min(height, width * 0.75)
    document.writer.box(x, y, width, height)
    document.writer.paragraph(
        "No picture could be read from this file.", x + 0.2, y + height / 2 - 0.15, width=width - 0.4, size=9,
        colour=GREY,
    )  # fmt: skip
    return height


def _put(
    document: ReportDocument,
    jpeg: bytes,
    x: float,
    y: float,
    width: float,
    height: float,
    *,
    align: float = 0.0,
) -> float:
    """Print the picture as large as the space allows; `align` 0 is left, 1 is right. Returns the height used."""
    across, down = size_of(jpeg)
    scale = min(width / across, height / down)
    wide, tall = across * scale, down * scale
    document.writer.pdf.image(io.BytesIO(jpeg), x=x + (width - wide) * align, y=y, w=wide, h=tall)
    return tall


def _caption(
    document: ReportDocument, record: PhotoRecord, x: float, y: float, width: float, foot: float, size: float
) -> None:
    """Print number, tag, times, compass, file and flags while there is room; the appendix has every time in full."""
    writer = document.writer
    words = caption(record, document.content.vocabulary)
    parts: list[tuple[str, str, Colour]] = []
    if words.stated:
        parts.append((words.stated, BOLD, INK))
    if words.guess:
        parts.append((words.guess, "", INK))
    if not words.stated and not words.guess:
        parts.append((UNTAGGED, "", INK))
    parts.append((words.taken, "", INK))
    if words.corrected:
        parts.append((words.corrected, "", WARN))
    if words.facing:
        parts.append((words.facing, "", INK))
    parts += [(flag.message, "", WARN) for flag in document.flags.get(record.sha256, ())]
    line = size * LEADING / POINTS
    end = (
        writer.text(f"Photo {document.numbers[record.sha256]}", x, y, size=size, style=BOLD, colour=ACCENT)
        + 0.08
    )
    (name,) = writer.fit_lines(record.name, width=max(0.3, x + width - end), size=size - 1, most=1)
    writer.text(name, end, y + 0.012, size=size - 1, colour=GREY)
    y += line * (1 + PART_GAP.get(size, 0.0))
    for text, style, colour in parts:
        room = int((foot - y) / line + 1e-6)
        if room < 1:
            return
        y = writer.paragraph(
            text, x, y, width=width, size=size, style=style, colour=colour, most=min(room, 10)
        )
        y += line * PART_GAP.get(size, 0.0)
