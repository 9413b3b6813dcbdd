"""The cover of a photo report: whose claim it is, when the house was inspected, and whether the proof is complete."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime

from evidence.coverage.report import Item
from evidence.errors import counted
from evidence.model import Face, Facet, Finding, PhotoRecord, Role, Sha256
from evidence.paper.captions import NOT_REVIEWED
from evidence.paper.dates import day_text, offset_text, time_text
from evidence.paper.page_writer import ACCENT, GREY, INK, MARGIN, WARN, WIDTH, Mark, PageWriter
from evidence.paper.report_document import ReportDocument
from evidence.paper.report_pictures import size_of
from evidence.paper.typesetting import BOLD

CAUTION = (
    "This report shows photographs, with tags from people, label cards and a program. It does not state coverage, "
    "cause or cost, and it is not legal advice: the policy, the carrier's guideline, local codes, licensed "
    "professionals and counsel decide. The pictures are reduced copies. Each original is kept unchanged; its "
    "SHA-256 is in the appendix."
)

FACT_INDENT = 1.4
"""Inches from a fact's name to its value."""
LEAD = (3.0, 2.6)
"""Width and height of the photo on the cover, in inches."""
LOGO = (1.6, 0.6)
"""Largest width and height of the office's logo, in inches."""
LOGO_SIDE = 640
"""Pixels of its long side: 400 dots per inch."""


def cover(document: ReportDocument) -> None:
    """Print the office, the claim, the inspection, how far the proof is complete, and the sign-off."""
    writer, claim = document.writer, document.content.claim
    document.section = "Summary"
    writer.draw_header = lambda: None
    writer.new_page()
    writer.bookmark("Summary", 0)
    writer.draw_header = document.draw_header
    writer.y = _letterhead(document) + 0.1
    writer.rule(MARGIN, writer.y, WIDTH, weight=0.06, colour=ACCENT)
    writer.text("Photo report", MARGIN, writer.y + 0.16, size=13, colour=GREY)
    with writer.marked(Mark.TITLE):
        writer.y = 0.08 + writer.paragraph(
            f"Claim {claim.claim}", MARGIN, writer.y + 0.4, width=WIDTH, size=26, style=BOLD, most=2
        )
    top = writer.y
    photo_foot = _lead_photo(document, top)
    facts_width = WIDTH - LEAD[0] - 0.2 if photo_foot > top else WIDTH
    for name, value in _facts(document):
        writer.text(name, MARGIN, writer.y, size=10, colour=GREY)
        writer.y = 0.05 + writer.paragraph(
            value, MARGIN + FACT_INDENT, writer.y, width=facts_width - FACT_INDENT, size=10, most=4
        )
    writer.y = max(writer.y, photo_foot) + 0.1
    for name, value in _inspection(document):
        writer.text(name, MARGIN, writer.y, size=10, colour=GREY)
        writer.y = 0.05 + writer.paragraph(
            value, MARGIN + FACT_INDENT, writer.y, width=WIDTH - FACT_INDENT, size=10, most=5
        )
    writer.y += 0.04
    writer.flow(CAUTION, colour=GREY)
    _coverage(document)
    _signed(document)
    _required(document)
    _flags(document)


def _letterhead(document: ReportDocument) -> float:
    """Print the office's logo and name; returns the y below them."""
    writer, office = document.writer, document.content.letterhead
    x, foot = MARGIN, 0.5
    if office.logo is not None:
        data = document.pictures.logo(office.logo, LOGO_SIDE)
        if data is None:
            document.without_logo = True
        else:
            across, down = size_of(data)
            scale = min(LOGO[0] / across, LOGO[1] / down)
            alt = f"Logo of {office.name or 'the office'}"
            writer.picture(data, x, 0.45, width=across * scale, height=down * scale, alt=alt)
            x, foot = x + across * scale + 0.2, 0.45 + down * scale
    if office.name:
        (name,) = writer.fit_lines(office.name, width=MARGIN + WIDTH - x, size=13, style=BOLD, most=1)
        writer.text(name, x, max(0.45, foot - 0.42), size=13, style=BOLD)
        foot = max(foot, 0.75)
    return foot


def _lead_photo(document: ReportDocument, top: float) -> float:
    """Print the first stated whole view of the front at the right; returns the y below it, or `top` without one."""
    for record in document.photos:
        stated = {facet: value.value for facet, value in record.tags.items() if value.stated}
        if stated.get(Facet.ROLE) in (Role.ELEVATION, Role.OVERVIEW) and stated.get(Facet.FACE) == Face.FRONT:
            data = document.pictures.make(record, 1000)
            if data is None:
                continue
            writer, number = document.writer, document.numbers[record.sha256]
            across, down = size_of(data)
            scale = min(LEAD[0] / across, LEAD[1] / down)
            wide, tall = across * scale, down * scale
            x = MARGIN + WIDTH - wide
            words = f"Photo {number}: front elevation"
            writer.picture(data, x, top + 0.05, width=wide, height=tall, alt=words)
            writer.text(words, x, top + tall + 0.09, size=10, colour=GREY, link=document.links[record.sha256])
            return top + tall + 0.32
    return top


def _facts(document: ReportDocument) -> Iterator[tuple[str, str]]:
    claim = document.content.claim
    yield "Insured", claim.insured or "not given"
    yield "Address", claim.address or "not given"
    yield "Policy number", claim.policy_number or "not given"
    yield "Carrier", claim.carrier or "not given"
    yield "Adjuster", claim.adjuster or "not given"
    yield "Inspector", claim.inspector or "not given"
    loss = claim.loss_date
    yield "Date of loss", day_text(loss) if loss else "not given"
    yield "Peril", claim.peril or "not given"


def _inspection(document: ReportDocument) -> Iterator[tuple[str, str]]:
    claim = document.content.claim
    taken = [*document.photos, *(one for one in document.others if one.facts.taken_local)]
    if claim.inspection_start or claim.inspection_end:
        planned = _planned(claim.inspection_start, claim.inspection_end)
        outside = _outside(claim.inspection_start, claim.inspection_end, document.photos)
        yield "Inspection planned", f"{planned}, local time{outside}"
    yield "Photographed", _window(document.photos)
    sheets = len(document.sheets)
    parts = [counted(len(document.photos), "photo") + " printed"]
    if sheets:
        parts.append(f"{counted(sheets, 'photo')} of divider sheets and label cards listed only")
    if document.left_out:
        parts.append(
            f"{counted(len(document.left_out), 'photo')} left out, because a nearly equal one is printed"
        )
    if document.files:
        parts.append(f"{counted(len(document.files), 'other file')} listed only")
    yield "Photos", "; ".join(parts)
    cameras = _cameras(taken)
    yield ("Cameras" if len(cameras) > 1 else "Camera"), "; ".join(cameras) or "not recorded"


def _planned(start: datetime | None, end: datetime | None) -> str:
    """`May 14, 2026, 08:30 to 10:00`; the day of the end only where it is another."""
    if start and end:
        same = start.date() == end.date()
        return f"{_to_minute(start)} to {f'{end:%H:%M}' if same else _to_minute(end)}"
    return f"from {_to_minute(start)}" if start else f"until {_to_minute(end)}" if end else ""


def _to_minute(moment: datetime) -> str:
    return f"{day_text(moment)}, {moment:%H:%M}"


def _outside(start: datetime | None, end: datetime | None, photos: list[PhotoRecord]) -> str:
    """How many printed photos were taken outside the planned window, by the corrected clock."""
    times = [one.corrected or one.facts.taken_local for one in photos]
    outside = sum(1 for time in times if time and ((start and time < start) or (end and time > end)))
    if not outside:
        return ""
    return f". {counted(outside, 'photo was', 'photos were')} taken outside it"


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
    writer.heading("Required shots")
    writer.y = 0.04 + writer.paragraph(
        f"{report.list_title} ({report.basis})", MARGIN, writer.y, width=WIDTH, size=10, colour=GREY, most=2
    )
    counts = (
        (len(report.met), "shown", ACCENT),
        (len(report.guessed), "only guessed", INK),
        (len(report.missing), "missing", WARN),
        (len(report.waived), "set aside", INK),
    )
    for place, (count, words, colour) in enumerate(counts):
        x = MARGIN + place * WIDTH / 4
        with writer.marked(Mark.TEXT):
            end = writer.text(str(count), x, writer.y, size=22, style=BOLD, colour=colour if count else GREY)
            writer.text(f" {words}", end + 0.04, writer.y + 0.17, size=10, colour=INK if count else GREY)
    writer.y += 0.46
    writer.flow(verdict(document), style=BOLD, colour=ACCENT if report.complete else WARN, after=0.04)
    unseen = sum(len(group.photos) for group in document.groups if group.title == NOT_REVIEWED)
    if unseen:
        writer.flow(
            f"{counted(unseen, 'photo is', 'photos are')} not yet reviewed: see the section of that name."
        )


def verdict(document: ReportDocument) -> str:
    """Whether the proof is complete, in one sentence."""
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


def _required(document: ReportDocument) -> None:
    writer, report = document.writer, document.content.coverage
    if not (report.missing or report.guessed or report.waived):
        return
    writer.heading("Required shots that are not shown")
    _listed(writer, "Missing", _by_title(report.missing))
    _listed(
        writer, "Only guessed: not confirmed by a person, so it proves nothing", _by_title(report.guessed)
    )
    _listed(writer, "Set aside", [f"{item.words}: {item.why}" for item in report.waived])


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
    writer.flow(title, style=BOLD)
    for line in lines:
        writer.flow(line, x=MARGIN + 0.18, width=WIDTH - 0.18)
    writer.y += 0.06


def _flags(document: ReportDocument) -> None:
    """Print the flags of the claim, then those of each photo by number."""
    writer = document.writer
    flags = document.content.coverage.flags
    writer.heading("What to check")
    if not flags:
        writer.flow("The check raised no flags.")
    order = sorted(flags, key=lambda flag: (document.numbers.get(Sha256(flag.subject), 0), flag.code))
    for flag in order:
        _flag(document, flag)


def _flag(document: ReportDocument, flag: Finding) -> None:
    writer, sha = document.writer, Sha256(flag.subject)
    number = document.numbers.get(sha)
    writer.ensure_room(0.2)
    label = f"Photo {number}" if number else "Claim"
    writer.text(label, MARGIN, writer.y, size=10, style=BOLD, link=document.links.get(sha))
    writer.flow(flag.message, x=MARGIN + 0.85, width=WIDTH - 0.85)


def _signed(document: ReportDocument) -> None:
    writer, sign = document.writer, document.content.sign_off
    writer.heading("Sign-off")
    if sign is None:
        writer.flow("Nobody has signed this claim off.")
        return
    writer.flow(f"Signed off by {sign.by} on {time_text(sign.at)} UTC.")
    if sign.note:
        writer.flow(f"Note: {sign.note}")
