"""The picture of the directions that a calibration has covered."""

from __future__ import annotations

import pytest

from knuckle.model.guidance import Sphere
from knuckle.terminal.glyphs import glyphs_for
from knuckle.terminal.sphere_picture import DISC, GAP, ROWS, WIDTH, draw

UTF, ASCII = glyphs_for("utf-8"), glyphs_for("ascii")


def rows(sphere: Sphere, ascii_only: bool = False) -> list[str]:
    return str(draw(sphere, ASCII if ascii_only else UTF)).split("\n")


def test_it_fits_beside_the_figures_and_is_plain_where_it_must() -> None:
    shown = rows(Sphere(((0.0, 0.0, 1.0),), now=(1.0, 0.0, 0.0)), ascii_only=True)
    assert len(shown) == ROWS + 2
    assert all(len(row) <= WIDTH <= 80 - 16 for row in shown)
    assert "".join(shown).isascii()


@pytest.mark.parametrize(
    ("up", "disc", "column", "row"),
    [
        ((0.0, 0.0, 1.0), 0, (DISC - 1) // 2, (ROWS - 1) // 2),
        ((0.0, 0.0, -1.0), 1, (DISC - 1) // 2, (ROWS - 1) // 2),
        ((1.0, 0.0, 0.0), 0, DISC - 1, (ROWS - 1) // 2),
        ((0.0, 1.0, 0.0), 0, (DISC - 1) // 2, 0),
        ((-0.6, 0.0, -0.8), 1, 6, (ROWS - 1) // 2),  # Lambert: sqrt(1 - 0.8) = 0.447 of 11 cells
    ],
)
def test_a_direction_stands_where_lambert_puts_it(
    up: tuple[float, float, float], disc: int, column: int, row: int
) -> None:
    """Equal-area azimuthal projection: r = sqrt(2) sin(theta / 2), Lambert 1772."""
    shown = rows(Sphere(wanted=(up,)))
    assert shown[1 + row][disc * (DISC + GAP) + column] == UTF.goal


def test_a_pose_covers_what_is_near_it() -> None:
    bare = "".join(rows(Sphere())[1 : ROWS + 1]).count(".")
    shown = "".join(rows(Sphere(((0.0, 0.0, 1.0),)))[1 : ROWS + 1])
    # A cap of 25 deg is (1 - cos 25) = 9.4 % of a hemisphere, by an equal-area picture.
    assert 0.07 < (shown.count("░") + 1) / (bare / 2) < 0.12
    marked = "".join(rows(Sphere(left_out=((0.0, 0.0, 1.0),)))[1 : ROWS + 1])
    assert marked.count("!") == 1 and "░" not in marked
