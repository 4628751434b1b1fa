"""Which directions of a pod have been held up: two discs, each half of the sphere.

The left disc shows the directions about +Z (as on the wheel), the right one those about -Z
(upside down), in Lambert's equal-area projection: every part of a disc is as large as it is on the
sphere. +X lies to the right and +Y up in both.
"""

from __future__ import annotations

import math
from typing import Final

from rich.style import Style
from rich.text import Text

from knuckle.model.guidance import Direction, Sphere
from knuckle.terminal.glyphs import Glyphs

DISC: Final = 23
"""Columns of a disc; half as many rows, since a cell is twice as high as wide."""
ROWS: Final = 11
GAP: Final = 6
WIDTH: Final = 2 * DISC + GAP
NEAR_DEG: Final = 25.0
"""A pose covers so much around it in the picture."""

_HEADS: Final = ("+Z up: as on the wheel", "-Z up: upside down")
_COVERED, _OUT, _WANTED, _NOW = "covered", "out", "wanted", "now"
_STYLES: Final = {
    _COVERED: Style(color="green"),
    _OUT: Style(color="red", bold=True),
    _WANTED: Style(color="yellow", bold=True),
    _NOW: Style(bold=True, reverse=True),
}


def _place(up: Direction) -> tuple[int, int, int]:
    """Return disc, column and row of a direction."""
    x, y, z = up
    disc = 0 if z >= 0.0 else 1
    flat = math.hypot(x, y)
    radius = math.sqrt(max(1.0 - abs(z), 0.0))
    share = radius / flat if flat > 0.0 else 0.0
    return (
        disc,
        round((1.0 + x * share) * (DISC - 1) / 2),
        round((1.0 - y * share) * (ROWS - 1) / 2),
    )


def _direction(disc: int, column: int, row: int) -> Direction | None:
    """Return the direction at a cell; None outside of the disc."""
    x = 2.0 * column / (DISC - 1) - 1.0
    y = 1.0 - 2.0 * row / (ROWS - 1)
    square = x * x + y * y
    if square > 1.02:
        return None
    share = math.sqrt(max(2.0 - square, 0.0))
    z = 1.0 - square
    return x * share, y * share, z if disc == 0 else -z


def _near(one: Direction, others: tuple[Direction, ...]) -> bool:
    least = math.cos(math.radians(NEAR_DEG))
    size = math.sqrt(sum(part * part for part in one)) or 1.0
    return any(
        sum(a * b for a, b in zip(one, other, strict=True)) >= least * size for other in others
    )


def draw(sphere: Sphere, glyphs: Glyphs) -> Text:
    """Draw both halves of the sphere, with a line that says what the marks are.

    Parameters
    ----------
    sphere : Sphere
    glyphs : Glyphs
        What can be shown.

    Returns
    -------
    rich.text.Text
        `ROWS` + 2 rows of at most `WIDTH` cells.
    """
    marks: dict[tuple[int, int, int], tuple[str, str]] = {}
    for up in sphere.taken:
        marks[_place(up)] = (glyphs.tick, _COVERED)
    for up in sphere.left_out:
        marks[_place(up)] = ("!", _OUT)
    for up in reversed(sphere.wanted):
        marks[_place(up)] = (glyphs.goal, _WANTED)
    if sphere.now is not None:
        marks[_place(sphere.now)] = ("+", _NOW)
    picture = Text(no_wrap=True)
    picture.append(f"{_HEADS[0]:^{DISC}}{'':{GAP}}{_HEADS[1]:^{DISC}}".rstrip() + "\n")
    for row in range(ROWS):
        for disc in range(2):
            for column in range(DISC):
                picture.append(*_cell(sphere, marks, (disc, column, row), glyphs))
            if disc == 0:
                picture.append(" " * GAP)
        picture.append("\n")
    picture.append(f"{glyphs.tick} held  ", _STYLES[_COVERED])
    picture.append(f"{glyphs.goal} wanted  ", _STYLES[_WANTED])
    picture.append("! left out  ", _STYLES[_OUT])
    picture.append("+", _STYLES[_NOW])
    picture.append(" now")
    return picture


def _cell(
    sphere: Sphere,
    marks: dict[tuple[int, int, int], tuple[str, str]],
    at: tuple[int, int, int],
    glyphs: Glyphs,
) -> tuple[str, Style]:
    if at in marks:
        sign, kind = marks[at]
        return sign, _STYLES[kind]
    there = _direction(*at)
    if there is None:
        return " ", Style()
    if _near(there, sphere.taken):
        return (":" if not glyphs.halves else "░"), _STYLES[_COVERED]
    return ".", Style(color="bright_black")
