"""Toe from two distances to a string, against rotations of a wheel's plane in space."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from knuckle.geometry.toe import Along, toe_deg


def test_the_plain_case() -> None:
    # check-values.md: 3 mm over 400 mm is 0.4297 deg (plain trigonometry).
    assert toe_deg(63.0, 60.0, 400.0) == pytest.approx(0.4297, abs=5e-5)
    assert toe_deg(60.0, 63.0, 400.0) == -toe_deg(63.0, 60.0, 400.0)
    assert toe_deg(63.0, 60.0, 400.0, along=Along.STRING) == pytest.approx(
        math.degrees(math.atan2(3.0, 400.0)), rel=1e-15
    )


def touched(side: int, toe: float, camber: float, height_mm: float, chord_mm: float):
    """Return both touches of a rim in vehicle axes (X forward, Y left, Z up; ISO 8855), mm.

    The wheel's plane is built by rotations of scipy's, without the formula under test.
    """
    # Toe-in turns a left wheel to the right (clockwise from above), a right wheel to the left.
    heading = Rotation.from_euler("z", -side * toe, degrees=True)
    # The top leans outboard: to +Y on the left, a turn about X by minus the camber.
    lean = Rotation.from_euler("x", -side * camber, degrees=True)
    wheel = heading * lean
    forward, upward = wheel.apply([1.0, 0.0, 0.0]), wheel.apply([0.0, 0.0, 1.0])
    rise = height_mm / upward[2]
    level = math.sqrt(chord_mm**2 - rise**2)
    centre = np.array([0.0, 700.0 * side, 300.0])
    half = (level * forward + rise * upward) / 2.0
    return centre + half, centre - half


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize("toe", [-3.0, 0.0, 0.15, 2.0])
@pytest.mark.parametrize("camber", [-4.0, 0.0, 1.5])
@pytest.mark.parametrize("height_mm", [0.0, 12.0, -7.0])
def test_against_a_wheel_in_space(side: int, toe: float, camber: float, height_mm: float) -> None:
    front, rear = touched(side, toe, camber, height_mm, 430.0)
    string_mm = 800.0
    distances = [string_mm - side * point[1] for point in (front, rear)]
    assert front[2] - rear[2] == pytest.approx(height_mm, abs=1e-9)
    found = toe_deg(*distances, 430.0, height_mm=height_mm, camber_deg=camber)
    assert found == pytest.approx(toe, abs=1e-10)
    along_string = front[0] - rear[0]
    found = toe_deg(
        *distances, along_string, along=Along.STRING, height_mm=height_mm, camber_deg=camber
    )
    assert found == pytest.approx(toe, abs=1e-10)


@pytest.mark.parametrize("along", list(Along))
def test_what_no_wheel_can_do_is_refused(along: Along) -> None:
    with pytest.raises(ValueError, match="length allows"):
        toe_deg(60.0, 50.0, 0.0, along=along)
    with pytest.raises(ValueError, match="length allows"):
        toe_deg(500.0, 50.0, 430.0)
