"""Simulated inspections with their truth: how people walk round houses and what they photograph.

Written from the trade's practice (common practice, no source) and independent of config/walk.toml: none of
its numbers come from there, and it has habits that the model does not contain (a personal order of things, a
face that ends with its overview, roof items between the slopes, going back for a forgotten shot).
The same seed gives the same walk.
"""

from __future__ import annotations

import hashlib
import math
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np

from evidence.model import (
    Box,
    CameraFacts,
    ChalkSeen,
    ClaimId,
    GeoPoint,
    LabelMark,
    Look,
    PhotoRecord,
    SceneKind,
    Sha256,
    WritingLine,
)

SIDES = ("front", "right", "back", "left")
KINDS = tuple(SceneKind)


@dataclass(frozen=True)
class Truth:
    """What a photo really shows."""

    role: str
    face: str = "none"
    component: str = ""
    condition: str = ""
    count: str = ""


@dataclass(frozen=True)
class Persona:
    """One adjuster's way of working."""

    name: str
    clockwise: bool = True
    roof_first: bool = False
    roof_as_ground: bool = True
    parts: tuple[str, ...] = ("gutter", "downspout", "screen", "siding")
    overview_at_end: bool = False
    items_between: bool = False
    measures_late: bool = False
    haste: float = 1.0


@dataclass(frozen=True)
class Kit:
    """The evidence in the photos besides the picture."""

    boards: float = 0.0
    """Share of photos with a legible board."""
    misread: float = 0.0
    """Share of a board's characters read wrong."""
    cards: bool = False
    """A label card is shown at every change."""
    compass: float = 0.0
    """Share of photos with a compass direction and a position."""
    vectors: bool = False
    """Pictures have a vector: similar where they show the same thing, without a sign of what it is."""
    scenes: float = 0.87
    """Mean of the network's confidence, which is calibrated."""


@dataclass
class Walk:
    """Photos in order and the truth of each; None for a label card."""

    persona: Persona
    photos: list[PhotoRecord] = field(default_factory=list)
    truth: list[Truth | None] = field(default_factory=list)


def persona(rng: random.Random, name: str, *, clockwise: float = 0.6) -> Persona:
    """A made-up adjuster."""
    parts = ["gutter", "downspout", "screen", "siding"]
    if rng.random() < 0.5:
        rng.shuffle(parts)
    return Persona(
        name=name,
        clockwise=rng.random() < clockwise,
        roof_first=rng.random() < 0.2,
        roof_as_ground=rng.random() < 0.85,
        parts=tuple(parts),
        overview_at_end=rng.random() < 0.08,
        items_between=rng.random() < 0.25,
        measures_late=rng.random() < 0.25,
        haste=rng.uniform(0.7, 1.5),
    )


ORDINARY = Persona(name="ordinary")


def _round(clockwise: bool) -> tuple[str, ...]:
    return ("front", "left", "back", "right") if clockwise else ("front", "right", "back", "left")


# --- the walk ------------------------------------------------------------------------------


def shots(rng: random.Random, who: Persona) -> Iterator[tuple[Truth, float]]:
    """The truth of each photo in order, and the seconds since the one before."""
    hip = rng.random() < 0.55
    gable = ("front", "back") if rng.random() < 0.8 else ("left", "right")
    eaves = SIDES if hip else gable
    ac = rng.choice(("left", "right", "back"))
    ground = list(_ground(rng, who, eaves, ac))
    roof = list(_roof(rng, who, eaves))
    first, second = (roof, ground) if who.roof_first else (ground, roof)
    start = []
    if rng.random() < 0.5:
        start.append((Truth("overview", "front", "address"), 0.0))
    if rng.random() < 0.3:
        start.append((Truth("overview", "front", "street_view"), 15.0))
    yield from start
    for block in (first, second):
        if not block:
            continue
        (truth, _), *rest = block
        yield truth, rng.uniform(20, 90) if block is first else rng.uniform(60, 400)
        yield from rest
    if rng.random() < 0.2:
        yield from _inside(rng)


def _pause(rng: random.Random, mean: float) -> float:
    return 1.5 + rng.gammavariate(2.0, mean / 2.0)


def _thing(
    rng: random.Random, face: str, part: str, damaged: bool, haste: float
) -> Iterator[tuple[Truth, float]]:
    if damaged:
        for k in range(rng.choice((1, 2, 2, 3, 4))):
            yield Truth("close_up", face, part, "damage"), _pause(rng, (4 if k else 9) / haste)
    else:
        for k in range(rng.choice((1, 1, 1, 2))):
            yield Truth("no_damage_proof", face, part, "no_damage"), _pause(rng, (4 if k else 9) / haste)


def _ground(rng: random.Random, who: Persona, eaves: Sequence[str], ac: str) -> Iterator[tuple[Truth, float]]:
    hit_side = rng.choice(SIDES)
    owed: list[tuple[str, str]] = []
    for face in _round(who.clockwise):
        elevation = [(Truth("elevation", face), _pause(rng, 18 / who.haste))]
        if rng.random() < 0.4:
            elevation.append((Truth("elevation", face), _pause(rng, 6 / who.haste)))
        things: list[tuple[Truth, float]] = []
        has = {
            "gutter": face in eaves,
            "downspout": rng.random() < 0.75,
            "screen": rng.random() < 0.8,
            "siding": rng.random() < 0.85,
        }
        for part in who.parts:
            if not has[part]:
                continue
            if rng.random() < 0.03:
                owed.append((face, part))
                continue
            damaged = rng.random() < (0.75 if face == hit_side else 0.3)
            things += _thing(rng, face, part, damaged, who.haste)
        extra = [
            p
            for p, odds in (("window", 0.15), ("fascia", 0.12), ("door", 0.1 if face != "front" else 0.4))
            if rng.random() < odds
        ]
        if face == "front" and rng.random() < 0.5:
            extra.append("garage_door")
        if face == ac:
            extra.append("ac_unit")
        for part in extra:
            things += _thing(rng, face, part, rng.random() < 0.35, who.haste)
        if rng.random() < 0.03 and things:
            things = things[: len(things) // 2]
        late = who.overview_at_end
        yield from (things + elevation if late else elevation + things)
    for face, part in owed:
        (truth, _), *rest = list(_thing(rng, face, part, rng.random() < 0.4, who.haste))
        yield truth, _pause(rng, 40)
        yield from rest
    for part, odds in (("fence", 0.3), ("shed", 0.15), ("deck", 0.2), ("mailbox", 0.15)):
        if rng.random() < odds:
            things = list(_thing(rng, "none", part, rng.random() < 0.5, who.haste))
            yield things[0][0], _pause(rng, 25)
            yield from things[1:]


def _roof(rng: random.Random, who: Persona, eaves: Sequence[str]) -> Iterator[tuple[Truth, float]]:
    order = list(_round(who.clockwise == who.roof_as_ground))
    slopes = [side for side in order if side in eaves]
    windward = rng.choice(slopes)
    measures = [
        (Truth("measurement", "none", name), _pause(rng, 12 / who.haste))
        for name, odds in (
            ("shingle_gauge", 0.85),
            ("pitch_gauge", 0.9),
            ("layers", 0.65),
            ("drip_edge", 0.6),
        )
        for _ in range(1 if rng.random() < 0.85 else 2)
        if rng.random() < odds
    ]
    items: list[list[tuple[Truth, float]]] = []
    for part, odds in (
        ("vent", 0.95),
        ("pipe_boot", 0.85),
        ("ridge", 0.8),
        ("valley", 0.25),
        ("flashing", 0.3),
        ("chimney", 0.25),
        ("skylight", 0.12),
        ("soft_spot", 0.1),
    ):
        if rng.random() < odds:
            rounds = rng.choice((1, 1, 2)) if part in ("vent", "pipe_boot") else 1
            items += [list(_thing(rng, "none", part, rng.random() < 0.6, who.haste)) for _ in range(rounds)]
    overview = [(Truth("overview", "none", "roof"), _pause(rng, 10)) for _ in range(rng.choice((0, 1, 2, 3)))]
    if not who.measures_late:
        yield from measures
    for face in slopes:
        hits = rng.randint(6, 15) if face == windward else rng.choice((0, 0, 1, 3, 5, 8))
        for k in range(rng.choice((1, 1, 2))):
            yield Truth("slope", face), _pause(rng, (5 if k else 20) / who.haste)
        if rng.random() < 0.93:
            for k in range(rng.choice((1, 1, 1, 2))):
                yield Truth("test_square", face, "", "", str(hits)), _pause(rng, (6 if k else 40) / who.haste)
        for _ in range(rng.randint(2, 7) if hits else rng.choice((0, 1, 2))):
            condition = "damage" if hits else "no_damage"
            role = "close_up" if hits else "no_damage_proof"
            yield Truth(role, face, "shingle", condition), _pause(rng, 6 / who.haste)
        if who.items_between and items:
            for _ in range(min(len(items), 2)):
                yield from items.pop(0)
    for item in items:
        yield from item
    yield from overview
    if who.measures_late:
        yield from measures


def _inside(rng: random.Random) -> Iterator[tuple[Truth, float]]:
    for room in range(rng.randint(1, 4)):
        for k in range(rng.choice((1, 2, 2, 3))):
            yield (
                Truth("overview", "none", "room"),
                rng.uniform(60, 240) if not room and not k else _pause(rng, 10),
            )
        for part in ("ceiling", "wall", "floor"):
            if rng.random() < 0.5:
                yield from _thing(rng, "none", part, rng.random() < 0.8, 1.0)


# --- the camera and the image network ----------------------------------------------

_LOOKS: dict[str, dict[str, float]] = {
    "elevation": {"house": 0.95, "other": 0.05},
    "street": {"house": 0.75, "other": 0.25},
    "wall": {"house": 0.4, "fixture": 0.2, "other": 0.35, "shingle": 0.05},
    "metal": {"fixture": 0.65, "house": 0.15, "other": 0.2},
    "yard": {"other": 0.55, "house": 0.25, "fixture": 0.2},
    "gauge": {"gauge": 0.75, "shingle": 0.15, "other": 0.1},
    "slope": {"roof": 0.92, "house": 0.04, "shingle": 0.04},
    "square": {"roof": 0.6, "shingle": 0.4},
    "shingle": {"shingle": 0.85, "roof": 0.12, "other": 0.03},
    "rooftop": {"fixture": 0.7, "roof": 0.2, "other": 0.1},
    "ridge": {"roof": 0.5, "shingle": 0.45, "other": 0.05},
    "room": {"interior": 0.9, "other": 0.1},
    "stray": {"other": 0.8, "interior": 0.1, "sheet": 0.1},
}


def _look_of(truth: Truth) -> str:
    by_part = {
        "address": "metal", "street_view": "street", "siding": "wall", "gutter": "metal", "downspout": "metal",
        "screen": "metal", "window": "wall", "fascia": "metal", "door": "wall", "garage_door": "wall", "ac_unit": "metal",
        "fence": "yard", "shed": "yard", "deck": "yard", "mailbox": "yard", "shingle": "shingle", "ridge": "ridge",
        "valley": "ridge", "soft_spot": "shingle", "room": "room", "ceiling": "room", "wall": "room", "floor": "room",
    }  # fmt: skip
    if truth.role in ("elevation", "slope"):
        return truth.role
    if truth.role == "test_square":
        return "square"
    if truth.role == "measurement":
        return "gauge"
    if truth.role == "other":
        return "stray"
    if truth.component == "roof":
        return "slope"
    return by_part.get(truth.component, "rooftop")


def _draw(rng: random.Random, shares: dict[str, float]) -> str:
    return rng.choices(list(shares), weights=list(shares.values()))[0]


def _scenes(rng: random.Random, truth: Truth, kit: Kit) -> dict[SceneKind, float]:
    """The probabilities of a calibrated network: with a confidence of c it is right in a share c of the cases."""
    kind = _draw(rng, _LOOKS[_look_of(truth)])
    sure = rng.betavariate(9.0, 9.0 * (1 - kit.scenes) / kit.scenes)
    says = kind if rng.random() < sure else rng.choice([k.value for k in KINDS if k != kind])
    rest = [rng.expovariate(1.0) for _ in KINDS]
    rest[[k.value for k in KINDS].index(says)] = 0.0
    total = sum(rest)
    out = {k: (1 - sure) * r / total for k, r in zip(KINDS, rest, strict=True)}
    out[SceneKind(says)] = sure
    return out


def _chalk(rng: random.Random, truth: Truth) -> ChalkSeen | None:
    chance = {"test_square": 0.8, "close_up": 0.12 if truth.component == "shingle" else 0.01, "slope": 0.1}
    if rng.random() < chance.get(truth.role, 0.01):
        marks = max(0, int(truth.count or 0) + rng.choice((-2, -1, 0, 0, 0, 1, 2)))
        return ChalkSeen(square=rng.uniform(0.5, 0.98), marks=marks)
    return ChalkSeen(square=rng.uniform(0.0, 0.25), marks=None)


class PictureVectors:
    """Vectors of one inspection's pictures: sums of a part for the house, for the look and for the thing.

    The parts differ between inspections, so nothing can be learned from one for another: they only show
    whether two pictures are similar. The shares are chosen so that cosines are near those of real pictures
    of one house (about 0.8 for the same thing again, 0.4 to 0.65 for others): common practice, no source.
    """

    SIZE = 1280

    def __init__(self, rng: random.Random) -> None:
        self.rng = rng
        self.made = np.random.default_rng(rng.getrandbits(64))
        self.parts: dict[tuple[str, ...], np.ndarray] = {}
        self.common: dict[tuple[str, ...], float] = {}
        self.last: Truth | None = None
        self.thing = 0

    def vector(self, truth: Truth) -> bytes:
        """The vector of the next picture. A second close-up often shows another part of the same thing."""
        again = truth == self.last
        if not again or (truth.role in ("close_up", "no_damage_proof") and self.rng.random() < 0.35):
            self.thing += 1
        self.last = truth
        look = _look_of(truth)
        sort = "covering" if look in ("slope", "square", "shingle") else look
        thing = (str(self.thing),)
        common = self.common.setdefault(thing, self.rng.uniform(0.35, 0.7))
        alike = (1 - common) * (0.8 if look == "shingle" else 0.45)
        blur = self.rng.uniform(0.08, 0.35)
        shares = {("house",): common, ("sort", sort): alike, thing: 1 - common - alike}
        whole = sum(
            (math.sqrt((1 - blur) * share) * self._part(name) for name, share in shares.items()),
            math.sqrt(blur) * self._fresh(),
        )
        return (whole / np.linalg.norm(whole)).astype("<f2").tobytes()

    def _part(self, name: tuple[str, ...]) -> np.ndarray:
        if name not in self.parts:
            self.parts[name] = self._fresh()
        return self.parts[name]

    def _fresh(self) -> np.ndarray:
        return self.made.normal(size=self.SIZE) / math.sqrt(self.SIZE)


_FACES = {
    "front": ("FRONT", "F", "FRT"),
    "right": ("RIGHT", "RT"),
    "back": ("BACK", "REAR"),
    "left": ("LEFT", "L", "LT"),
}
_PARTS = {
    "gutter": ("GUTTER", "GTR", "GUTTERS"), "downspout": ("DOWNSPOUT", "DS"), "screen": ("SCREEN", "WINDOW SCREEN", "SCR"),
    "siding": ("SIDING",), "ac_unit": ("A/C", "AC UNIT", "CONDENSER"), "vent": ("VENT", "TURTLE VENT"),
    "pipe_boot": ("PIPE BOOT", "PIPE JACK"), "ridge": ("RIDGE", "RIDGE CAP"), "shingle_gauge": ("SHINGLE GAUGE",),
    "pitch_gauge": ("PITCH 6/12", "8/12", "PITCH"), "layers": ("1 LAYER", "2 LAYERS"), "drip_edge": ("DRIP EDGE", "DRIP EDGE Y"),
    "chimney": ("CHIMNEY",), "valley": ("VALLEY",), "flashing": ("FLASHING",), "skylight": ("SKYLIGHT",), "fence": ("FENCE",),
    "shed": ("SHED",), "deck": ("DECK",), "window": ("WINDOW",), "door": ("DOOR",), "fascia": ("FASCIA",),
    "garage_door": ("GARAGE DOOR",), "soft_spot": ("SOFT SPOT",), "ceiling": ("CEILING",), "wall": ("WALL",), "floor": ("FLOOR",),
    "mailbox": ("MAILBOX",), "roof": ("ROOF",), "room": ("ROOM",), "shingle": ("",), "address": ("HOUSE NUMBER",), "street_view": ("STREET VIEW",),
}  # fmt: skip
_ROLES = {
    "elevation": ("ELEVATION", "ELEV"),
    "slope": ("SLOPE",),
    "test_square": ("TS", "TEST SQUARE"),
    "overview": ("OVERVIEW",),
}
_STATES = {"no_damage": ("NO DMG", "NO DAMAGE", "N/D"), "damage": ("DMG", "DAMAGE")}
_CONFUSED = {
    "0": "O",
    "O": "0",
    "1": "I",
    "I": "1",
    "5": "S",
    "S": "5",
    "8": "B",
    "B": "8",
    "G": "6",
    "E": "F",
    "T": "I",
    "C": "G",
    "U": "V",
    "R": "K",
    "N": "M",
    "D": "O",
    "A": "4",
    "L": "I",
}


def board(rng: random.Random, truth: Truth) -> str:
    """What the adjuster writes for such a photo."""
    words = [] if truth.face == "none" else [rng.choice(_FACES[truth.face])]
    if truth.component and truth.role != "test_square":
        part = rng.choice(_PARTS[truth.component])
        words += [part] if part else []
    if truth.role in _ROLES:
        words.append(rng.choice(_ROLES[truth.role]))
    if truth.count:
        words.append(truth.count)
    if truth.condition:
        words.append(rng.choice(_STATES[truth.condition]))
    return rng.choice((" ", " ", " ", " / ", ", ")).join(words)


def misread_text(rng: random.Random, text: str, share: float) -> str:
    """The text with a `share` of its characters misread."""
    out = []
    for c in text:
        if c != " " and rng.random() < share:
            out.append(
                rng.choice(
                    (
                        "",
                        _CONFUSED.get(c, rng.choice("AEIOURSTN")),
                        _CONFUSED.get(c, c),
                        rng.choice("AEIOURSTN"),
                    )
                )
            )
        else:
            out.append(c)
    return "".join(out)


def _bearing(face: str, front: float) -> float:
    return (front + {"front": 0, "right": -90, "back": 180, "left": 90}[face]) % 360


def _place(rng: random.Random, truth: Truth, front: float, where: list[float]) -> tuple[GeoPoint, float]:
    lat0, lon0 = 39.1, -94.6
    on_roof = truth.role in ("slope", "test_square", "measurement") or truth.component in (
        "shingle", "vent", "pipe_boot", "ridge", "roof", "valley", "flashing", "chimney", "skylight", "soft_spot",
    )  # fmt: skip
    if truth.face != "none":
        where[0] = _bearing(truth.face, front) + rng.gauss(0, 18)
    away = rng.uniform(1, 5) if on_roof else rng.uniform(8, 16)
    if truth.component == "street_view":
        away = 25.0
    angle = math.radians(where[0])
    north = away * math.cos(angle) + rng.gauss(0, 3.5)
    east = away * math.sin(angle) + rng.gauss(0, 3.5)
    facing = where[0] + 180 + rng.gauss(0, 20 if truth.role == "elevation" else 38)
    if on_roof:
        facing = where[0] + rng.choice((0, 180)) + rng.gauss(0, 45)
    if rng.random() < 0.1:
        facing = rng.uniform(0, 360)
    point = GeoPoint(
        lat=lat0 + north / 111_195.0,
        lon=lon0 + east / (111_195.0 * math.cos(math.radians(lat0))),
        alt=250.0 + (5.0 if on_roof else 0.0) + rng.gauss(0, 2.5),
    )
    return point, facing % 360


CardNumbers = dict[tuple[str, str], int]


def walk(seed: int, who: Persona, kit: Kit, cards: CardNumbers | None = None) -> Walk:
    """One inspection. `cards` gives the numbers of label cards by (facet, value) where the kit has them."""
    rng = random.Random(f"{seed}/{who.name}")
    out = Walk(persona=who)
    clock = datetime(2024, 6, 3, 8, 0) + timedelta(seconds=rng.uniform(0, 30000))
    front, where = rng.uniform(0, 360), [0.0]
    vectors = PictureVectors(random.Random(f"{seed}/{who.name}/likeness"))
    shown: dict[str, str] = {}
    for truth, gap in _strays(rng, shots(rng, who)):
        clock += timedelta(seconds=gap)
        for number in _to_show(truth, shown, cards) if kit.cards and cards else ():
            clock += timedelta(seconds=_pause(rng, 5))
            _take(
                out,
                clock,
                None,
                Look(labels=(LabelMark(number=number, code_area=rng.uniform(0.16, 0.28)),)),
                CameraFacts(),
            )
            clock += timedelta(seconds=3)
        look = Look(
            scenes=_scenes(rng, truth, kit),
            chalk=_chalk(rng, truth),
            writing=_board_lines(rng, truth, kit),
            embedding=vectors.vector(truth) if kit.vectors else b"",
        )
        facts = CameraFacts(taken_local=clock)
        if rng.random() < kit.compass:
            point, facing = _place(rng, truth, front, where)
            facts = CameraFacts(taken_local=clock, gps=point, direction=facing, direction_is_true=True)
        _take(out, clock, truth, look, facts)
    return out


def _strays(rng: random.Random, plain: Iterator[tuple[Truth, float]]) -> Iterator[tuple[Truth, float]]:
    for truth, gap in plain:
        if rng.random() < 0.012:
            yield Truth("other"), rng.uniform(2, 60)
        yield truth, gap


def _board_lines(rng: random.Random, truth: Truth, kit: Kit) -> tuple[WritingLine, ...]:
    if truth.role == "other" or rng.random() >= kit.boards:
        return ()
    text = misread_text(rng, board(rng, truth), kit.misread)
    box = Box(left=0.3, top=0.3, right=0.7, bottom=0.4)
    return (WritingLine(text=text, confidence=rng.uniform(0.85, 0.999), box=box),) if text.strip() else ()


def _to_show(truth: Truth, shown: dict[str, str], cards: CardNumbers) -> list[int]:
    """The cards that a careful adjuster shows before this photo: one for each facet that changes."""
    if truth.role == "other":
        return []
    want = {
        "face": truth.face,
        "component": truth.component,
        "condition": truth.condition,
        "role": truth.role,
    }
    if truth.role in ("close_up", "no_damage_proof"):
        want.pop("role")
    if truth.count:
        want["count"] = truth.count
    numbers: list[int] = []
    stale = [f for f in ("component", "condition", "count") if shown.get(f) and not want.get(f)]
    if stale:
        numbers.append(cards["end", ""])
        shown.clear()
    order = ("face", "component", "condition", "role", "count")
    for facet in order:
        value = want.get(facet, "")
        if value and shown.get(facet) != value:
            numbers.append(cards[facet, value])
            shown[facet] = value
            if facet in ("face", "component", "role"):
                shown.pop("count", None)
            if facet == "condition":
                shown.pop("role", None)
            if facet == "component":
                shown.pop("role", None)
    return numbers


def _take(out: Walk, clock: datetime, truth: Truth | None, look: Look, facts: CameraFacts) -> None:
    order = len(out.photos)
    out.photos.append(
        PhotoRecord(
            sha256=Sha256(
                hashlib.sha256(f"{out.persona.name} {clock.isoformat()} {order}".encode()).hexdigest()
            ),
            name=f"P{order + 1:07d}.JPG",
            card_path=f"DCIM/100MADEU/P{order + 1:07d}.JPG",
            claim=ClaimId("W-1"),
            order=order,
            facts=facts,
            look=look,
            corrected=clock,
        )
    )
    out.truth.append(truth)


def walks(
    seed: int,
    many: int,
    kit: Kit,
    *,
    people: Sequence[Persona] = (),
    cards: CardNumbers | None = None,
    clockwise: float = 0.6,
) -> list[Walk]:
    """`many` inspections, by the people given or by a new person each."""
    rng = random.Random(seed)
    out = []
    for k in range(many):
        who = people[k % len(people)] if people else persona(rng, f"p{seed}-{k}", clockwise=clockwise)
        out.append(walk(seed * 1000 + k, who, kit, cards))
    return out
