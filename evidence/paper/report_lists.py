"""The back of a photo report: all photos at a glance, an index by required shot, and the proof of each original."""

from __future__ import annotations

import io

from evidence.coverage.report import Item, Status
from evidence.coverage.shots import FACES, Area
from evidence.model import PhotoRecord, Sha256
from evidence.paper.captions import caption
from evidence.paper.pen import ACCENT, BOTTOM, GREY, INK, MARGIN, PALE, TOP, WARN, WIDTH, plain
from evidence.paper.report_desk import Desk
from evidence.paper.report_pictures import size_of
from evidence.paper.type import BOLD

TILES = (6, 7)
"""Photos across and down a contact sheet."""

STATES = {
    Status.MET: "shown",
    Status.GUESSED: "only guessed",
    Status.MISSING: "missing",
    Status.WAIVED: "set aside",
    Status.NOT_NEEDED: "not needed",
}


# --- all photos at a glance --------------------------------------------------------------


def contact_sheet(desk: Desk) -> None:
    """Small pictures of all photos in the order in which they were taken, each leading to the large one."""
    across, down = TILES
    step_x, step_y = WIDTH / across, (BOTTOM - TOP) / down
    shown = sorted(desk.photos, key=lambda record: record.order)
    for place, record in enumerate(shown):
        if place == 0:
            desk.begin("Contact sheet, as the photos were taken")
        elif place % (across * down) == 0:
            desk.pen.page()
        row, column = divmod(place % (across * down), across)
        _tile(desk, record, MARGIN + column * step_x, TOP + row * step_y, step_x - 0.1, step_y - 0.12)


def _tile(desk: Desk, record: PhotoRecord, x: float, y: float, width: float, height: float) -> None:
    pen, link = desk.pen, desk.links[record.sha256]
    room = height - 0.3
    data = desk.book.tile(record.sha256)
    if data is None:
        pen.box(x, y, width, room)
    else:
        across, down = size_of(data)
        scale = min(width / across, room / down)
        wide, tall = across * scale, down * scale
        pen.pdf.image(io.BytesIO(data), x=x, y=y + room - tall, w=wide, h=tall, link=link)
    end = pen.say(
        str(desk.numbers[record.sha256]), x, y + room + 0.02, size=8, style=BOLD, colour=ACCENT, link=link
    )
    name = pen.lines(record.name, width=max(0.3, x + width - end - 0.06), size=6.5, most=1)[0]
    pen.say(name, end + 0.06, y + room + 0.035, size=6.5, colour=GREY)
    taken = record.facts.taken_local
    pen.say(f"{taken:%H:%M:%S}" if taken else "no time", x, y + room + 0.15, size=6.5, colour=GREY)


# --- which photos show a required shot ---------------------------------------------------


def index(desk: Desk) -> None:
    """Every required shot with what became of it and the photos behind it; guesses apart."""
    desk.begin("Index by required shot")
    pen, report = desk.pen, desk.matter.coverage
    asked = [item for item in report.items if item.status is not Status.NOT_NEEDED]
    if not asked:
        pen.flow("The list asks for no shot of this claim.")
    title = ""
    for item in sorted(asked, key=_walk):
        if item.title != title:
            pen.need(0.5)
            pen.rule(MARGIN, pen.y, WIDTH, weight=0.006, colour=PALE)
            pen.y += 0.05
            title = item.title
            pen.flow(title, size=9.5, style=BOLD)
        _indexed(desk, item)
    spare = [item.title for item in report.not_needed]
    if spare:
        pen.heading("Not asked for at this house")
        pen.flow("; ".join(dict.fromkeys(spare)), size=9, colour=GREY)


def _walk(item: Item) -> tuple[int, str, int, str]:
    face = FACES.index(item.face) if item.face in FACES else len(FACES)
    return list(Area).index(item.area), item.title, face, item.structure


def _indexed(desk: Desk, item: Item) -> None:
    pen = desk.pen
    pen.need(0.2)
    place = pen.lines(item.place or "once", width=1.75, size=9, most=1)[0]
    pen.say(place, MARGIN + 0.15, pen.y, size=9)
    colour = {Status.MET: ACCENT, Status.MISSING: WARN}.get(item.status, INK)
    style = "" if item.status is Status.MET else BOLD
    pen.say(STATES[item.status], MARGIN + 2.0, pen.y, size=9, style=style, colour=colour)
    _numbers(desk, item.photos, "", MARGIN + 3.05)
    guesses = [sha for sha in item.guesses if sha not in item.photos]
    if guesses:
        if item.photos:
            pen.y += 0.17
            pen.need(0.2)
        _numbers(desk, guesses, "guess: ", MARGIN + 3.05)
    if item.photos or item.guesses or item.status is Status.MET:
        pen.y += 0.17
    if item.status is not Status.MET:
        pen.flow(item.why, x=MARGIN + 3.05, width=WIDTH - 3.05, size=8.5, colour=GREY)
    pen.y += 0.02


def _numbers(desk: Desk, photos: tuple[Sha256, ...] | list[Sha256], lead: str, left: float) -> None:
    """Photo numbers that lead to the photos, on as many lines as they need."""
    pen = desk.pen
    x = pen.say(lead, left, pen.y, size=9) if lead else left
    for place, sha in enumerate(photos):
        text = f"{desk.numbers[sha]}{',' if place < len(photos) - 1 else ''}"
        if x > MARGIN + WIDTH - 0.35:
            pen.y += 0.17
            pen.need(0.2)
            x = left
        x = pen.say(text, x, pen.y, size=9, link=desk.links[sha]) + 0.06


# --- the proof ---------------------------------------------------------------------------


def appendix(desk: Desk) -> None:
    """Each original by its SHA-256, with its path on the card and its times in full."""
    desk.begin("Appendix: the originals")
    pen = desk.pen
    pen.flow(
        "SHA-256 (FIPS 180-4) of each file as it came off the card. Whoever has a file proves with any program "
        "that computes SHA-256 (sha256sum NAME) that it is the original: one changed bit gives another sum.",
        size=9, colour=GREY, after=0.1,
    )  # fmt: skip
    for number, record in desk.numbered():
        _original(desk, number, record)


def _original(desk: Desk, number: int, record: PhotoRecord) -> None:
    pen = desk.pen
    said = caption(record, desk.matter.words)
    pen.need(0.46)
    link = desk.links[record.sha256]
    if record in desk.others:
        pen.pdf.set_link(link, y=max(0.0, pen.y - 0.2))
    pen.rule(MARGIN, pen.y, WIDTH, weight=0.005, colour=PALE)
    pen.y += 0.03
    pen.say(str(number), MARGIN, pen.y, size=8, style=BOLD, colour=ACCENT, link=link)
    where = plain(record.card_path or record.name, 400)
    kind = f" ({record.kind.value})" if record in desk.others else ""
    pen.flow(where + kind, x=MARGIN + 0.4, width=WIDTH - 0.4, size=8, style=BOLD)
    pen.flow(record.sha256, x=MARGIN + 0.4, width=WIDTH - 0.4, size=8)
    times = ". ".join(filter(None, [said.taken, said.corrected, said.facing]))
    pen.flow(times, x=MARGIN + 0.4, width=WIDTH - 0.4, size=8, colour=GREY, after=0.03)
