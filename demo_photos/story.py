"""Turns the scenario into a list of frames, each with its label cards, time, place and file name.

Nothing is drawn here. A frame is all that one process needs to draw and write one file.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from demo_photos.house import House, side
from demo_photos.truth import TruePhoto
from evidence.settings import default_text

GAUGES = ("shingle_gauge", "pitch_gauge", "layers", "drip_edge")
HANGING = ("gutter", "downspout", "screen", "siding", "ac_unit")
ON_ROOF = ("slope", "test_square", "close_up", "vent", "pipe_boot", "ridge", *GAUGES)
COMPONENTS = {"close_up": "shingle"}
METRES_A_DEGREE = 111_320.0
"""Of latitude, and of longitude at the equator; good to a part in 300."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A camera or a phone, and how it names files."""

    make: str
    model: str
    serial: str
    folder: str
    """The five letters after a DCF folder's number."""
    prefix: str
    """The four letters before a DCF file's number."""
    width: int
    height: int
    software: str = ""
    offset: str = ""
    """What it writes as OffsetTimeOriginal; empty when it knows no zone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """A label card of the vocabulary."""

    number: int
    sets: Mapping[str, str]
    ends: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One file of the card before it is drawn."""

    card_path: str
    scene: str
    """A scene's name, or `sheet`, `label`, `video`, `copy`."""
    seed: int
    device: Device
    taken: datetime
    """The camera's wall clock, naive, with its sub-seconds."""
    zone: timedelta
    """True local time minus UTC."""
    truth: TruePhoto
    house: House | None = None
    face: str = "front"
    damage: bool | None = None
    count: int = 0
    sun: tuple[float, float, float] = (0.5, -0.6, 0.62)
    cover: float = 0.5
    gps: tuple[float, float] | None = None
    direction: float | None = None
    orientation: int = 1
    special: str = ""
    shown: tuple[int, ...] = ()
    """Numbers of the label cards in the photo."""
    board: tuple[str, ...] = ()
    """Lines on a hand-held whiteboard."""
    source: str = ""
    """For a copy, the card path it is a copy of."""


@dataclass(slots=True, kw_only=True)
class Walk:
    """The state that changes during the day: clock, file numbers, and the tags that shown cards state."""

    rng: np.random.Generator
    now: datetime
    numbers: dict[str, int]
    standing: dict[str, str] = field(default_factory=dict)
    owner: dict[str, int] = field(default_factory=dict)
    """Facet to the number of the card that stated it."""

    def tick(self, low: float, high: float) -> datetime:
        """Advance the clock by a random time between `low` and `high` seconds."""
        self.now += timedelta(milliseconds=int(self.rng.uniform(low, high) * 100) * 10)
        return self.now

    def path(self, device: Device) -> str:
        """The next DCF name; after 9999 comes 0001 in the next folder."""
        number = self.numbers[device.prefix]
        self.numbers[device.prefix] += 1
        folder, file = divmod(number - 1, 9999)
        return f"DCIM/{100 + folder}{device.folder}/{device.prefix}{file + 1:04d}.JPG"


def read_scenario(path: Path) -> dict[str, Any]:
    """The scenario's TOML."""
    return tomllib.loads(path.read_text(encoding="utf-8"))


def read_labels() -> tuple[Label, ...]:
    """The label cards as the program's own vocabulary defines them."""
    table = tomllib.loads(default_text("tags.toml"))
    return tuple(
        Label(number=entry["number"], sets=entry.get("sets", {}), ends=bool(entry.get("ends")))
        for entry in table["label"]
    )


def plan(scenario: Mapping[str, Any], labels: Sequence[Label]) -> list[Frame]:
    """Every file of the card in shooting order.

    Raises ValueError where the scenario contradicts itself: a card that states what its photo
    does not show, or a statement that no card makes.
    """
    devices = {name: Device(**entry) for name, entry in scenario["device"].items()}
    start = datetime.combine(scenario["day"]["date"], scenario["day"]["start"])
    walk = Walk(
        rng=np.random.default_rng(scenario["day"]["seed"]),
        now=start,
        numbers={devices[name].prefix: first for name, first in scenario["day"]["first_file"].items()},
    )
    frames: list[Frame] = []
    for index, claim in enumerate(scenario["claim"]):
        if index:
            walk.tick(60 * claim["drive_minutes"] - 30, 60 * claim["drive_minutes"] + 30)
        frames.extend(_claim_frames(scenario, claim, devices, labels, walk))
    return frames


def _claim_frames(
    scenario: Mapping[str, Any],
    claim: Mapping[str, Any],
    devices: Mapping[str, Device],
    labels: Sequence[Label],
    walk: Walk,
) -> Iterator[Frame]:
    walk.standing, walk.owner = {}, {}
    house = House(
        **{
            k: tuple(v) if isinstance(v, list) else v
            for k, v in claim["house"].items()
            if k != "front_bearing"
        }
    )
    sky = walk.rng.uniform(0.2, 0.75)
    made: list[Frame] = []
    for step in claim["walk"]:
        for _ in range(step.get("times", 1)):
            device = devices[step.get("device", "camera")]
            frame = _frame(scenario, claim, house, device, step, labels, walk)
            frame = replace(frame, cover=float(np.clip(sky + walk.rng.normal(0, 0.06), 0.1, 0.9)))
            if step.get("special") == "doubled":
                frame = replace(_again(frame, made[-1]), special="doubled")
            made.append(frame)
            yield frame


def _again(frame: Frame, before: Frame) -> Frame:
    """Repeat the frame before: a second photo a moment later, or the same file under another name."""
    same = {
        name: getattr(before, name)
        for name in ("scene", "seed", "face", "damage", "count", "cover", "shown", "board")
    }
    truth = replace(before.truth, card_path=frame.card_path, special="doubled")
    again = replace(frame, **same, truth=truth, direction=before.direction, gps=before.gps, sun=before.sun)
    if frame.scene == "copy":
        return replace(again, scene="copy", source=before.card_path, taken=before.taken)
    return again


def _frame(
    scenario: Mapping[str, Any],
    claim: Mapping[str, Any],
    house: House,
    device: Device,
    step: Mapping[str, Any],
    labels: Sequence[Label],
    walk: Walk,
) -> Frame:
    special = step.get("special", "")
    quick = "show" in step or "end" in step
    taken = walk.tick(2, 3) if special == "doubled" else walk.tick(*((11, 20) if quick else (20, 40)))
    path = walk.path(device)
    scene, facets, shown = _what(step, labels, walk)
    if scene == "video":
        path = path.removesuffix("JPG") + "AVI"
    face = step.get("face", "front")
    truth = TruePhoto(
        card_path=path,
        claim=claim["claim"],
        special=special or None,
        **facets,
        stated=_stated(step, scene, facets, shown, labels, walk),
    )
    gps, direction = _place(claim, house, scene, face, walk)
    return Frame(
        card_path=path,
        scene=scene,
        seed=int(walk.rng.integers(1 << 31)),
        device=device,
        taken=taken,
        zone=timedelta(hours=scenario["day"]["utc_offset_hours"]),
        truth=truth,
        house=house,
        face=face,
        damage=step.get("damage"),
        count=step.get("count", 0),
        sun=_sun(claim["house"]["front_bearing"], taken),
        gps=gps if step.get("gps", True) else None,
        direction=direction,
        orientation=step.get("orientation", 1),
        special=special,
        shown=shown,
        board=tuple(step.get("board", ())),
    )


def _what(
    step: Mapping[str, Any], labels: Sequence[Label], walk: Walk
) -> tuple[str, dict[str, Any], tuple[int, ...]]:
    """Return the scene, its true facets, and the numbers of the cards in the photo."""
    nothing: dict[str, Any] = {
        "role": None,
        "face": None,
        "component": None,
        "condition": None,
        "count": None,
    }
    if "sheet" in step:
        walk.standing, walk.owner = {}, {}
        return "sheet", nothing | {"role": "divider"}, ()
    if "end" in step:
        walk.standing, walk.owner = {}, {}
        return "label", nothing | {"role": "label"}, (next(x.number for x in labels if x.ends),)
    if "show" in step:
        card = _find(labels, step["show"])
        _stand(walk, card, labels)
        return "label", nothing | {"role": "label"}, (card.number,)
    scene = step["photo"]
    facets = nothing | _true_facets(step)
    shown = tuple(card.number for card in _cover(labels, step.get("hold", ()), facets))
    return scene, facets, shown


def _true_facets(step: Mapping[str, Any]) -> dict[str, Any]:
    """Return the true facets of a photo from its scene and its step of the scenario."""
    scene, damage = step["photo"], step.get("damage")
    facets: dict[str, Any] = {"face": step.get("face")}
    if scene in ("video", "copy"):
        return {"role": "other"} | facets
    if damage is not None:
        facets["condition"] = "damage" if damage else "no_damage"
        facets["role"] = "close_up" if damage else "no_damage_proof"
    if scene in GAUGES:
        facets |= {"role": "measurement", "component": scene}
    elif scene in ("elevation", "overview", "slope", "test_square"):
        facets["role"] = scene
    else:
        facets["component"] = COMPONENTS.get(scene, scene)
        facets.setdefault("role", "overview")
    if scene == "test_square":
        facets["count"] = step["count"]
    return facets


def _find(labels: Sequence[Label], wanted: Mapping[str, str]) -> Label:
    """Return the card that states exactly `wanted`, or `wanted` and a role; raises ValueError if there is none."""
    wanted = {k: str(v) for k, v in wanted.items()}
    for card in labels:
        if dict(card.sets) == wanted:
            return card
    for card in labels:
        if (
            card.sets
            and all(card.sets.get(k) == v for k, v in wanted.items())
            and set(card.sets) <= {*wanted, "role"}
        ):
            return card
    raise ValueError(f"no label card states {wanted}")


def _cover(labels: Sequence[Label], wanted: Sequence[str], facets: Mapping[str, Any]) -> list[Label]:
    """Return cards that truly state the wanted facets of a photo; raises ValueError if a facet has no card."""
    true = {k: str(v) for k, v in facets.items() if v is not None}
    chosen: list[Label] = []
    for facet in wanted:
        if any(facet in card.sets for card in chosen):
            continue
        fitting = [
            c for c in labels if c.sets.get(facet) == true.get(facet) and c.sets.items() <= true.items()
        ]
        if not fitting:
            raise ValueError(f"no label card states {facet} = {true.get(facet)}")
        chosen.append(max(fitting, key=lambda c: len(set(c.sets) & set(wanted))))
    return chosen


def _stand(walk: Walk, card: Label, labels: Sequence[Label]) -> None:
    """Apply a shown card to the following photos; drop the statements that it replaces."""
    by_number = {label.number: label for label in labels}
    for facet in card.sets:
        if facet in ("face", "role", "component"):
            walk.standing.pop("count", None)
        if facet in walk.standing:
            old = by_number[walk.owner[facet]]
            gone = old.sets if next(iter(old.sets)) == facet else (facet,)
            for name in gone:
                if walk.owner.get(name) == old.number:
                    walk.standing.pop(name, None)
    for facet, value in card.sets.items():
        walk.standing[facet] = value
        walk.owner[facet] = card.number


def _stated(
    step: Mapping[str, Any],
    scene: str,
    facets: Mapping[str, Any],
    shown: Sequence[int],
    labels: Sequence[Label],
    walk: Walk,
) -> tuple[str, ...]:
    """Return the facets that cards or a sheet state for this photo; raises ValueError if one is false."""
    if scene in ("sheet", "label"):
        return ("role",)
    if scene in ("video", "copy"):
        return ()
    said = dict(walk.standing)
    for card in labels:
        if card.number in shown:
            said |= card.sets
    for facet, value in said.items():
        if str(facets[facet]) != value:
            raise ValueError(f"{step}: a card states {facet} = {value}, the photo shows {facets[facet]}")
    return tuple(sorted(said))


def _sun(front_bearing: float, now: datetime) -> tuple[float, float, float]:
    """Unit vector toward the sun in the house's own axes; a plain spring day, no almanac."""
    hour = now.hour + now.minute / 60
    bearing = np.radians(90 + (hour - 7.5) * 17)
    height = np.radians(max(18.0, 62 - abs(hour - 13.3) * 8))
    right, away = np.radians(front_bearing - 90), np.radians(front_bearing + 180)
    flat = np.cos(height)
    return (
        float(flat * np.cos(bearing - right)),
        float(flat * np.cos(bearing - away)),
        float(np.sin(height)),
    )


def _place(
    claim: Mapping[str, Any], house: House, scene: str, face: str, walk: Walk
) -> tuple[tuple[float, float], float | None]:
    """Where the photographer stands, degrees north and east, and which way the camera looks, degrees."""
    wall, rng = side(house, face), walk.rng
    out = {"elevation": 12.0, "overview": 12.0, "sheet": 9.0, "label": 5.0}.get(scene, 1.5)
    if scene in ON_ROOF:
        out = -1.5
    spot = wall.at(wall.length * rng.uniform(0.3, 0.7), out, 0) + rng.normal(0, 1.2, 3)
    bearing = claim["house"]["front_bearing"]
    right, away = np.radians(bearing - 90), np.radians(bearing + 180)
    north = spot[0] * np.cos(right) + spot[1] * np.cos(away)
    east = spot[0] * np.sin(right) + spot[1] * np.sin(away)
    lat = claim["lat"] + north / METRES_A_DEGREE
    lon = claim["lon"] + east / (METRES_A_DEGREE * np.cos(np.radians(claim["lat"])))
    if scene in ("sheet", "label", "video", "copy"):
        return (lat, lon), None
    outward = bearing + {"front": 0, "right": -90, "back": 180, "left": 90}[face]
    return (lat, lon), float((outward + 180 + rng.normal(0, 6)) % 360)
