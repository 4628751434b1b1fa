"""The wheel seen from above: how far it is steered, as a picture."""

from __future__ import annotations

import math
from typing import Final

from rich.style import Style
from rich.text import Text

from knuckle.model.wheel import Wheel
from knuckle.terminal.glyphs import Glyphs
from knuckle.terminal.scene import steer_words

WIDTH: Final = 27
ROWS: Final = 9
SCALE_DEG: Final = 30.0
"""The scale below the picture reaches this far to both sides."""

_NOTHING, _GUIDE, _BODY, _TYRE = range(4)
_TYRE_LENGTH: Final = 15.0
_TYRE_WIDTH: Final = 5.0
_COLOURS: Final = {_GUIDE: "bright_black", _BODY: "blue", _TYRE: "default"}


def _pixel(x: float, y: float, steer_deg: float, side: int) -> int:
    """Return what is at a place; x to the right, y to the front, centre of the wheel at 0."""
    turn = math.radians(steer_deg)
    along = -x * math.sin(turn) + y * math.cos(turn)
    across = x * math.cos(turn) + y * math.sin(turn)
    if abs(along) <= _TYRE_LENGTH / 2 and abs(across) <= _TYRE_WIDTH / 2:
        return _TYRE
    inboard = x * side
    if 9.0 <= inboard <= 10.5 or (abs(y) < 1.0 and 0 < inboard < 9.0):
        return _BODY
    if abs(x) < 0.5 and round(y) % 2 == 0:
        return _GUIDE
    return _NOTHING


def _cell(above: int, below: int, glyphs: Glyphs) -> tuple[str, Style]:
    upper = Style(color=_COLOURS.get(above))
    if above == below:
        return (glyphs.full, upper) if above else (" ", Style())
    if not below:
        return glyphs.upper, upper
    if not above:
        return glyphs.lower, Style(color=_COLOURS[below])
    return glyphs.full, Style(color=_COLOURS[max(above, below)])


def _plain_cell(what: int) -> tuple[str, Style]:
    return {_NOTHING: " ", _GUIDE: ".", _BODY: "=", _TYRE: "#"}[what], Style()


def _column(steer_deg: float) -> int:
    kept = max(-SCALE_DEG, min(SCALE_DEG, steer_deg))
    return round((WIDTH - 1) / 2 * (1 - kept / SCALE_DEG))


def draw(steer_deg: float, wheel: Wheel, goal_deg: float | None, glyphs: Glyphs) -> Text:
    """Draw the wheel from above, the car's front up, with a scale below.

    Parameters
    ----------
    steer_deg : float
        Change of heading from straight ahead, ISO sign (left positive).
    wheel : Wheel
        Tells on which side the body is.
    goal_deg : float or None
        Marked on the scale.
    glyphs : Glyphs
        What can be shown.

    Returns
    -------
    rich.text.Text
        `ROWS` + 3 rows of `WIDTH` cells.
    """
    picture = Text(no_wrap=True)
    middle = (WIDTH - 1) / 2
    for row in range(ROWS):
        for column in range(WIDTH):
            x = column - middle
            y = ROWS - 0.5 - 2 * row
            if glyphs.halves:
                cell = _cell(
                    _pixel(x, y, steer_deg, wheel.side),
                    _pixel(x, y - 1, steer_deg, wheel.side),
                    glyphs,
                )
            else:
                cell = _plain_cell(_pixel(x, y - 0.5, steer_deg, wheel.side))
            picture.append(*cell)
        picture.append("\n")
    scale = [glyphs.line] * WIDTH
    for mark in (-20, -10, 0, 10, 20):
        scale[_column(mark)] = "+"
    picture.append("".join(scale) + "\n", Style(color="bright_black"))
    pointers = [" "] * WIDTH
    if goal_deg is not None:
        pointers[_column(goal_deg)] = glyphs.goal
    pointers[_column(steer_deg)] = glyphs.marker
    picture.append("".join(pointers) + "\n", Style(bold=True))
    left, right = ("out", "in") if wheel.is_left else ("in", "out")
    words = steer_words(steer_deg, wheel, glyphs.degree)
    picture.append(f"{left}{words:^{WIDTH - len(left) - len(right)}}{right}")
    return picture
