"""The simulated knuckle against the exact table and against scipy's rotations."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from knuckle.model.wheel import Wheel
from knuckle.sim.car import Car, Knuckle
from knuckle.sim.kinematics import (
    Seat,
    body_roll_curve,
    camber_deg,
    caster_as_swept_deg,
    ground_up,
    heading_deg,
    pod_axes,
    spin_axis,
    steering_axis,
    turned_spin,
    wheel_axes,
)


@pytest.mark.parametrize("side", [1, -1])
def test_camber_and_heading_follow_the_exact_table(
    outside_data: Callable[[str], Path], side: int
) -> None:
    # Source: steering_axis_exact_table.csv of the test data; a right wheel is the mirror image.
    with outside_data("steering_axis_exact_table.csv").open() as file:
        rows = [{k: float(v) for k, v in row.items()} for row in csv.DictReader(file)]
    assert len(rows) >= 40
    for row in rows:
        knuckle = Knuckle(
            caster_deg=row["caster_deg"],
            sai_deg=row["sai_deg"],
            camber_deg=row["camber0_deg"],
            toe_deg=row["toe0_deg"],
        )
        spin = turned_spin(knuckle, side, np.radians([side * row["theta_axis_deg"]]))
        assert camber_deg(spin)[0] == pytest.approx(row["camber_deg"], abs=1e-9)
        assert side * heading_deg(spin, side)[0] == pytest.approx(row["heading_left_deg"], abs=1e-9)


def test_axes_have_the_stated_signs() -> None:
    knuckle = Knuckle(caster_deg=5.0, sai_deg=12.0, camber_deg=-2.0, toe_deg=0.5)
    for side in (1, -1):
        k, e = steering_axis(knuckle, side), spin_axis(knuckle, side)
        assert k[0] < 0  # top rearward
        assert k[1] * side < 0  # top inboard
        assert e[1] * side > 0  # outboard
        assert e[2] > 0  # negative camber: the top of the wheel leans in, so the axle points up
        assert e[0] > 0  # toe-in: the axle's outer end lies forward
        x = wheel_axes(e)[:, 0]
        assert x[0] * side > 0  # pod X forward on a left wheel, rearward on a right one


@pytest.mark.parametrize("wheel", [Wheel.LF, Wheel.RF])
def test_pod_axes_against_scipy(wheel: Wheel) -> None:
    car = Car(LF=Knuckle(), RF=Knuckle())
    pitch = 0.7
    axes = pod_axes(car, wheel, Seat(pitch, 0.0, 0.0), ground_up(0.0, 0.0))
    pod = (
        wheel_axes(spin_axis(Knuckle(), wheel.side))
        @ Rotation.from_rotvec([0.0, pitch, 0.0]).as_matrix()
    )
    assert axes.from_vehicle == pytest.approx(pod.T, abs=1e-12)
    assert axes.steering == pytest.approx(pod.T @ steering_axis(Knuckle(), wheel.side), abs=1e-12)


@pytest.mark.parametrize("wheel", [Wheel.LF, Wheel.RF])
def test_seat_errors_and_pads_move_gravity_camber_as_stated(wheel: Wheel) -> None:
    knuckle = Knuckle(camber_deg=-1.0)
    car = Car(LF=knuckle, RF=knuckle)

    def shown(seat: Seat, left: float = 0.0) -> float:
        axes = pod_axes(car, wheel, seat, ground_up(left, 0.0))
        return float(np.degrees(-np.arcsin(axes.up[1])))

    true = Seat(0.3, 0.0, 0.0)
    assert shown(true) == pytest.approx(-1.0, abs=1e-9)
    # The left pads higher by a: the left wheel's gravity camber is a too low.
    assert shown(true, 0.2) == pytest.approx(-1.0 - 0.2 * wheel.side, abs=1e-3)
    # The spin axis along (0, 1, tan tilt) in pod axes: the face itself leans out by tilt.
    tilted = Seat(0.0, np.radians(0.4), 0.0)
    assert shown(tilted) == pytest.approx(-1.0 + 0.4, abs=1e-3)
    axes = pod_axes(car, wheel, tilted, ground_up(0.0, 0.0))
    assert -np.degrees(np.arcsin(axes.up @ axes.spin)) == pytest.approx(-1.0, abs=1e-9)


def test_front_pads_higher_show_more_caster() -> None:
    knuckle = Knuckle(caster_deg=5.0, sai_deg=0.0, camber_deg=0.0, toe_deg=0.0)
    up = ground_up(0.0, 0.3)
    axis = steering_axis(knuckle, 1)
    forward = np.array([1.0, 0.0, 0.0]) - up * up[0]
    shown = np.degrees(-np.arctan2(axis @ forward / np.linalg.norm(forward), axis @ up))
    assert shown == pytest.approx(5.3, abs=1e-6)


def test_body_leans_out_of_the_turn_and_hides_some_caster() -> None:
    car = Car()
    curve = body_roll_curve(car)
    assert curve is not None
    assert curve(np.radians(20.0)) > 0  # steered left, the body leans right
    assert curve(np.radians(-20.0)) == pytest.approx(-curve(np.radians(20.0)), rel=1e-6)
    assert curve(0.0) == 0.0
    loss = 1.0 - caster_as_swept_deg(car, Wheel.LF, 20.0) / car.LF.caster_deg
    assert 0.01 < loss < 0.06  # common practice, no source: a few per cent low
    assert caster_as_swept_deg(car, Wheel.RF, 20.0) == caster_as_swept_deg(car, Wheel.LF, 20.0)
    assert body_roll_curve(Car(body_roll=False)) is None


def test_jacking_to_first_order() -> None:
    # A point at (-trail, scrub, 0) turned by a small theta about (-tan c, -tan s, 1) moves in z
    # by -theta (tan c scrub + tan s trail), the same down on the left as up on the right; the
    # point of contact stays the lowest of an upright disc to first order. Plain geometry.
    knuckle = Knuckle(camber_deg=0.0, toe_deg=0.0)
    car = Car(LF=knuckle, RF=knuckle, front_roll_share=1.0)
    curve = body_roll_curve(car)
    assert curve is not None
    tan_c, tan_s = np.tan(np.radians([knuckle.caster_deg, knuckle.sai_deg]))
    norm = np.sqrt(1 + tan_c**2 + tan_s**2)
    drop = (tan_c * knuckle.scrub_mm + tan_s * knuckle.trail_mm) / norm
    assert curve(0.0, 1) == pytest.approx(2 * drop / car.track_mm, rel=1e-3)
