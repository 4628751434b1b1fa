"""Exact steering geometry against check values from outside the package."""

import csv
import itertools

import numpy as np
import pytest

from knuckle.geometry.rotation import turned, unit
from knuckle.geometry.steering import (
    camber,
    caster_and_inclination,
    heading_change,
    on_pads,
    steering_axis,
    turned_to_vehicle,
    two_reading_caster_rad,
    wheel_frame,
)

UP = np.array([0.0, 0.0, 1.0])

# Exact rotations, checked against scipy to 1e-14 outside this project (steering_axis_exact_table).
# caster, SAI, camber, toe; camber at -20, -10, +10, +20 deg about the axis; headings at -20, +20.
EXACT = [
    ((5, 0, 0, 0), (-1.708184, -0.867172, 0.867172, 1.708184), (-19.929896, 19.929896)),
    ((0, 12, 0, 0), (0.702728, 0.177023, 0.177023, 0.702728), (-19.546474, 19.546474)),
    ((5, 12, 0, 0), (-0.973328, -0.672610, 1.024119, 2.369160), (-19.538569, 19.423435)),
    ((5, 12, -1, 0.1), (-1.962853, -1.668190, 0.021250, 1.364743), (-19.714239, 19.389551)),
    ((7, 14, -2, 0.2), (-3.492893, -2.964999, -0.627791, 1.110158), (-19.729260, 19.117252)),
]


def wheel(caster, sai, camber_deg, toe, side):
    """Return steering axis, spin axis and vehicle frame in level axes of the car (pod-like)."""
    toe, lean = np.radians(toe), np.radians(camber_deg)
    axis = steering_axis(np.radians(caster), np.radians(sai), side)
    # outboard normal of a wheel with toe-in leans forward; X is forward on the left only
    spin = np.array([side * np.sin(toe) * np.cos(lean), np.cos(toe) * np.cos(lean), -np.sin(lean)])
    return axis, spin


def readings(caster, sai, camber_deg, toe, theta, side):
    axis, spin = wheel(caster, sai, camber_deg, toe, side)
    at = turned(spin, axis, np.radians(np.asarray(theta, dtype=float)))
    car = wheel_frame(np.array([0.0, 1.0, 0.0]), UP, side)
    return np.degrees(camber(UP, at)), np.degrees(heading_change(at, car, side))


@pytest.mark.parametrize(("given", "cambers", "headings"), EXACT)
def test_camber_and_heading_through_a_sweep(given, cambers, headings):
    found, _ = readings(*given, [-20, -10, 10, 20], side=1)
    np.testing.assert_allclose(found, cambers, atol=6e-7)
    _, heading = readings(*given, [-20, 20], side=1)
    np.testing.assert_allclose(heading, headings, atol=6e-7)


@pytest.mark.parametrize(("given", "cambers", "headings"), EXACT)
def test_a_mirrored_car_gives_mirrored_headings_and_the_same_camber(given, cambers, headings):
    found, heading = readings(*given, [20, 10, -10, -20], side=-1)
    np.testing.assert_allclose(found, cambers, atol=6e-7)
    np.testing.assert_allclose(heading[[0, 3]], -np.array(headings), atol=6e-7)


def test_the_whole_table_of_exact_rotations(outside_data):
    with outside_data("steering_axis_exact_table.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) > 30
    for row in rows:
        value = {key: float(text) for key, text in row.items()}
        given = (value["caster_deg"], value["sai_deg"], value["camber0_deg"], value["toe0_deg"])
        found, heading = readings(*given, value["theta_axis_deg"], side=1)
        assert found == pytest.approx(value["camber_deg"], abs=1e-9)
        assert heading == pytest.approx(value["heading_left_deg"], abs=1e-9)


@pytest.mark.parametrize("side", [1, -1])
def test_closed_form_of_camber(side):
    """sin(camber) = tan(caster)/N sin(theta) + tan(SAI)/N^2 (1 - cos(theta)), zero camber and toe.

    Derived outside the package and checked against scipy to 1e-14; theta towards out.
    """
    caster, sai = np.radians(6.0), np.radians(11.0)
    n2 = 1 + np.tan(caster) ** 2 + np.tan(sai) ** 2
    theta = np.radians(np.linspace(-30, 30, 13))
    expected = np.tan(caster) / np.sqrt(n2) * np.sin(theta) + np.tan(sai) / n2 * (1 - np.cos(theta))
    found, _ = readings(6.0, 11.0, 0, 0, side * np.degrees(theta), side)
    np.testing.assert_allclose(np.sin(np.radians(found)), expected, atol=1e-14)


@pytest.mark.parametrize(
    ("caster", "sai", "toe", "side"),
    list(itertools.product([-3.0, 0.0, 7.0], [5.0, 14.0], [-0.4, 0.0, 0.3], [1, -1])),
)
def test_axis_to_caster_and_inclination_and_back(caster, sai, toe, side):
    axis, spin = wheel(caster, sai, -2.0, toe, side)
    car = turned_to_vehicle(wheel_frame(spin, UP, side), np.radians(toe), side)
    found = np.degrees(caster_and_inclination(axis, car))
    np.testing.assert_allclose(found, (caster, sai), atol=1e-12)


def test_the_usual_two_reading_rule():
    """Camber difference over 2 sin(20 deg): 4.886 turned about the axis, 5.011 by road heading.

    Common practice, no source; the figures are the exact rotation's.
    """
    found, heading = np.radians(readings(5, 12, 0, 0, [20, -20], side=1))
    about_axis = two_reading_caster_rad(*found, np.radians(20), np.radians(-20), side=1)
    by_heading = two_reading_caster_rad(*found, *heading, side=1)
    assert np.degrees(about_axis) == pytest.approx(4.886, abs=5e-4)
    assert np.degrees(by_heading) == pytest.approx(5.011, abs=5e-4)
    found, heading = np.radians(readings(5, 12, 0, 0, [20, -20], side=-1))
    assert np.degrees(two_reading_caster_rad(*found, *heading, side=-1)) == pytest.approx(
        5.011, abs=5e-4
    )


@pytest.mark.parametrize("side", [1, -1])
def test_pads_higher_on_the_left_add_to_left_camber_and_take_from_right(side):
    """Plain geometry: the car leans towards its lower side."""
    spin = np.array([0.0, 1.0, 0.0])
    frame = wheel_frame(spin, UP, side)
    normal = on_pads(frame, np.radians([0.5, 0.0]), side)
    assert np.degrees(camber(normal, spin)) == pytest.approx(side * 0.5, abs=1e-9)


def test_pads_higher_in_front_take_their_slope_from_caster():
    """Plain geometry: on a nose-high car gravity sees that much more caster."""
    frame = wheel_frame(np.array([0.0, 1.0, 0.0]), UP, 1)
    normal = on_pads(frame, np.radians([0.0, 0.5]), 1)
    axis = steering_axis(np.radians(5.0), 0.0, 1)
    level = wheel_frame(np.array([0.0, 1.0, 0.0]), normal, 1)
    caster, _ = caster_and_inclination(axis, level)
    assert np.degrees(caster) == pytest.approx(4.5, abs=1e-9)


def test_toe_of_one_wheel_from_rim_distances():
    """asin(difference over length): 3 mm over 400 mm is 0.4297 deg (plain trigonometry)."""
    front, rear = np.array([200.0, -1.5, 0]), np.array([-200.0, 1.5, 0])
    heading = unit(front - rear)
    assert abs(np.degrees(np.arcsin(heading[1]))) == pytest.approx(0.4297, abs=5e-5)
