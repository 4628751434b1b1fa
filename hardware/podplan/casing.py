"""Pictures of the case: its axes, how the sensor lies in it, and how the pod sits on a wheel."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, Final, Literal

import schemdraw
from schemdraw import elements as elm
from schemdraw.segments import SegmentCircle, SegmentPoly, SegmentText

from podplan.drawing import tidy

INK: Final = "#1a1a1a"
OUT: Final = "#c81e1e"
ARM: Final = "#b98d5f"
FOOT: Final = "#d97000"
STRAP: Final = "#6a3fa0"
UP: Final = "#1f5fbf"
ALONG: Final = "#1c8038"
BOX: Final = "#f4f4f0"
PLATE: Final = "#c9ced2"
BOARD: Final = "#d7e6d4"
Solid = tuple[float, float, float]
Point = tuple[float, float]


def pictures() -> dict[str, str]:
    """Return the pictures as SVG, by name."""
    return {name: _picture(paint) for name, paint in PAINTERS.items()}


def _picture(paint: Callable[[Any], None]) -> str:
    schemdraw.use("svg")
    schemdraw.svgconfig.text = "text"
    with schemdraw.Drawing(show=False) as drawing:
        drawing.config(unit=1.0, fontsize=12, font="sans-serif", lw=2.0, color=INK)
        paint(drawing)
        data: bytes = drawing.get_imagedata("svg")
    return tidy(data.decode("utf-8"), right=100.0)


def _add(drawing: Any, element: Any) -> None:
    """Add on top of what is there."""
    drawing.add(element.zorder(len(drawing.elements) + 1))


def _words(
    drawing: Any, words: str, at: Point, colour: str = INK, side: Literal["left", "center"] = "left"
) -> None:
    written = elm.Element()
    written.segments.append(
        SegmentText((0.0, 0.0), words, align=(side, "center"), fontsize=12, color=colour)
    )
    _add(drawing, written.theta(0).at(at))


def _area(drawing: Any, points: list[Point], fill: str | None) -> None:
    area = elm.Element()
    area.segments.append(SegmentPoly(points, closed=True, fill=fill, color=INK, lw=2.0))
    _add(drawing, area.theta(0).at((0.0, 0.0)))


def _round(drawing: Any, centre: Point, radius: float, fill: str | None, colour: str = INK) -> None:
    ring = elm.Element()
    ring.segments.append(SegmentCircle(centre, radius, fill=fill, color=colour, lw=2.0))
    _add(drawing, ring.theta(0).at((0.0, 0.0)))


def _arrow(drawing: Any, start: Point, end: Point, colour: str) -> None:
    arrow = elm.Arrow(headwidth=0.3, headlength=0.4).at(start).to(end)
    _add(drawing, arrow.color(colour).linewidth(3))


def _line(drawing: Any, start: Point, end: Point, colour: str = INK, style: str = "-") -> None:
    _add(drawing, elm.Line().at(start).to(end).color(colour).linestyle(style))


def _flat(solid: Solid) -> Point:
    """Project as seen from outboard, a little from above and from the +X side.

    Y comes towards who looks, Z is up, so X = Y x Z runs to the left.
    """
    x, y, z = solid
    return (-x + 0.5 * y, z - 0.4 * y)


def _solid(drawing: Any, low: Solid, high: Solid, fill: str) -> None:
    """Draw the three faces of a block that are seen: outboard, top, and +X."""
    (x0, y0, z0), (x1, y1, z1) = low, high
    for corners in (
        [(x0, y1, z0), (x1, y1, z0), (x1, y1, z1), (x0, y1, z1)],
        [(x0, y0, z1), (x1, y0, z1), (x1, y1, z1), (x0, y1, z1)],
        [(x1, y0, z0), (x1, y0, z1), (x1, y1, z1), (x1, y1, z0)],
    ):
        _area(drawing, [_flat(corner) for corner in corners], fill)


def _axes(drawing: Any) -> None:
    _words(drawing, "The pod's axes, seen from outside the car on a left wheel", (-12.5, 6.6))
    _solid(drawing, (-4.5, -0.8, -2.8), (4.5, 0.0, 2.8), PLATE)
    _solid(drawing, (-4.0, 0.0, -2.2), (4.0, 3.0, 2.2), BOX)
    _arrow(drawing, _flat((0, 3, 0)), _flat((0, 9.4, 0)), OUT)
    _words(drawing, "+Y: out of the box, away from the car", _flat((-0.6, 9.4, 0)), OUT)
    _arrow(drawing, _flat((0, 1.5, 2.2)), _flat((0, 1.5, 5.6)), UP)
    _words(drawing, "+Z: up", _flat((-0.4, 1.5, 5.4)), UP)
    _arrow(drawing, _flat((4, 1.5, 0)), _flat((7.6, 1.5, 0)), ALONG)
    _words(drawing, "+X: forward on a left wheel,", (-12.5, -0.9), ALONG)
    _words(drawing, "rearward on a right wheel", (-12.5, -1.6), ALONG)
    _line(drawing, _flat((-4.5, -0.4, 2.8)), (6.0, 2.9))
    _words(drawing, "plate: its far side is the mounting face,", (6.2, 2.9))
    _words(drawing, "the reference for all angles", (6.2, 2.3))


def _seat(drawing: Any) -> None:
    _words(drawing, "The open box from above (+Z comes towards you)", (-7.0, 5.6))
    _area(drawing, [(-6.5, 3.6), (6.5, 3.6), (6.5, 4.4), (-6.5, 4.4)], PLATE)
    _words(drawing, "mounting face: inboard, against the wheel", (0.0, 4.8), side="center")
    _area(drawing, [(-6, -4.2), (6, -4.2), (6, 3.6), (-6, 3.6)], BOX)
    for left, name, note in ((-5.2, "U2", "MPU-6050"), (0.9, "U5", "ADXL355, if fitted")):
        _area(drawing, [(left, -1.2), (left + 4.3, -1.2), (left + 4.3, 3.0), (left, 3.0)], BOARD)
        _words(drawing, f"{name}  {note}", (left + 0.2, 2.6))
        corner = (left + 2.9, 1.5)
        _area(drawing, _square(corner, 0.35), INK)
        _arrow(drawing, (corner[0] - 0.35, corner[1]), (left + 0.9, corner[1]), ALONG)
        _words(drawing, "chip x", (left + 0.2, corner[1] + 0.5), ALONG)
        _arrow(drawing, (corner[0], corner[1] - 0.35), (corner[0], -0.8), OUT)
        _words(drawing, "chip y", (left + 1.2, -0.6), OUT)
        _round(drawing, corner, 0.22, "#ffffff", UP)
        _round(drawing, corner, 0.06, UP, UP)
        _words(drawing, "chip z", (corner[0] + 0.3, corner[1] + 0.5), UP)
    _words(
        drawing,
        "chip up, printed x to the left, printed y away from the mounting face",
        (0.0, -1.8),
        side="center",
    )
    _words(drawing, "other boards and cell: anywhere, but fixed", (0.0, -2.7), side="center")
    _arrow(drawing, (0.0, -4.2), (0.0, -6.2), OUT)
    _words(drawing, "+Y: outboard", (0.3, -5.8), OUT)
    _area(drawing, [(6.0, -3.9), (6.7, -3.9), (6.7, -3.1), (6.0, -3.1)], PLATE)
    _line(drawing, (6.7, -3.5), (9.0, -3.5))
    _words(drawing, "cable, held by its gland", (7.0, -3.0))


def _square(centre: Point, half: float) -> list[Point]:
    x, y = centre
    return [(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)]


def _wheel(drawing: Any) -> None:
    _words(drawing, "The pod on a wheel, seen from outside", (-7.0, 7.6))
    _round(drawing, (0.0, 0.0), 6.6, "#5a5a5a")
    _round(drawing, (0.0, 0.0), 4.8, "#e8eaec")
    for spoke in range(5):
        _bar(drawing, _at(4.6, 126 + 72 * spoke), 0.3, "#b4bac0")
    feet = [_at(4.4, angle) for angle in (90, 210, 330)]
    for foot in feet:
        _bar(drawing, foot, 0.2, ARM)
    for foot in feet:
        _round(drawing, foot, 0.3, FOOT)
    for angle, gap in ((90, 104), (210, 224), (330, 316)):
        strap = _at(3.4, angle), _at(3.9, gap)
        _add(drawing, elm.Line().at(strap[0]).to(strap[1]).color(STRAP).linewidth(6))
        _round(drawing, strap[1], 0.16, STRAP, STRAP)
    _area(drawing, [(-1.5, -1.0), (1.5, -1.0), (1.5, 1.0), (-1.5, 1.0)], BOX)
    _arrow(drawing, (0.0, 0.0), (0.0, 0.9), UP)
    _words(drawing, "+Z up", (0.0, -0.5), UP, "center")
    tied = _at(3.3, 54)
    _add(drawing, elm.Line().at((1.2, 0.6)).to(tied).color(OUT).linewidth(4))
    _round(drawing, tied, 0.5, None, OUT)
    for text, at, to in (
        ("three equal feet on the rim's edge", (7.6, 5.0), feet[0]),
        ("tether round a spoke, shorter than", (7.6, 2.9), tied),
        ("bracket of three arms, the pod bolted", (7.6, 0.2), (0.2, 2.0)),
        ("a strap on each arm pulls it against", (7.6, -3.2), _at(3.75, 317)),
    ):
        _line(drawing, (at[0] - 0.2, at[1]), to, "#7a7a7a", ":")
        _words(drawing, text, at)
    _words(drawing, "the way to the ground or the brake", (7.6, 2.2))
    _words(drawing, "to its middle", (7.6, -0.5))
    _words(drawing, "the rim, hooked between the spokes", (7.6, -3.9))


def _bar(drawing: Any, end: Point, half: float, fill: str) -> None:
    """Draw a bar from the hub to a point."""
    length = math.hypot(*end)
    aside = (-half * end[1] / length, half * end[0] / length)
    corners = [(aside[0], aside[1]), (end[0] + aside[0], end[1] + aside[1])]
    _area(
        drawing, [*corners, *((x - 2 * aside[0], y - 2 * aside[1]) for x, y in corners[::-1])], fill
    )


def _at(radius: float, angle_deg: float) -> Point:
    angle = math.radians(angle_deg)
    return (radius * math.cos(angle), radius * math.sin(angle))


PAINTERS: Final[dict[str, Callable[[Any], None]]] = {
    "axes": _axes,
    "seat": _seat,
    "wheel": _wheel,
}
