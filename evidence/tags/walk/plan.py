"""How a house is usually walked, read from TOML and checked: the stages, their shots, and the walks."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

from evidence.model import Face, Facet, Role, SceneKind
from evidence.tags.tables import Table, parse
from evidence.tags.vocabulary import Vocabulary, Zone

DETAIL = "detail"
"""A photo of a thing from near: a close-up of damage or a no-damage proof, which pixels cannot tell apart."""

DETAIL_ROLES = (Role.CLOSE_UP.value, Role.NO_DAMAGE_PROOF.value)
GROUND, ROOF = "ground", "slopes"
"""The two rounds of a walk: a stage met once for each face belongs to one of them."""

KINDS = tuple(SceneKind)
_SIDES = (Face.FRONT, Face.RIGHT, Face.BACK, Face.LEFT)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """One kind of photo taken at a stage."""

    role: str
    """A role's id, or `detail`."""
    component: str
    """Empty: any that has no shot of its own."""
    usual: float
    again: float
    looks: str
    chalk: float
    sound: float
    before: tuple[float, float] | None = None
    """Time it takes before the first photo of it, as in `Gaps`; None when none in particular."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """A stop of the walk."""

    id: str
    zone: Zone
    each: str
    """`ground` or `slopes` when met once for each face; empty when once."""
    face: str
    """The face of a stage met once."""
    usual: float
    shots: tuple[Shot, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """A walk: its rounds and the order of its stages."""

    name: str
    weight: float
    ground: tuple[str, ...]
    slopes: tuple[str, ...]
    order: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Roof:
    """A shape of roof: the sides that have a slope."""

    name: str
    weight: float
    sides: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Compass:
    """How well directions and positions tell the face, in degrees and metres."""

    wall: float = 25.0
    thing: float = 40.0
    stand: float = 30.0
    position: float = 6.0
    astray: float = 0.15
    roof: float = 50.0
    roof_astray: float = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Gaps:
    """Log-normal times between photos: median in seconds, spread of the natural logarithm."""

    same_shot: tuple[float, float] = (6.0, 0.8)
    same_stage: tuple[float, float] = (9.0, 0.8)
    next_stage: tuple[float, float] = (22.0, 0.9)
    other_zone: tuple[float, float] = (70.0, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """A line on the log-odds of a guess (J. Platt, 1999): slope and offset; the identity where none is given."""

    slope: float = 1.0
    offset: float = 0.0

    def __call__(self, share: float) -> float:
        """The calibrated probability."""
        share = min(max(share, 1e-6), 1 - 1e-6)
        return 1 / (1 + math.exp(-(self.slope * math.log(share / (1 - share)) + self.offset)))


@dataclass(frozen=True, slots=True)
class Step:
    """A hidden state of the walk: one shot of one stage at one face."""

    stage: int
    """Index of the stage."""
    shot: int
    """Index of the shot in its stage."""
    kind: int
    """Index of the shot among all shots of all stages; the same at every face."""
    place: int
    """Index of the stage at its face."""
    face: str
    zone: Zone
    role: str
    component: str


@dataclass(frozen=True, kw_only=True)
class WalkPlan:
    """Everything `config/walk.toml` says."""

    stages: tuple[Stage, ...]
    styles: tuple[Style, ...]
    """Every walk with every shape of roof; `slopes` holds only the sides that have one."""
    looks: Mapping[str, tuple[float, ...]]
    """Probabilities over the scene kinds in the order of `KINDS`."""
    jump: float = 0.05
    back: float = 0.05
    leave: float = 0.08
    off_walk: float = 0.02
    gaps: Gaps = field(default_factory=Gaps)
    compass: Compass = field(default_factory=Compass)
    calibration: Mapping[Facet, Calibration] = field(default_factory=dict)
    """How sure a guess may be, facet by facet, before anything was learned."""

    @cached_property
    def places(self) -> tuple[tuple[int, str], ...]:
        """(stage, face) for every stop; a stage met at each face is four of them."""
        return tuple(
            (index, face)
            for index, stage in enumerate(self.stages)
            for face in (_SIDES if stage.each else (stage.face,))
        )

    @cached_property
    def steps(self) -> tuple[Step, ...]:
        """All hidden states, those of one stop together and in the order of its shots."""
        first = [sum(len(s.shots) for s in self.stages[:k]) for k in range(len(self.stages))]
        return tuple(
            Step(
                stage,
                k,
                first[stage] + k,
                place,
                str(face),
                self.stages[stage].zone,
                shot.role,
                shot.component,
            )
            for place, (stage, face) in enumerate(self.places)
            for k, shot in enumerate(self.stages[stage].shots)
        )

    @cached_property
    def shots(self) -> tuple[Shot, ...]:
        """All shots of all stages, in the order of `Step.kind`."""
        return tuple(shot for stage in self.stages for shot in stage.shots)

    def route(self, style: Style) -> tuple[int, ...]:
        """A style's walk as indices of `places`."""
        rounds = {GROUND: style.ground, ROOF: style.slopes}
        ids = [stage.id for stage in self.stages]
        route: list[int] = []
        for name in style.order:
            stage = ids.index(name)
            each = self.stages[stage].each
            faces = rounds[each] if each else (self.stages[stage].face,)
            route += [self.places.index((stage, face)) for face in faces]
        return tuple(route)


def load_plan(text: str, origin: str, vocabulary: Vocabulary) -> WalkPlan:
    """Read and check a plan. Raises BadInputError that names the bad key and the nearest right one."""
    top = parse(text, origin)
    top.only("moves", "gaps", "compass", "roof", "style", "stage", "looks", "calibration")
    looks = _looks(top.table("looks"))
    stages = tuple(_stage(table, vocabulary, looks) for table in top.tables("stage"))
    if not stages:
        raise top.fail("a walk needs at least one [[stage]].", "Add one.")
    walks = [_style(table, stages) for table in top.tables("style")]
    roofs = [_roof(table) for table in top.tables("roof")]
    if not walks or not roofs:
        raise top.fail("a walk needs at least one [[style]] and one [[roof]].", "Add what is missing.")
    moves = top.table("moves")
    moves.only("jump", "back", "leave", "off_walk")
    return WalkPlan(
        stages=stages,
        styles=tuple(_under(roof, walk) for walk in walks for roof in roofs),
        looks=looks,
        jump=moves.number("jump", 0.05, 0.001, 0.9),
        back=moves.number("back", 0.05, 0.001, 0.9),
        leave=moves.number("leave", 0.08, 0.001, 0.9),
        off_walk=moves.number("off_walk", 0.02, 0.0001, 0.5),
        gaps=_gaps(top.table("gaps")),
        compass=_compass(top.table("compass")),
        calibration=_calibration(top.table("calibration")),
    )


def _calibration(table: Table) -> dict[Facet, Calibration]:
    facets = (Facet.ROLE, Facet.FACE, Facet.COMPONENT, Facet.CONDITION)
    table.only(*facets)
    lines = {}
    for facet in facets:
        if facet in table.raw:
            part = table.table(facet)
            part.only("slope", "offset")
            slope, offset = part.number("slope", 1.0, 0.05, 20.0), part.number("offset", 0.0, -10.0, 10.0)
            lines[facet] = Calibration(slope=slope, offset=offset)
    return lines


def _looks(table: Table) -> dict[str, tuple[float, ...]]:
    looks: dict[str, tuple[float, ...]] = {}
    for name in table.raw:
        row = table.table(name)
        row.only(*KINDS)
        shares = [row.number(kind, 0.0, 0.0, 1.0) for kind in KINDS]
        if abs(sum(shares) - 1) > 0.001:
            raise row.fail(f"the shares add up to {sum(shares):g}.", "Make them add up to 1.")
        looks[name] = tuple(0.97 * share + 0.03 / len(KINDS) for share in shares)  # nothing is impossible
    if "none" not in looks:
        raise table.fail("'none' is missing.", "Say how photos off the walk look.")
    return looks


def _stage(table: Table, vocabulary: Vocabulary, looks: Mapping[str, tuple[float, ...]]) -> Stage:
    table.only("id", "zone", "each", "face", "usual", "shot")
    shots = tuple(_shot(shot, vocabulary, looks) for shot in table.tables("shot"))
    if not shots:
        raise table.fail("a stage needs at least one [[stage.shot]].", "Add one.")
    each = table.choice("each", [GROUND, ROOF], GROUND) if "each" in table.raw else ""
    return Stage(
        id=table.text("id"),
        zone=Zone(table.choice("zone", Zone)),
        each=each,
        face=table.choice("face", Face, Face.NONE),
        usual=table.number("usual", 0.5, 0.001, 0.999),
        shots=shots,
    )


def _shot(table: Table, vocabulary: Vocabulary, looks: Mapping[str, tuple[float, ...]]) -> Shot:
    table.only("role", "component", "usual", "again", "looks", "chalk", "sound", "before")
    component = table.text("component", "")
    if component:
        table.choice("component", vocabulary.ids(Facet.COMPONENT))
    roles = [DETAIL, *(role for role in Role if role not in DETAIL_ROLES)]
    return Shot(
        role=table.choice("role", roles),
        component=component,
        usual=table.number("usual", 0.5, 0.001, 0.999),
        again=table.number("again", 0.3, 0.001, 0.999),
        looks=table.choice("looks", looks),
        chalk=table.number("chalk", 0.03, 0.001, 0.999),
        sound=table.number("sound", 0.5, 0.001, 0.999),
        before=table.pair("before", Gaps().same_stage) if "before" in table.raw else None,
    )


def _style(table: Table, stages: tuple[Stage, ...]) -> Style:
    table.only("name", "weight", "ground", "slopes", "order")
    order = table.choices("order", [stage.id for stage in stages])
    for stage in stages:
        if order.count(stage.id) != 1:
            raise table.fail(
                f"'order' must hold '{stage.id}' once.", "A stage that is often left out has a low 'usual'."
            )
    rounds = {}
    for key in (GROUND, ROOF):
        rounds[key] = table.choices(key, _SIDES)
        if sorted(rounds[key]) != sorted(_SIDES):
            raise table.fail(f"'{key}' must hold every side once.", f"The sides are {', '.join(_SIDES)}.")
    return Style(
        name=table.text("name"),
        weight=table.number("weight", 1.0, 0.0001, 1e6),
        ground=rounds[GROUND],
        slopes=rounds[ROOF],
        order=order,
    )


def _roof(table: Table) -> Roof:
    table.only("name", "weight", "sides")
    sides = table.choices("sides", _SIDES)
    if not sides or len(set(sides)) != len(sides):
        raise table.fail(
            "'sides' must hold each side at most once, and one at least.", "List the sides with a slope."
        )
    return Roof(name=table.text("name"), weight=table.number("weight", 1.0, 0.0001, 1e6), sides=sides)


def _under(roof: Roof, walk: Style) -> Style:
    """A walk on a house with this roof: it passes over the sides that have no slope."""
    slopes = tuple(side for side in walk.slopes if side in roof.sides)
    return replace(walk, weight=walk.weight * roof.weight, slopes=slopes)


def _gaps(table: Table) -> Gaps:
    table.only("same_shot", "same_stage", "next_stage", "other_zone")
    usual = Gaps()
    return Gaps(
        same_shot=table.pair("same_shot", usual.same_shot),
        same_stage=table.pair("same_stage", usual.same_stage),
        next_stage=table.pair("next_stage", usual.next_stage),
        other_zone=table.pair("other_zone", usual.other_zone),
    )


def _compass(table: Table) -> Compass:
    usual = Compass()
    names = ("wall", "thing", "stand", "position", "astray", "roof", "roof_astray")
    table.only(*names)
    shares = ("astray", "roof_astray")
    return Compass(
        **{
            name: table.number(name, getattr(usual, name), 0.001, 0.999 if name in shares else 180.0)
            for name in names
        }
    )
