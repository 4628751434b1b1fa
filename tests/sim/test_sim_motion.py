"""The pod's motion: gyro, up and acceleration belong to one rigid body."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from knuckle.model.wheel import Wheel
from knuckle.sim.car import Car, Knuckle
from knuckle.sim.case import realise
from knuckle.sim.driver import Driver
from knuckle.sim.handling import Handler
from knuckle.sim.kinematics import Seat, ground_up, pod_axes
from knuckle.sim.motion import STANDARD_GRAVITY, wheel_motion
from knuckle.sim.moves import Motion1, Submove, Track
from knuckle.sim.scenario import load


def _steps(rate_rad_s: np.ndarray, step_s: float) -> np.ndarray:
    """Turn of the body from each sample to the next, by the mid-point rate."""
    middle = 0.5 * (rate_rad_s[1:] + rate_rad_s[:-1])
    return Rotation.from_rotvec(middle * step_s).as_matrix()


def _carried(up0: np.ndarray, steps: np.ndarray) -> np.ndarray:
    ups = [up0]
    for step in steps:
        ups.append(step.T @ ups[-1])
    return np.array(ups)


@pytest.mark.parametrize("wheel", ["LF", "RF"])
@pytest.mark.parametrize("faults", ["", "knocks,brake_free,slip,drifting"])
def test_integrated_gyro_carries_up_through_a_sweep(wheel: str, faults: str) -> None:
    scenario = load("garage", wheel=wheel, faults=faults, **{"mount.pitch_deg": 50.0})
    driver = Driver(realise(scenario, 4))
    driver.plan_until(40.0)
    t = np.arange(0.0, 20.0, 5e-4)
    motion = driver.motion(t)
    assert np.linalg.norm(motion.up, axis=1) == pytest.approx(1.0, abs=2e-6)
    carried = _carried(motion.up[0], _steps(motion.rate_rad_s, 5e-4))
    assert np.degrees(np.abs(carried - motion.up).max()) < 0.01
    # The turn about the steering axis comes out too, not only what gravity sees.
    third = driver.rests()[1]
    assert abs(third.theta_deg) > 15.0


def test_integrated_gyro_carries_up_while_the_pod_is_handled() -> None:
    handler = Handler(realise(load("garage", purpose="camber_all"), 4))
    handler.plan_until(60.0)
    t = np.arange(0.0, 16.0, 5e-4)
    motion = handler.motion(t)
    carried = _carried(motion.up[0], _steps(motion.rate_rad_s, 5e-4))
    assert np.degrees(np.abs(carried - motion.up).max()) < 0.02


def test_attitude_is_the_product_of_turn_and_roll() -> None:
    # u_pod = A^T up with A = R(k, theta) R(e, rho): docs/simulation.md; here by scipy.
    knuckle = Knuckle(caster_deg=4.0, sai_deg=11.0, camber_deg=-1.0, toe_deg=0.2)
    axes = pod_axes(Car(RF=knuckle), Wheel.RF, Seat(0.3, 0.01, -0.02), ground_up(0.1, 0.2))
    theta, rho = np.radians(17.0), np.radians(3.0)
    still = np.zeros(1)
    motion = wheel_motion(
        axes,
        Motion1(np.array([theta]), still, still),
        Motion1(np.array([rho]), still, still),
        None,
        np.zeros(3),
    )
    attitude = (
        Rotation.from_rotvec(theta * axes.steering) * Rotation.from_rotvec(rho * axes.spin)
    ).as_matrix()
    assert motion.up[0] == pytest.approx(attitude.T @ axes.up, abs=1e-14)


def test_lever_acceleration_is_that_of_the_moving_point() -> None:
    axes = pod_axes(Car(), Wheel.LF, Seat(0.2, 0.0, 0.0), ground_up(0.0, 0.0))
    lever = np.array([0.05, 0.3, 0.0])
    t = np.arange(0.0, 3.0, 1e-3)
    theta = Track(0.0, [Submove("reach", 0.5, 1.5, 0.4)]).at(t)
    roll = Track(0.0, [Submove("reach", 0.7, 1.2, -0.1)]).at(t)
    motion = wheel_motion(axes, theta, roll, None, lever)
    attitude = Rotation.from_rotvec(theta.value[:, None] * axes.steering) * Rotation.from_rotvec(
        roll.value[:, None] * axes.spin
    )
    place = attitude.apply(lever)  # in axes that stand still
    acceleration = np.gradient(np.gradient(place, t, axis=0), t, axis=0)
    expected = attitude.inv().apply(acceleration) / STANDARD_GRAVITY
    # Where a move starts or ends its jerk steps, and differences smear it.
    quiet = np.ones(t.size, bool)
    for corner in (0.0, 0.5, 0.7, 1.9, 2.0, 3.0):
        quiet &= np.abs(t - corner) > 0.01
    assert np.abs(motion.push_g).max() > 0.01
    assert motion.push_g[quiet] == pytest.approx(expected[quiet], abs=2e-5)


def test_lever_figure_of_the_docs() -> None:
    # docs/simulation.md: 0.3 m at 10 deg/s is 0.05 deg.
    axes = pod_axes(Car(), Wheel.LF, Seat(0.0, 0.0, 0.0), ground_up(0.0, 0.0))
    steady = Motion1(np.zeros(1), np.radians([10.0]), np.zeros(1))
    motion = wheel_motion(axes, steady, Motion1.zeros(1), None, np.array([0.0, 0.3, 0.0]))
    assert np.degrees(np.abs(motion.push_g[0, 1])) == pytest.approx(0.05, abs=0.005)
