"""The curve that is drawn through a sweep's rests, against values from outside."""

from __future__ import annotations

import numpy as np
import pytest

from knuckle.report.curve import camber_at_steer

# Exact rotations, derived apart from this project and checked against scipy to 1e-14: caster,
# SAI, camber at straight ahead, then (heading, camber) at a turn of -20 and of +20 deg about
# the axis of a left wheel. Toe zero.
EXACT = [
    ((5.0, 0.0, 0.0), (-19.929896, -1.708184), (19.929896, 1.708184)),
    ((0.0, 12.0, 0.0), (-19.546474, 0.702728), (19.546474, 0.702728)),
    ((5.0, 12.0, 0.0), (-19.538569, -0.973328), (19.423435, 2.369160)),
]


@pytest.mark.parametrize(("truth", "at_right", "at_left"), EXACT)
def test_curve_of_a_left_wheel(
    truth: tuple[float, float, float],
    at_right: tuple[float, float],
    at_left: tuple[float, float],
):
    caster, inclination, camber = truth
    steer = np.array([at_right[0], 0.0, at_left[0]])
    drawn = camber_at_steer(steer, camber, caster, inclination, side=1)
    assert drawn == pytest.approx([at_right[1], camber, at_left[1]], abs=2e-5)


@pytest.mark.parametrize(("truth", "at_right", "at_left"), EXACT)
def test_curve_of_the_mirrored_wheel_is_mirrored(
    truth: tuple[float, float, float],
    at_right: tuple[float, float],
    at_left: tuple[float, float],
):
    caster, inclination, camber = truth
    steer = np.array([-at_right[0], 0.0, -at_left[0]])
    drawn = camber_at_steer(steer, camber, caster, inclination, side=-1)
    assert drawn == pytest.approx([at_right[1], camber, at_left[1]], abs=2e-5)


def test_curve_ends_where_the_wheel_cannot_turn_to():
    assert np.isnan(camber_at_steer(np.array([120.0]), 0.0, 5.0, 12.0, side=1)[0])
