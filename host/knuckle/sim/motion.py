"""What moves the pod: the wheel's turn and roll, the body's roll, shakes, a slipping mount."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.interpolate import CubicSpline

from knuckle.geometry.rotation import cross, turned
from knuckle.model.block import FloatArray
from knuckle.sim.faults import Knocks, Slip
from knuckle.sim.kinematics import PodAxes
from knuckle.sim.moves import Motion1, minimum_jerk

STANDARD_GRAVITY = 9.80665
"""m/s2 in one g (3rd CGPM, 1901)."""


class Motion(NamedTuple):
    """The pod's state at each time, in pod axes; each shape (n, 3)."""

    up: FloatArray
    """Unit length."""
    rate_rad_s: FloatArray
    """Rate of turn of the body."""
    push_g: FloatArray
    """Acceleration, in g: what a moving accelerometer reads on top of `up`."""


def wheel_motion(
    axes: PodAxes,
    theta: Motion1,
    roll: Motion1,
    body_roll: CubicSpline | None,
    lever_m: FloatArray,
) -> Motion:
    """Return the motion of a pod on a wheel that is steered.

    The pod's attitude against straight ahead is R(k, theta) R(e, roll), the whole turned by the
    body's roll; up in pod axes is its inverse applied to up. The accelerometer sits at `lever_m`
    from the steering axis: acceleration w x (w x r) + dw/dt x r (plain rigid-body mechanics; the
    body's roll is too slow to matter in the second term).

    Parameters
    ----------
    theta, roll : Motion1
        In rad; shape (n,).
    lever_m : ndarray, shape (3,)
        In pod axes.
    """
    up = np.broadcast_to(axes.up, (theta.value.shape[0], 3))
    lean_rate = None
    if body_roll is not None:
        up = turned(axes.up, axes.forward, -body_roll(theta.value))
        lean_rate = (body_roll(theta.value, 1) * theta.rate)[:, None] * axes.forward
    up = turned(turned(up, axes.steering, -theta.value), axes.spin, -roll.value)
    steering = turned(axes.steering, axes.spin, -roll.value)
    turning = steering * theta.rate[:, None]
    rolling = axes.spin * roll.rate[:, None]
    rate = turning + rolling
    spin_up = steering * theta.acceleration[:, None] + axes.spin * roll.acceleration[:, None]
    spin_up -= cross(rolling, turning)
    push = cross(rate, cross(rate, lever_m)) + cross(spin_up, lever_m)
    if lean_rate is not None:
        rate = rate + turned(turned(lean_rate, axes.steering, -theta.value), axes.spin, -roll.value)
    return Motion(up, rate, push / STANDARD_GRAVITY)


@dataclass(frozen=True, slots=True)
class Shake:
    """A short disturbance that leaves nothing behind: a swing that rings down.

    The pod swings by swing_rad * exp(-age/decay) * sin(omega age), and is pushed by push_g with
    the same shape.
    """

    at_s: float
    push_g: FloatArray
    swing_rad: FloatArray
    omega_rad_s: float
    decay_s: float

    @classmethod
    def knock(cls, at_s: float, fault: Knocks, rng: np.random.Generator) -> Shake:
        """Draw one knock."""
        push, swing = rng.standard_normal((2, 3))
        size = rng.uniform(0.5, 1.5)
        return cls(
            at_s,
            push / np.linalg.norm(push) * fault.amplitude_g * size,
            swing / np.linalg.norm(swing) * np.radians(fault.swing_deg) * size,
            2 * np.pi * fault.frequency_hz * rng.uniform(0.7, 1.4),
            fault.decay_s * rng.uniform(0.7, 1.4),
        )


_SHAKE_OVER = 14.0


def swung(
    up: FloatArray, rate_rad_s: FloatArray, swing_rad: FloatArray, speed_rad_s: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return up and rate of a body that also swings by a small rotation vector, shape (n, 3).

    To second order in the swing: up' = exp(-swing) up, and the body's rate is turned likewise and
    gains the swing's own speed - swing x speed / 2.
    """

    def turned_back(v: FloatArray) -> FloatArray:
        once = cross(swing_rad, v)
        return np.asarray(v - once + 0.5 * cross(swing_rad, once))

    gained = speed_rad_s - 0.5 * cross(swing_rad, speed_rad_s)
    return turned_back(up), turned_back(rate_rad_s) + gained


def shaken(motion: Motion, t_s: FloatArray, shakes: Sequence[Shake]) -> Motion:
    """Return the motion with short disturbances added."""
    if not shakes:
        return motion
    up, rate, push = (np.array(part) for part in motion)
    for shake in shakes:
        first, end = np.searchsorted(t_s, [shake.at_s, shake.at_s + _SHAKE_OVER * shake.decay_s])
        if first == end:
            continue
        age = t_s[first:end] - shake.at_s
        fall = np.exp(-age / shake.decay_s)
        sine, cosine = np.sin(shake.omega_rad_s * age), np.cos(shake.omega_rad_s * age)
        shape = fall * sine
        slope = fall * (shake.omega_rad_s * cosine - sine / shake.decay_s)
        swing, speed = shape[:, None] * shake.swing_rad, slope[:, None] * shake.swing_rad
        up[first:end], rate[first:end] = swung(up[first:end], rate[first:end], swing, speed)
        push[first:end] += shape[:, None] * shake.push_g
    return Motion(up, rate, push)


def slipped(motion: Motion, t_s: FloatArray, slip: Slip) -> Motion:
    """Return the motion of a pod whose mount gives way once."""
    turn = np.radians([slip.tilt_deg, slip.pitch_deg, 0.0])
    size = float(np.linalg.norm(turn))
    if not slip.on or size == 0.0 or t_s.size == 0 or t_s[-1] < slip.at_s:
        return motion
    axis = turn / size
    x = np.clip((t_s - slip.at_s) / slip.length_s, 0.0, 1.0)
    shape, slope, _ = minimum_jerk(x)
    return Motion(
        turned(motion.up, axis, -size * shape),
        turned(motion.rate_rad_s, axis, -size * shape)
        + (size / slip.length_s * slope)[:, None] * axis,
        turned(motion.push_g, axis, -size * shape),
    )
