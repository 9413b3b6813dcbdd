"""The front of a photo report: its cover with what is shown and what to look at, then the photos themselves."""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator

from evidence.coverage.report import Item
from evidence.model import Face, Facet, Finding, PhotoRecord, Role, Sha256
from evidence.paper.captions import UNTAGGED, caption, day_words, offset_words, time_words
from evidence.paper.pen import ACCENT, BOTTOM, GREY, INK, LEADING, MARGIN, PALE, TOP, WARN, WIDTH, Colour, Pen
from evidence.paper.report_desk import Desk
from evidence.paper.report_pictures import prints, size_of
from evidence.paper.type import BOLD, POINTS

CAUTION = (
    "This report shows photographs and what people, label cards and a program have said of them. It is no "
    "statement of coverage, cause or cost, and no legal advice: the policy, the carrier's guideline, local codes, "
    "licensed professionals and counsel decide. The pictures are reduced copies; each original is kept unchanged "
    "and is known by its SHA-256 in the appendix."
)

AIR = {10.0: 0.35}
"""Blank between a caption's parts, in lines, for the sizes that leave room for it."""

GAP = 0.25
"""Inches between photos."""

FACT = 1.15
"""Inches from a fact's name to its value on the cover."""


# --- the cover ---------------------------------------------------------------------------


def cover(desk: Desk) -> None:
    """Which claim, what was inspected when, what is shown, guessed and missing, and what to look at."""
    pen, claim = desk.pen, desk.matter.claim
    desk.section = "Summary"
    pen.head = lambda: None
    pen.page()
    pen.y = 0.6
    pen.mark("Summary", 0)
    pen.head = desk.head
    pen.rule(MARGIN, 0.6, WIDTH, weight=0.06, colour=ACCENT)
    pen.say("Photo report", MARGIN, 0.78, size=13, colour=GREY)
    pen.y = pen.block(f"Claim {claim.claim}", MARGIN, 1.02, width=WIDTH, size=26, style=BOLD, most=2) + 0.08
    top = pen.y
    photo_foot = _lead_photo(desk, top)
    facts_width = WIDTH - 3.35 if photo_foot > top else WIDTH
    for name, value in _facts(desk):
        pen.say(name, MARGIN, pen.y, size=9.5, colour=GREY)
        pen.y = pen.block(value, MARGIN + FACT, pen.y, width=facts_width - FACT, size=9.5, most=6) + 0.05
    pen.y = max(pen.y, photo_foot) + 0.1
    _coverage(desk)
    _flags(desk)
    _signed(desk)
    pen.y += 0.12
    pen.need(0.3)
    pen.rule(MARGIN, pen.y, WIDTH, weight=0.006, colour=PALE)
    pen.y += 0.06
    pen.flow(CAUTION, size=8, colour=GREY)


def _lead_photo(desk: Desk, top: float) -> float:
    """The first whole view of the front at the right, when one is stated; where it ends."""
    for record in desk.photos:
        stated = {facet: value.value for facet, value in record.tags.items() if value.stated}
        if stated.get(Facet.ROLE) in (Role.ELEVATION, Role.OVERVIEW) and stated.get(Facet.FACE) == Face.FRONT:
            data = prints(record, desk.matter.pictures, 1000).large
            if data is None:
                continue
            x, width = MARGIN + WIDTH - 3.15, 3.15
            foot = top + 0.05 + _put(desk, data, x, top + 0.05, width, 2.6, align=1.0)
            pen = desk.pen
            number = desk.numbers[record.sha256]
            pen.say(
                f"Photo {number}: front", x, foot + 0.04, size=8, colour=GREY, link=desk.links[record.sha256]
            )
            return foot + 0.24
    return top


def _facts(desk: Desk) -> Iterator[tuple[str, str]]:
    claim = desk.matter.claim
    yield "Insured", claim.insured or "not given"
    yield "Address", claim.address or "not given"
    loss = claim.loss_date
    yield "Date of loss", day_words(loss) if loss else "not given"
    yield "Peril", claim.peril or "not given"
    yield "Inspection", _window(desk.photos)
    yield "Photos", _counted(len(desk.photos), len(desk.others))
    cameras = _cameras(desk.photos)
    yield ("Cameras" if len(cameras) > 1 else "Camera"), "; ".join(cameras) or "not recorded"


def _counted(photos: int, others: int) -> str:
    said = "1 photo" if photos == 1 else f"{photos} photos"
    return said + (f" and {others} other {'file' if others == 1 else 'files'}" if others else "")


def _cameras(photos: Iterable[PhotoRecord]) -> list[str]:
    found: dict[str, None] = {}
    for record in photos:
        facts = record.facts
        name = " ".join(filter(None, [facts.make, facts.model])) or "unnamed camera"
        found.setdefault(f"{name}, serial number {facts.serial}" if facts.serial else name, None)
    return list(found)


def _window(photos: list[PhotoRecord]) -> str:
    """First to last photo by the cameras' own clocks, the zone where it is known, and whether any was corrected."""
    taken = sorted((one.facts.taken_local, one.order, one) for one in photos if one.facts.taken_local)
    if not taken:
        return "no photo carries a time"
    first, last = taken[0][0], taken[-1][0]
    same = first.date() == last.date()
    said = f"{time_words(first)} to {last:%H:%M:%S}" if same else f"{time_words(first)} to {time_words(last)}"
    said = f"First to last photo: {said}, camera's local time"
    zones = {one.facts.offset_minutes for *_, one in taken if one.facts.offset_minutes is not None}
    worked = {
        round((one.corrected - one.utc.replace(tzinfo=None)).total_seconds() / 60)
        for one in photos
        if one.corrected and one.utc
    }
    if zones and all(one.facts.offset_minutes is not None for *_, one in taken):
        said += f"; {', '.join(map(offset_words, sorted(zones)))} by the camera"
    elif worked:
        said += f"; {', '.join(map(offset_words, sorted(worked)))}, worked out"
    else:
        said += "; the zone is not known"
    corrected = sum(1 for one in photos if one.correction)
    if corrected:
        said += f". {corrected} {'photo has a corrected time' if corrected == 1 else 'photos have corrected times'}"
        said += ", given beside the camera's own"
    return said


def _coverage(desk: Desk) -> None:
    pen, report = desk.pen, desk.matter.coverage
    pen.need(1.6)
    pen.rule(MARGIN, pen.y, WIDTH, weight=0.012)
    pen.y += 0.1
    pen.y = pen.block(
        f"Required shots: {report.list_title} ({report.basis})", MARGIN, pen.y, width=WIDTH, size=9, colour=GREY,
        most=2,
    )  # fmt: skip
    pen.y += 0.04
    counts = (
        (len(report.met), "shown", ACCENT),
        (len(report.guessed), "only guessed", INK),
        (len(report.missing), "missing", WARN),
        (len(report.waived), "set aside", INK),
    )
    for place, (count, words, colour) in enumerate(counts):
        x = MARGIN + place * WIDTH / 4
        end = pen.say(str(count), x, pen.y, size=24, style=BOLD, colour=colour if count else GREY)
        pen.say(words, end + 0.08, pen.y + 0.19, size=10, colour=INK if count else GREY)
    pen.y += 0.5
    pen.flow(_verdict(desk), size=10, style=BOLD, colour=ACCENT if report.complete else WARN, after=0.06)
    _listed(pen, "Missing", _by_title(report.missing))
    _listed(pen, "Only guessed; nobody has confirmed it, so it proves nothing", _by_title(report.guessed))
    _listed(pen, "Set aside", [f"{_named(item)}: {item.why}" for item in report.waived])


def _verdict(desk: Desk) -> str:
    report = desk.matter.coverage
    if report.complete:
        waived = " but for what a person set aside" if report.waived else ""
        return f"Complete: every required shot is shown and stated{waived}."
    parts = []
    if report.missing:
        parts.append(
            f"{len(report.missing)} required {'shot is' if len(report.missing) == 1 else 'shots are'} missing"
        )
    if report.guessed:
        many = len(report.guessed)
        parts.append(f"{many} {'rests' if many == 1 else 'rest'} on guesses that nobody has confirmed")
    return f"Not complete: {' and '.join(parts)}."


def _named(item: Item) -> str:
    return f"{item.title}, {item.place}" if item.place else item.title


def _by_title(items: Iterable[Item]) -> list[str]:
    """One line a shot, its places behind it."""
    found: dict[str, list[str]] = {}
    for item in items:
        found.setdefault(item.title, []).append(item.place)
    return [
        f"{title}: {', '.join(filter(None, places))}" if any(places) else title
        for title, places in found.items()
    ]


def _listed(pen: Pen, title: str, lines: list[str]) -> None:
    if not lines:
        return
    pen.need(0.45)
    pen.flow(title, size=9.5, style=BOLD)
    for line in lines:
        pen.flow(line, x=MARGIN + 0.18, width=WIDTH - 0.18, size=9.5)
    pen.y += 0.06


def _flags(desk: Desk) -> None:
    """Everything about the file or one photo that is worth a look, photos by their number."""
    pen = desk.pen
    flags = desk.matter.coverage.flags
    pen.heading("What to look at")
    if not flags:
        pen.flow("The check raised no flag.", size=9.5)
    order = sorted(flags, key=lambda flag: (desk.numbers.get(Sha256(flag.subject), 0), flag.code))
    for flag in order:
        _flag(desk, flag)


def _flag(desk: Desk, flag: Finding) -> None:
    pen, sha = desk.pen, Sha256(flag.subject)
    number = desk.numbers.get(sha)
    pen.need(0.2)
    label = f"Photo {number}" if number else "Claim"
    pen.say(label, MARGIN, pen.y, size=9.5, style=BOLD, link=desk.links.get(sha))
    pen.flow(flag.message, x=MARGIN + 0.85, width=WIDTH - 0.85, size=9.5)


def _signed(desk: Desk) -> None:
    pen, sign = desk.pen, desk.matter.sign_off
    pen.heading("Sign-off")
    if sign is None:
        pen.flow("Nobody has signed this claim off.", size=9.5)
        return
    pen.flow(f"Signed off by {sign.by} on {time_words(sign.at)} UTC.", size=9.5)
    if sign.note:
        pen.flow(f"Note: {sign.note}", size=9.5)


# --- the photos --------------------------------------------------------------------------


def photo_pages(desk: Desk) -> None:
    """Every photo along the walk; sheets and label cards, which show no damage, six a page."""
    for group in desk.groups:
        many = desk.many(group)
        for place, record in enumerate(group.photos):
            if place % many == 0:
                if place == 0:
                    desk.begin(group.title)
                else:
                    desk.pen.page()
            _photo(desk, record, many, place % many)


def _photo(desk: Desk, record: PhotoRecord, many: int, place: int) -> None:
    pen = desk.pen
    rows, columns = many // (1 if many == 2 else 2), 1 if many == 2 else 2
    row, column = divmod(place, columns)
    height = (BOTTOM - TOP - GAP * (rows - 1)) / rows
    width = (WIDTH - GAP * (columns - 1)) / columns
    x, y = MARGIN + column * (width + GAP), TOP + row * (height + GAP)
    pen.pdf.set_link(desk.links[record.sha256], y=max(0.0, y - 0.2))
    pen.y = y
    said = caption(record, desk.matter.words)
    pen.mark(f"{desk.numbers[record.sha256]}  {said.stated or said.guess or record.name}", 1)
    if many == 2:
        photo_width = 5.15
        _show(desk, record, x, y, photo_width, height)
        _caption(desk, record, x + photo_width + 0.2, y - 0.03, width - photo_width - 0.2, y + height, 10.0)
    else:
        share = {4: 0.62, 6: 0.66}[many]
        used = _show(desk, record, x, y, width, height * share)
        size = {4: 8.5, 6: 7.5}[many]
        _caption(desk, record, x, y + used + 0.05, width, y + height, size)


def _show(desk: Desk, record: PhotoRecord, x: float, y: float, width: float, height: float) -> float:
    """The picture or a frame that says there is none; the height it takes."""
    data = desk.book.large(record)
    if data is not None:
        return _put(desk, data, x, y, width, height)
    desk.without_picture.append(record.sha256)
    height = min(height, width * 0.75)
    desk.pen.box(x, y, width, height)
    desk.pen.block(
        "No picture could be read from this file.", x + 0.2, y + height / 2 - 0.15, width=width - 0.4, size=9,
        colour=GREY,
    )  # fmt: skip
    return height


def _put(
    desk: Desk, jpeg: bytes, x: float, y: float, width: float, height: float, *, align: float = 0.0
) -> float:
    """The picture as large as the room allows; `align` 0 puts it left, 1 right; the height it takes."""
    across, down = size_of(jpeg)
    scale = min(width / across, height / down)
    wide, tall = across * scale, down * scale
    desk.pen.pdf.image(io.BytesIO(jpeg), x=x + (width - wide) * align, y=y, w=wide, h=tall)
    return tall


def _caption(
    desk: Desk, record: PhotoRecord, x: float, y: float, width: float, foot: float, size: float
) -> None:
    """Number, tag, times, compass, file and flags, as far as the room goes; the appendix has every time in full."""
    pen = desk.pen
    said = caption(record, desk.matter.words)
    parts: list[tuple[str, str, Colour]] = []
    if said.stated:
        parts.append((said.stated, BOLD, INK))
    if said.guess:
        parts.append((said.guess, "", INK))
    if not said.stated and not said.guess:
        parts.append((UNTAGGED, "", INK))
    parts.append((said.taken, "", INK))
    if said.corrected:
        parts.append((said.corrected, "", WARN))
    if said.facing:
        parts.append((said.facing, "", INK))
    parts += [(flag.message, "", WARN) for flag in desk.flags.get(record.sha256, ())]
    line = size * LEADING / POINTS
    end = pen.say(f"Photo {desk.numbers[record.sha256]}", x, y, size=size, style=BOLD, colour=ACCENT) + 0.08
    (name,) = pen.lines(record.name, width=max(0.3, x + width - end), size=size - 1, most=1)
    pen.say(name, end, y + 0.012, size=size - 1, colour=GREY)
    y += line * (1 + AIR.get(size, 0.0))
    for text, style, colour in parts:
        room = int((foot - y) / line + 1e-6)
        if room < 1:
            return
        y = pen.block(text, x, y, width=width, size=size, style=style, colour=colour, most=min(room, 10))
        y += line * AIR.get(size, 0.0)
