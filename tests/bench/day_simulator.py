"""Simulated inspection days with ground truth: pure, seeded and independent of the splitter.

Nothing here imports the splitter's parameters, and the distributions are of other kinds where possible:
gaps are gamma, Weibull and triangular rather than log-normal, positions follow a bounded walk with a
slow drift, sheets are read at random. What each photo shows comes from the simulated inspections of
`support_walks`: the calibrated output of an image network, with one person's habits a day (one in five
does the roof first). It uses a random stream of its own, so that a seed gives the same day with and
without pictures. `Mix` states how frequent each difficulty is: our estimate of a hard season (common
practice, no source), not measurements of real days.
"""

from __future__ import annotations

import hashlib
import math
import random
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

from support_timeline import sheet as unread_sheet
from support_walks import Kit, Persona, persona, walk

from evidence.model import Claim, ClaimId, DcfName, DeviceId, GeoPoint, IntakeId, SceneKind, SheetSeen
from evidence.timeline import DayPhoto

ORIGIN = GeoPoint(lat=35.2, lon=-97.4)
M_LAT = 111_132.0
M_LON = 111_320.0 * math.cos(math.radians(ORIGIN.lat))
ZONE = -300
"""Minutes east of UTC of the place."""


@dataclass(frozen=True)
class Mix:
    """How frequent each difficulty is, as a share of days unless the comment names another unit."""

    # sheets
    no_sheets: float = 0.05
    sheets_at_end: float = 0.08
    sheet_missing: float = 0.05  # of houses
    sheet_unreadable: float = 0.07  # of houses; of these .6 legible text, .25 garbled, .15 none
    sheet_twice: float = 0.12  # of houses
    sheet_again_later: float = 0.04  # of houses: the same sheet once more in the middle
    paper_inside: float = 0.10  # of houses: a permit or an invoice that looks like a sheet
    # the day
    photos: tuple[int, int] = (60, 300)  # of four houses in five
    few_photos: tuple[int, int] = (15, 60)  # of the fifth
    next_door: float = 0.12  # of drives
    long_pause: float = 0.15  # of houses: 25 to 60 minutes
    comes_back: float = 0.08
    comes_back_with_sheet: float = 0.5  # of those
    errand_photos: float = 0.25  # of drives
    unlisted_house: float = 0.04  # of houses
    # devices
    phone_only: float = 0.25
    camera_and_phone: float = 0.40
    camera_gps: float = 0.25  # of cameras
    second_adjuster: float = 0.10
    two_cards: float = 0.12  # of camera days
    # clocks and numbers
    rollover: float = 0.10
    clock_reset: float = 0.05
    clock_set_mid_day: float = 0.06
    clock_off: float = 0.20  # of cameras: an hour, a zone, minutes, a wrong date
    renamed: float = 0.05  # of phones: numbers that mean nothing
    # places
    geocode_wrong: float = 0.04  # of claims: 300 m to 5 km off
    no_place: float = 0.15  # of claims: the assignments give no position
    list_by_day: float = (
        0.5  # the day's claims were loaded as a list of their own; else with those of other days
    )
    stale_fix: float = 0.15  # of arrivals: the first fixes are the last house's
    videos: float = 0.02  # of photos
    # further troubles, none in `EASY` and `HARD`: they draw from a random stream of their own
    lost_clock_beside: float = 0.0  # of days with camera and phone: the camera's clock loses its date
    plain_days: float = 0.0  # plain pictures: the network is wrong about them, and some pass for paper
    plain_page: float = 0.06  # of pictures on those days
    clipboard: float = 0.0  # of houses: a form without a code, up to five pages in a row
    slow_days: float = 0.0  # 8 % to 15 % of shots are followed by 45 to 200 seconds
    # pictures
    pictures: float = 1.0  # of days: the pictures were analysed
    unlooked: float = 0.01  # of photos: the analysis failed


EASY = Mix(
    no_sheets=0.0, sheets_at_end=0.0, sheet_missing=0.0, sheet_unreadable=0.02, paper_inside=0.02, next_door=0.05,
    long_pause=0.05, comes_back=0.0, errand_photos=0.05, unlisted_house=0.0, second_adjuster=0.0, two_cards=0.05,
    clock_reset=0.0, clock_set_mid_day=0.0, clock_off=0.05, renamed=0.0, geocode_wrong=0.02, stale_fix=0.05,
)  # fmt: skip
HARD = Mix()
HARDER = replace(HARD, lost_clock_beside=0.2, plain_days=0.35, clipboard=0.25, slow_days=0.35)
SMALL = replace(HARDER, photos=(8, 35), few_photos=(4, 10))
"""The same troubles on small cards: an adjuster who takes the required shots and little more."""
EASY_SLOW = replace(EASY, sheet_unreadable=0.0, next_door=0.0, errand_photos=0.0, slow_days=1.0)
"""Days whose sheets were all read and whose houses lie apart, at a slow rhythm: nothing to ask."""


@dataclass
class Press:
    """One press of the shutter: the truth."""

    at: float  # seconds since midnight, true local
    east: float
    north: float
    claim: str | None
    visit: int  # -1 on an errand
    device: str = "camera"
    reads: str | None = None
    paper: SheetSeen | None = None
    stale: bool = False
    scenes: dict[SceneKind, float] = field(default_factory=dict)


ERRAND_SIGHTS = {"other": 0.6, "house": 0.22, "interior": 0.08, "fixture": 0.06, "roof": 0.04}
"""What is photographed between houses: a road, a meal, a meter reading, hail on somebody else's lawn."""


@dataclass(frozen=True)
class SimDay:
    """The photos as the cards give them, the assignments, and the truth."""

    photos: tuple[DayPhoto, ...]
    claims: tuple[Claim, ...]
    lists: dict[ClaimId, str]
    """The list of assignments that each claim came with."""
    truth: dict[str, ClaimId | None]
    visit: dict[str, int]
    true_time: dict[str, float]
    troubles: frozenset[str] = field(default_factory=frozenset)


FIRST = [
    "Abel",
    "Berta",
    "Carl",
    "Dora",
    "Emil",
    "Frida",
    "Gustav",
    "Hanna",
    "Ivo",
    "Jutta",
    "Karl",
    "Lena",
    "Mats",
    "Nora",
    "Otto",
    "Paula",
]
LAST = [
    "Brack",
    "Dorn",
    "Ebner",
    "Falk",
    "Gries",
    "Holm",
    "Imhof",
    "Jansky",
    "Kolb",
    "Lund",
    "Moser",
    "Nadler",
    "Ohm",
    "Pirk",
    "Quast",
    "Rauh",
]
STREETS = ["Elm", "Oak", "Cedar", "Willow", "Maple", "Birch", "Aspen", "Poplar", "Juniper", "Magnolia"]


def simulate(seed: int, mix: Mix = HARD) -> SimDay:
    """One adjuster's day under `mix`; the same seed gives the same day."""
    day = _Day(random.Random(seed), mix, random.Random(f"{seed} pictures"), random.Random(f"{seed} troubles"))
    day.live()
    return day.deliver()


class _Day:
    def __init__(self, rng: random.Random, mix: Mix, eye: random.Random, more: random.Random) -> None:
        self.rng, self.mix, self.eye, self.more = rng, mix, eye, more
        self.by_day = random.Random(f"{more.getstate()[1][0]} lists").random() < mix.list_by_day
        self.who = persona(eye, "adjuster")
        self.looking = eye.random() < mix.pictures
        self.presses: list[Press] = []
        self.troubles: set[str] = set()
        self.date = datetime(2026, rng.choice([4, 5, 6, 7, 9]), rng.randint(2, 27))
        self.houses: list[dict] = []
        kind = rng.random()
        self.devices = (
            ["phone"] if kind < mix.phone_only
            else ["camera", "phone"] if kind < mix.phone_only + mix.camera_and_phone
            else ["camera"]
        )  # fmt: skip
        self.camera_gps = rng.random() < mix.camera_gps
        self.pace = rng.uniform(5, 22)
        self.style = "none" if self.hit("no_sheets") else "end" if self.hit("sheets_at_end") else "start"
        self.visits = 0
        self.lost = len(self.devices) == 2 and self.hit("lost_clock_beside", more)
        self.plain = self.mix.plain_page if self.hit("plain_days", more) else 0.0
        self.slow = more.uniform(0.08, 0.15) if self.hit("slow_days", more) else 0.0

    def hit(self, name: str, rng: random.Random | None = None) -> bool:
        struck = (rng or self.rng).random() < getattr(self.mix, name)
        if struck:
            self.troubles.add(name)
        return struck

    # --- the day as it happens ---------------------------------------------------------------

    def live(self) -> None:
        rng, now = self.rng, self.rng.uniform(7.5, 9.5) * 3600
        count = rng.randint(3, 8)
        back_after = rng.randint(2, count - 1) if self.hit("comes_back") else -1
        self._plan_houses(count)
        second = rng.randrange(count) if self.hit("second_adjuster") else -1
        here = self.houses[0]
        for k, house in enumerate(self.houses):
            now = self._drive(now, here, house) if k else now
            start, here = now, house
            now = self._inspect(
                now, house, rng.randint(*(self.mix.photos if rng.random() < 0.8 else self.mix.few_photos))
            )
            if k == second:
                self._second_adjuster(start, now, house)
            if k == back_after:
                here = self.houses[0]
                now = self._drive(now, house, here)
                with_sheet = rng.random() < self.mix.comes_back_with_sheet
                now = self._inspect(now, here, rng.randint(8, self.mix.few_photos[1]), sheet=with_sheet)
        self.presses.sort(key=lambda p: p.at)

    def _plan_houses(self, count: int) -> None:
        rng = self.rng
        east = north = 0.0
        names = rng.sample(range(10_000, 99_999), count)
        for k in range(count):
            near = k > 0 and self.hit("next_door")
            if near:
                turn = rng.uniform(0, 2 * math.pi)
                step = rng.uniform(22, 45)
            else:
                turn = rng.uniform(0, 2 * math.pi)
                step = 350 + 9000 * rng.random() ** 2
            east, north = east + step * math.cos(turn), north + step * math.sin(turn)
            listed = not self.hit("unlisted_house")
            self.houses.append({
                "claim": f"HV-{names[k]}" if listed else None, "east": east, "north": north, "near": near,
                "insured": f"{rng.choice(FIRST)} {rng.choice(LAST)}",
                "address": f"{rng.randint(100, 9999)} {rng.choice(STREETS)} {rng.choice(['St', 'Ave', 'Ct', 'Ln'])}",
            })  # fmt: skip

    def _drive(self, now: float, a: dict, b: dict) -> float:
        rng = self.rng
        far = math.hypot(a["east"] - b["east"], a["north"] - b["north"])
        if far < 60:
            return now + rng.uniform(240, 440)
        legs = rng.triangular(150, 900, 300) + far / rng.uniform(6, 14)
        if self.hit("errand_photos"):
            part = rng.uniform(0.25, 0.75)
            at = now + legs * part
            for _ in range(rng.randint(1, 3)):
                self._press(
                    at,
                    a["east"] + part * (b["east"] - a["east"]),
                    a["north"] + part * (b["north"] - a["north"]),
                    None,
                    -1,
                ).scenes = self._sight(ERRAND_SIGHTS)
                at += rng.uniform(3, 40)
            now = max(now, at - legs * part)
        return now + legs

    def _inspect(self, now: float, house: dict, photos: int, *, sheet: bool = True) -> float:
        rng, visit = self.rng, self.visits
        self.visits += 1
        claim, first = house["claim"], len(self.presses)
        if self.style == "start" and sheet:
            now = self._sheet(now, house, visit)
        pause_at = rng.randrange(5, photos) if photos > 10 and self.hit("long_pause") else -1
        again_at = (
            rng.randrange(5, photos)
            if photos > 10 and self.hit("sheet_again_later") and claim and self.style != "none"
            else -1
        )
        paper_at = rng.randrange(3, photos) if self.hit("paper_inside") else -1
        angle, out = rng.uniform(0, 6.28), rng.uniform(6, 18)
        sights = self._walk(self.who, photos, whole=sheet or photos > 60)
        for k in range(photos):
            if k == pause_at:
                now += rng.uniform(1500, 3600)
            angle += rng.gauss(0.05, 0.12)
            out = min(28.0, max(3.0, out + rng.uniform(-1.5, 1.5)))
            press = self._press(
                now,
                house["east"] + out * math.cos(angle),
                house["north"] + out * math.sin(angle),
                claim,
                visit,
            )
            press.scenes = sights[k]
            if k == again_at:
                press.reads = claim
                press.scenes = self._sight({"sheet": 1.0})
            if k == paper_at:
                press.paper = unread_sheet(
                    "PERMIT", "roof and gutter works", confidence=rng.uniform(0.5, 0.95)
                )
                press.scenes = self._sight({"sheet": 0.8, "other": 0.2})
            now += self._step()
            if self.more.random() < self.slow:
                now += self.more.triangular(45, 200, 80)
        self._papers(self.presses[first:])
        if self.style == "end" and sheet:
            now = self._sheet(now, house, visit)
        if visit and rng.random() < self.mix.stale_fix:
            for press in self.presses[first : first + rng.randint(1, 4)]:
                press.stale = True
        return now

    def _papers(self, walk: list[Press]) -> None:
        """Pages without a code among the photos of a walk: plain surfaces that pass for paper, and clipboards."""
        more = self.more
        free = [p for p in walk if p.reads is None and p.paper is None]
        for press in free:
            if self.plain:
                press.scenes = self._plain_sight()
            if more.random() < self.plain:
                press.paper = unread_sheet(confidence=0.5 + 0.45 * more.betavariate(1.5, 2.5))
        if len(free) > 12 and self.hit("clipboard", more):
            at, pages = more.randrange(1, len(free) - 6), more.randint(1, 5)
            for k, press in enumerate(free[at : at + pages]):
                press.paper = unread_sheet(
                    "SCOPE OF WORK", "page", str(k + 1), "sq ft", confidence=more.uniform(0.7, 0.99)
                )
                press.scenes = self._sight({"sheet": 1.0})

    def _step(self) -> float:
        rng = self.rng
        kind = rng.random()
        if kind < 0.12:
            return rng.uniform(0.3, 1.5)  # bursts
        if kind < 0.955:
            return 1.0 + self.pace * rng.gammavariate(1.3, 0.7)
        if kind < 0.995:
            return 30 + 60 * rng.weibullvariate(1.0, 0.9)  # to the other side, up the ladder
        return rng.triangular(180, 1100, 240)  # a talk with the insured

    def _sheet(self, now: float, house: dict, visit: int) -> float:
        rng = self.rng
        claim = house["claim"]
        if claim is None:
            if rng.random() < 0.5:  # a sheet written by hand
                press = self._press(now, house["east"], house["north"], None, visit)
                press.scenes = self._sight({"sheet": 1.0})
                share = rng.uniform(0.7, 0.98)
                press.paper = unread_sheet("CLAIM", "9" + str(rng.randint(1000, 9999)), confidence=share)
            return now + 20
        if self.hit("sheet_missing"):
            return now
        twice = self.hit("sheet_twice")
        unread = self.hit("sheet_unreadable")
        for k in range(1 + twice):
            press = self._press(now, house["east"] + rng.uniform(-12, 12), house["north"] + 14, claim, visit)
            press.scenes = self._sight({"sheet": 0.9, "other": 0.1})
            if unread and not (k == 1 and rng.random() < 0.3):
                share = rng.uniform(0.55, 0.99)
                press.paper = unread_sheet(*self._lines(house), confidence=share)
                if rng.random() < 0.15:
                    press.paper = None  # not even recognised as a sheet
            else:
                press.reads = claim
            now += rng.uniform(4, 15)
        return now + rng.uniform(5, 90)

    def _lines(self, house: dict) -> tuple[str, ...]:
        rng, kind = self.rng, self.rng.random()
        if kind < 0.15:
            return ()
        errors = 0.03 if kind < 0.75 else 0.4
        letters = "abcdefghijklmnopqrstuvwxyz0123456789"

        def smudge(text: str) -> str:
            return "".join(rng.choice(letters) if c != " " and rng.random() < errors else c for c in text)

        return (smudge("CLAIM " + str(house["claim"])), smudge(house["insured"]), smudge(house["address"]))

    def _second_adjuster(self, start: float, stop: float, house: dict) -> None:
        """A colleague's card for the same claim: overlapping in time, with or without the sheet."""
        rng, now = self.rng, start + self.rng.uniform(60, 900)
        if rng.random() < 0.4:
            self._press(
                now, house["east"], house["north"] + 12, house["claim"], self.visits - 1, "colleague"
            ).reads = house["claim"]
        colleague = persona(self.eye, "colleague")
        sights, taken = self._walk(colleague, 60, whole=True), 0
        while now < stop and len([p for p in self.presses if p.device == "colleague"]) < 60:
            now += 5 + 20 * rng.gammavariate(1.2, 1.0)
            spot = rng.uniform(0, 6.28)
            self._press(
                now,
                house["east"] + 12 * math.cos(spot),
                house["north"] + 12 * math.sin(spot),
                house["claim"],
                self.visits - 1,
                "colleague",
            ).scenes = sights[min(taken, 59)]
            taken += 1

    # --- what the photos show ----------------------------------------------------------------

    def _walk(self, who: Persona, count: int, *, whole: bool) -> list[dict[SceneKind, float]]:
        """What a network sees on `count` photos of one inspection; a short return shows a part of one."""
        photos = walk(self.eye.getrandbits(32), who, Kit()).photos
        first, span = 0, len(photos)
        if not whole and count < span:
            first, span = self.eye.randrange(span - count), count
        return [dict(photos[first + k * span // count].look.scenes) for k in range(count)]

    def _sight(self, shares: dict[str, float]) -> dict[SceneKind, float]:
        """A calibrated output for a photo outside the walk: with probability c it is right in a share c of cases."""
        eye = self.eye
        kind = eye.choices(list(shares), weights=list(shares.values()))[0]
        sure = eye.betavariate(8.0, 1.5)
        says = kind if eye.random() < sure else eye.choice([k.value for k in SceneKind if k.value != kind])
        rest = (1 - sure) / (len(SceneKind) - 1)
        return {k: sure if k.value == says else rest for k in SceneKind}

    def _plain_sight(self) -> dict[SceneKind, float]:
        """What the network makes of a plain surface: one of a few kinds, without regard to the truth."""
        more = self.more
        says = more.choices(
            [SceneKind.OTHER, SceneKind.HOUSE, SceneKind.INTERIOR, SceneKind.SHINGLE], [6, 2, 1, 1]
        )[0]
        sure = more.betavariate(4.0, 3.0)
        rest = (1 - sure) / (len(SceneKind) - 1)
        return {k: sure if k == says else rest for k in SceneKind}

    def _press(
        self, at: float, east: float, north: float, claim: str | None, visit: int, device: str = ""
    ) -> Press:
        if not device:
            device = (
                self.devices[0] if len(self.devices) == 1 or self.rng.random() < 0.75 else self.devices[1]
            )
        press = Press(at, east, north, claim, visit, device)
        self.presses.append(press)
        return press

    # --- what the cards say of it ----------------------------------------------------------------

    def deliver(self) -> SimDay:
        photos: list[tuple[DayPhoto, Press]] = []
        for device in sorted({p.device for p in self.presses}):
            photos += self._card(device, [p for p in self.presses if p.device == device])
        claims = [self._site(h) for h in {h["claim"]: h for h in self.houses if h["claim"]}.values()]
        today, later = ("today", "later") if self.by_day else ("all", "all")
        lists = {c.claim: today for c in claims}
        for _ in range(self.rng.randint(0, 4)):  # assignments of another day
            claims.append(
            Claim(claim=ClaimId(f"HV-{self.rng.randint(1000, 9999)}"), insured=f"{self.rng.choice(FIRST)} {self.rng.choice(LAST)}",
                address=f"{self.rng.randint(100, 9999)} {self.rng.choice(STREETS)} Rd",
                place=_geo(self.rng.uniform(-9000, 9000), self.rng.uniform(-9000, 9000))))  # fmt: skip
            lists[claims[-1].claim] = later
        self.rng.shuffle(photos)
        return SimDay(
            photos=tuple(s for s, _ in photos),
            claims=tuple(claims),
            lists=lists,
            truth={s.sha256: ClaimId(p.claim) if p.claim else None for s, p in photos},
            visit={s.sha256: p.visit for s, p in photos},
            true_time={s.sha256: p.at for s, p in photos},
            troubles=frozenset(self.troubles),
        )

    def _site(self, house: dict) -> Claim:
        rng = self.rng
        place = None
        if not self.hit("no_place"):
            off = rng.uniform(300, 5000) if self.hit("geocode_wrong") else rng.uniform(3, 45)
            turn = rng.uniform(0, 6.28)
            place = _geo(house["east"] + off * math.cos(turn), house["north"] + off * math.sin(turn))
        return Claim(
            claim=ClaimId(house["claim"]), insured=house["insured"], address=house["address"], place=place
        )

    def _clock(self, device: str, count: int) -> list[float]:
        """Seconds fast for each press of a device, in order; NaN where the clock lost its date."""
        rng = self.rng
        if device == "phone":
            return [0.0] * count
        fast = rng.uniform(-40, 40)
        if self.hit("clock_off"):
            fast = rng.choice(
                [3600.0, -3600.0, 7200.0, rng.uniform(-1500, 1500), 86_400.0 * rng.randint(-300, 300)]
            )
        out = [fast] * count
        if count > 20 and self.hit("clock_set_mid_day"):
            k = rng.randrange(5, count - 5)
            change = rng.choice([3600.0, -3600.0, -rng.uniform(600, 9000)])
            out[:k] = [fast - change] * k
        if count > 20 and self.lost:
            k = more.randrange(count // 2) if (more := self.more).random() < 0.6 else 0
            stop = count if more.random() < 0.6 else more.randrange(k + 1, count)
            out[k:stop] = [math.nan] * (stop - k)
        if count > 20 and self.hit("clock_reset"):
            k = rng.randrange(5, count - 5)
            stop = count if rng.random() < 0.6 else rng.randrange(k, count)
            out[k:stop] = [math.nan] * (stop - k)
        return out

    def _card(self, device: str, presses: list[Press]) -> list[tuple[DayPhoto, Press]]:
        rng = self.rng
        fast = self._clock(device, len(presses))
        number = (
            rng.randint(9999 - len(presses), 9998)
            if len(presses) < 9000 and self.hit("rollover")
            else rng.randint(1, 7000)
        )
        folder = rng.randint(100, 140)
        has_gps = device != "camera" or self.camera_gps
        renamed = device == "phone" and self.hit("renamed")
        numbers = rng.sample(range(1, 9999), len(presses)) if renamed else []
        zone_tag = device == "phone"
        subseconds = rng.random() < 0.6
        drift, reset_at, out = [0.0, 0.0], None, []
        card_change = (
            rng.randrange(len(presses)) if device == "camera" and self.hit("two_cards") else len(presses)
        )
        last_fix: tuple[GeoPoint, datetime] | None = None
        for k, press in enumerate(presses):
            number += 1 if rng.random() < 0.97 else rng.randint(2, 4)  # deleted in between
            if number > 9999:
                number, folder = number - 9999, folder + 1
            drift = [0.97 * d + rng.uniform(-2.2, 2.2) for d in drift]
            utc = (self.date + timedelta(seconds=press.at) - timedelta(minutes=ZONE)).replace(tzinfo=UTC)
            gps = gps_time = None
            if has_gps and rng.random() < 0.9:
                if press.stale and last_fix is not None:
                    gps, gps_time = last_fix
                else:
                    gps = _geo(
                        press.east + drift[0] + rng.uniform(-3, 3),
                        press.north + drift[1] + rng.uniform(-3, 3),
                    )
                    gps_time = utc.replace(microsecond=0) - timedelta(seconds=rng.choice([0, 0, 1, 1, 2, 8]))
                    last_fix = (gps, gps_time)
            if math.isnan(fast[k]):
                reset_at = press.at if reset_at is None else reset_at
                taken = datetime(2000, 1, 1) + timedelta(seconds=press.at - reset_at)
            else:
                taken = self.date + timedelta(seconds=press.at + fast[k])
            if not subseconds:
                taken = taken.replace(microsecond=0)
            video = rng.random() < self.mix.videos and press.reads is None and press.paper is None
            shown = numbers[k] if renamed else number
            card = f"{device}-{'b' if k >= card_change else 'a'}"
            name = f"{'MOV' if video else 'IMG'}_{shown:04d}.{'MP4' if video else 'JPG'}"
            path = f"DCIM/{folder}DAYXX/{name}"
            key = hashlib.sha256(f"{self.date}{device}{path}{press.at}".encode()).hexdigest()
            photo = DayPhoto(
                sha256=key, device=DeviceId(device), card=IntakeId(card), card_path=path, name=name,
                dcf=DcfName(folder_number=folder, file_number=shown),
                taken_local=None if video else taken,
                offset_minutes=ZONE if zone_tag and not video else None,
                gps=None if video else gps, gps_time=None if video else gps_time,
                dividers=(ClaimId(press.reads),) if press.reads else (),
                sheet=None if press.reads else press.paper,
                is_photo=not video, object_key=f"{folder}-{shown}",
                scenes=press.scenes if self.looking and not video and self.eye.random() >= self.mix.unlooked else {},
            )  # fmt: skip
            out.append((photo, press))
        return out


def _geo(east: float, north: float) -> GeoPoint:
    return GeoPoint(lat=ORIGIN.lat + north / M_LAT, lon=ORIGIN.lon + east / M_LON)


def shifted(day: SimDay, seconds: float) -> SimDay:
    """The same day with every clock moved by a constant; GPS is left out, since it would correct the clocks."""
    moved = tuple(
        replace(
            s,
            gps_time=None,
            taken_local=s.taken_local + timedelta(seconds=seconds) if s.taken_local else None,
        )
        for s in day.photos
    )
    return replace(day, photos=moved)
