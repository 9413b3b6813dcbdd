"""The walk plan: how a house is usually inspected, read from TOML and checked.

A stage is a stop of the walk; at each stage some kinds of photo are taken; a style is an order of the stages.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Annotated, Literal

from annotated_types import Gt, Interval

from evidence.model import Face, Facet, Role, SceneKind
from evidence.tags.vocabulary import Vocabulary, Zone
from evidence.toml_files import Filled, KeyPath, TomlFile

DETAIL = "detail"
"""A photo of a thing at close range: a close-up of damage or a no-damage proof. Pixels cannot tell them apart."""

DETAIL_ROLES = (Role.CLOSE_UP.value, Role.NO_DAMAGE_PROOF.value)
GROUND, ROOF = "ground", "slopes"
"""The two rounds of a walk: a stage that repeats at each face belongs to one of them."""

SCENE_KINDS = tuple(SceneKind)
Side = Literal["front", "right", "back", "left"]
Share = Annotated[float, Interval(ge=0.001, le=0.999)]
"""A probability, neither 0 nor 1."""
Spread = Annotated[float, Interval(ge=0.001, le=180)]
Weight = Annotated[float, Interval(ge=0.0001, le=1e6)]
Gap = tuple[Annotated[float, Gt(0)], Annotated[float, Gt(0)]]
"""A time between photos: median in seconds, spread of its natural logarithm."""
_SIDES = (Face.FRONT, Face.RIGHT, Face.BACK, Face.LEFT)


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoKind:
    """One kind of photo taken at a stage; shares are probabilities."""

    role: str
    """A role's id, or `detail`."""
    component: str = ""
    """Empty: any component that has no kind of photo of its own at this stage."""
    usual: Share = 0.5
    """Share of visits to the stage on which it is taken."""
    again: Share = 0.3
    """Share of its photos that are followed by another one of the same kind."""
    looks: str
    """Row of `WalkPlan.looks`."""
    chalk: Share = 0.03
    """Share of its photos with a chalked square in them."""
    sound: Share = 0.5
    """Share of things photographed this way that are undamaged."""
    before: Gap | None = None
    """Time before the first photo of this kind, as in `Gaps`; None for the usual time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """A stop of the walk."""

    id: str
    zone: Zone
    each: str
    """`ground` or `slopes` for a stage at each face; empty for a stage met once."""
    face: str
    """The face of a stage met once."""
    usual: float
    """Share of walks that stop at it."""
    kinds: tuple[PhotoKind, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """A style of walk: the order of the sides on each round, and the order of the stages."""

    name: Filled
    weight: Weight = 1.0
    ground: tuple[Side, ...]
    slopes: tuple[Side, ...]
    order: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Roof:
    """A shape of roof: the sides that have a slope."""

    name: Filled
    weight: Weight = 1.0
    sides: tuple[Side, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Compass:
    """Spreads of directions (degrees) and positions (metres) around those of the face, and shares of outliers."""

    wall: Spread = 25.0
    thing: Spread = 40.0
    stand: Spread = 30.0
    position: Spread = 6.0
    astray: Share = 0.15
    roof: Spread = 50.0
    roof_astray: Share = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Gaps:
    """Log-normal times between photos: (median in seconds, standard deviation of the natural logarithm)."""

    same_shot: Gap = (6.0, 0.8)
    same_stage: Gap = (9.0, 0.8)
    next_stage: Gap = (22.0, 0.9)
    other_zone: Gap = (70.0, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """A line on the log-odds of a guess (J. Platt, 1999): slope and offset; by default the identity."""

    slope: Annotated[float, Interval(ge=0.05, le=20)] = 1.0
    offset: Annotated[float, Interval(ge=-10, le=10)] = 0.0

    def __call__(self, share: float) -> float:
        """The calibrated probability."""
        share = min(max(share, 1e-6), 1 - 1e-6)
        return 1 / (1 + math.exp(-(self.slope * math.log(share / (1 - share)) + self.offset)))


@dataclass(frozen=True, slots=True)
class Step:
    """A hidden state of the walk: one kind of photo, at one stage, at one face."""

    stage: int
    """Index of the stage."""
    in_stage: int
    """Index of the kind of photo among those of its stage."""
    kind: int
    """Index in `WalkPlan.photo_kinds`; the same at every face."""
    place: int
    """Index in `WalkPlan.places`."""
    face: str
    zone: Zone
    role: str
    component: str


@dataclass(frozen=True, kw_only=True)
class WalkPlan:
    """The content of `config/walk.toml`."""

    stages: tuple[Stage, ...]
    styles: tuple[Style, ...]
    """Every style with every shape of roof; `slopes` holds only the sides that have a slope."""
    looks: Mapping[str, tuple[float, ...]]
    """For each named look the probabilities of the scene kinds, in the order of `SCENE_KINDS`."""
    jump: float = 0.05
    back: float = 0.05
    leave: float = 0.08
    off_walk: float = 0.02
    gaps: Gaps = field(default_factory=Gaps)
    compass: Compass = field(default_factory=Compass)
    calibration: Mapping[Facet, Calibration] = field(default_factory=dict)
    """Calibration of the probability of guesses for each facet, before anything was learned."""

    @cached_property
    def places(self) -> tuple[tuple[int, str], ...]:
        """(stage, face) of every place; a stage at each face has four of them."""
        return tuple(
            (index, face)
            for index, stage in enumerate(self.stages)
            for face in (_SIDES if stage.each else (stage.face,))
        )

    @cached_property
    def steps(self) -> tuple[Step, ...]:
        """All hidden states: those of one place together, in the order of the kinds of photo at its stage."""
        first = [sum(len(s.kinds) for s in self.stages[:k]) for k in range(len(self.stages))]
        return tuple(
            Step(
                stage,
                k,
                first[stage] + k,
                place,
                str(face),
                self.stages[stage].zone,
                kind.role,
                kind.component,
            )
            for place, (stage, face) in enumerate(self.places)
            for k, kind in enumerate(self.stages[stage].kinds)
        )

    @cached_property
    def photo_kinds(self) -> tuple[PhotoKind, ...]:
        """The kinds of photo of all stages; `Step.kind` is an index of it."""
        return tuple(kind for stage in self.stages for kind in stage.kinds)

    def route(self, style: Style) -> tuple[int, ...]:
        """The places of a style in their order, as indices of `places`."""
        rounds = {GROUND: style.ground, ROOF: style.slopes}
        ids = [stage.id for stage in self.stages]
        route: list[int] = []
        for name in style.order:
            stage = ids.index(name)
            each = self.stages[stage].each
            faces = rounds[each] if each else (self.stages[stage].face,)
            route += [self.places.index((stage, face)) for face in faces]
        return tuple(route)


# --- the file ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _MoveTable:
    jump: Annotated[float, Interval(ge=0.001, le=0.9)] = 0.05
    back: Annotated[float, Interval(ge=0.001, le=0.9)] = 0.05
    leave: Annotated[float, Interval(ge=0.001, le=0.9)] = 0.08
    off_walk: Annotated[float, Interval(ge=0.0001, le=0.5)] = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class _StageTable:
    id: Filled
    zone: Zone
    each: Literal["ground", "slopes"] | None = None
    face: Face = Face.NONE
    usual: Share = 0.5
    shot: tuple[PhotoKind, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _PlanFile:
    moves: _MoveTable = field(default_factory=_MoveTable)
    gaps: Gaps = field(default_factory=Gaps)
    compass: Compass = field(default_factory=Compass)
    roof: tuple[Roof, ...] = ()
    style: tuple[Style, ...] = ()
    stage: tuple[_StageTable, ...] = ()
    looks: Mapping[str, Mapping[SceneKind, Annotated[float, Interval(ge=0, le=1)]]] = field(
        default_factory=dict
    )
    calibration: Mapping[Literal["role", "face", "component", "condition"], Calibration] = field(
        default_factory=dict
    )


def load_plan(text: str, origin: str, vocabulary: Vocabulary) -> WalkPlan:
    """Read and check a plan. Raises BadInputError with the line of the wrong key and the closest valid one."""
    file = TomlFile(text, origin)
    tables = file.read(_PlanFile)
    for key in ("stage", "style", "roof"):
        if not getattr(tables, key):
            file.refuse((), f"a walk needs at least one [[{key}]]", "Add one.")
    looks = _looks(tables.looks, file)
    stages = tuple(
        _stage(table, ("stage", n), vocabulary, looks, file) for n, table in enumerate(tables.stage)
    )
    for n, style in enumerate(tables.style):
        _check_style(style, ("style", n), stages, file)
    for n, roof in enumerate(tables.roof):
        if not roof.sides or len(set(roof.sides)) != len(roof.sides):
            file.refuse(
                ("roof", n, "sides"),
                "'sides' must hold at least one side, and each at most once",
                "List the sides with a slope.",
            )
    return WalkPlan(
        stages=stages,
        styles=tuple(_on_roof(roof, walk) for walk in tables.style for roof in tables.roof),
        looks=looks,
        jump=tables.moves.jump,
        back=tables.moves.back,
        leave=tables.moves.leave,
        off_walk=tables.moves.off_walk,
        gaps=tables.gaps,
        compass=tables.compass,
        calibration={Facet(facet): line for facet, line in tables.calibration.items()},
    )


def _looks(rows: Mapping[str, Mapping[SceneKind, float]], file: TomlFile) -> dict[str, tuple[float, ...]]:
    looks: dict[str, tuple[float, ...]] = {}
    for name, row in rows.items():
        shares = [row.get(kind, 0.0) for kind in SCENE_KINDS]
        if abs(sum(shares) - 1) > 0.001:
            file.refuse(
                ("looks", name), f"the shares of '{name}' add up to {sum(shares):g}", "Make them add up to 1."
            )
        looks[name] = tuple(
            0.97 * share + 0.03 / len(SCENE_KINDS) for share in shares
        )  # no scene kind is impossible
    if "none" not in looks:
        file.refuse(
            ("looks",), "[looks.none] is missing", "Add the look of photos that are not part of the walk."
        )
    return looks


def _stage(
    table: _StageTable,
    place: KeyPath,
    vocabulary: Vocabulary,
    looks: Mapping[str, tuple[float, ...]],
    file: TomlFile,
) -> Stage:
    if not table.shot:
        file.refuse(place, "a stage needs at least one [[stage.shot]]", "Add one.")
    roles = [DETAIL, *(role for role in Role if role not in DETAIL_ROLES)]
    for n, shot in enumerate(table.shot):
        at = (*place, "shot", n)
        file.choose((*at, "role"), shot.role, roles)
        file.choose((*at, "looks"), shot.looks, looks)
        if shot.component:
            file.choose((*at, "component"), shot.component, vocabulary.ids(Facet.COMPONENT))
    return Stage(
        id=table.id,
        zone=table.zone,
        each=table.each or "",
        face=table.face.value,
        usual=table.usual,
        kinds=table.shot,
    )


def _check_style(style: Style, place: KeyPath, stages: tuple[Stage, ...], file: TomlFile) -> None:
    ids = [stage.id for stage in stages]
    for n, name in enumerate(style.order):
        file.choose((*place, "order", n), name, ids)
    for name in ids:
        if style.order.count(name) != 1:
            file.refuse(
                (*place, "order"),
                f"'order' must hold '{name}' once",
                "A stage that is often left out has a low 'usual'.",
            )
    for key, sides in ((GROUND, style.ground), (ROOF, style.slopes)):
        if sorted(sides) != sorted(_SIDES):
            file.refuse(
                (*place, key), f"'{key}' must hold every side once", f"The sides are {', '.join(_SIDES)}."
            )


def _on_roof(roof: Roof, walk: Style) -> Style:
    """The style on a house with this roof: sides without a slope are left out."""
    slopes = tuple(side for side in walk.slopes if side in roof.sides)
    return replace(walk, weight=walk.weight * roof.weight, slopes=slopes)
