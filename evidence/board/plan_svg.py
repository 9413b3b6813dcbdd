"""The plan of a house as SVG 2, from the shapes of `evidence.plan`; `plan.css` gives the colours."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from html import escape

from evidence.model import Sha256
from evidence.plan.shapes import SCALE_WORDS, SQUARE, HousePlan, Point

UNIT = 1000
"""Units of the drawing's side."""


def plan_svg(plan: HousePlan, names: Mapping[Sha256, str]) -> str:
    """The drawing with its description; `names` gives the words of each dot's tooltip."""
    return "\n".join(
        [
            f'<svg class="plan" viewBox="0 0 {UNIT} {UNIT}" role="img" aria-labelledby="plan-title plan-words">',
            '<title id="plan-title">Plan of the house, seen from above</title>',
            f'<desc id="plan-words">{escape(plan.description)}</desc>',
            *_areas(plan),
            *_dots(plan, names),
            *_letters(plan),
            *_squares(plan),
            *(_text(name.words, name.at, "plan-name") for name in plan.names),
            *_compass(plan),
            "</svg>",
        ]
    )


def _dots(plan: HousePlan, names: Mapping[Sha256, str]) -> Iterator[str]:
    for dot in plan.dots:
        view = _line(dot.at, dot.view) if dot.view else ""
        x, y = _at(dot.at)
        title = escape(names.get(dot.photo, ""))
        yield f'<g class="plan-dot"><title>{title}</title>{view}<circle cx="{x}" cy="{y}" r="9"/></g>'


def _areas(plan: HousePlan) -> Iterator[str]:
    for area in plan.areas:
        state = area.surface.state.name.lower()
        dashed = " dashed" if area.dashed else ""
        yield f'<g class="plan-area {state}">{_polygon(area.points, "ground")}'
        yield "".join(_line(start, end) for start, end in area.lines)
        yield "".join('<circle class="speck" cx="{}" cy="{}" r="3"/>'.format(*_at(at)) for at in area.specks)
        yield f"{_polygon(area.points, f'outline{dashed}')}</g>"


def _letters(plan: HousePlan) -> Iterator[str]:
    """After all patterns and dots, so that none covers a letter."""
    for area in plan.areas:
        x, y = _at(area.letter_at)
        yield f'<circle class="plan-badge" cx="{x}" cy="{y}" r="23"/>'
        yield _text(area.surface.state.letter, area.letter_at, "plan-letter")


def _squares(plan: HousePlan) -> Iterator[str]:
    half = SQUARE / 2
    for square in plan.squares:
        x, y = square.at
        corners = ((x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half))
        yield _polygon(corners, "plan-square")
        yield _text(square.words, square.at, "plan-hits")


def _compass(plan: HousePlan) -> Iterator[str]:
    if plan.north_up:
        yield f'<g class="plan-north">{_line((0.95, 0.11), (0.95, 0.03))}'
        yield f"{_polygon(((0.95, 0.005), (0.937, 0.04), (0.963, 0.04)), 'tip')}</g>"
        yield _text("N", (0.95, 0.14), "plan-name")
    if plan.ten_metres:
        yield f'<g class="plan-scale">{_line((0.02, 0.985), (0.02 + plan.ten_metres, 0.985))}</g>'
        yield _text(SCALE_WORDS, (0.02, 0.955), "plan-small plan-start")


def _at(point: Point) -> tuple[str, str]:
    return f"{point[0] * UNIT:.1f}", f"{point[1] * UNIT:.1f}"


def _line(start: Point, end: Point) -> str:
    (x1, y1), (x2, y2) = _at(start), _at(end)
    return f'<line x1="{x1}" y1="{y1}" x2="{x2}" y2="{y2}"/>'


def _polygon(points: Iterable[Point], name: str) -> str:
    at = " ".join(",".join(_at(point)) for point in points)
    return f'<polygon class="{name}" points="{at}"/>'


def _text(words: str, at: Point, name: str) -> str:
    x, y = _at(at)
    return f'<text class="{name}" x="{x}" y="{y}">{escape(words)}</text>'
