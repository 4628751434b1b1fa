"""Exact kinematics of a knuckle that carries a pod.

Vehicle axes are X forward, Y left, Z up, normal to the pads. The right side is the left side
mirrored in Y. Source: plain rigid-body geometry of docs/measurement.md; checked in the tests
against the exact table and against `scipy.spatial.transform.Rotation`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.interpolate import CubicSpline

from knuckle.geometry.rotation import turned, unit
from knuckle.model.block import FloatArray
from knuckle.model.wheel import Wheel
from knuckle.sim.car import Car, Knuckle

LARGEST_TURN_RAD = np.radians(60.0)
_X = np.array([1.0, 0.0, 0.0])
_Y = np.array([0.0, 1.0, 0.0])
_Z = np.array([0.0, 0.0, 1.0])


def steering_axis(knuckle: Knuckle, side: int) -> FloatArray:
    """Return the steering axis k in vehicle axes, upwards, unit length, shape (3,).

    k ~ (-tan caster, -tan SAI, 1) on a left wheel, mirrored in Y on a right wheel.
    """
    tan_caster, tan_sai = np.tan(np.radians([knuckle.caster_deg, knuckle.sai_deg]))
    axis: FloatArray = unit(np.array([-tan_caster, -side * tan_sai, 1.0]))
    return axis


def spin_axis(knuckle: Knuckle, side: int) -> FloatArray:
    """Return the wheel's spin axis e in vehicle axes, outboard, at straight ahead, shape (3,)."""
    camber, toe = np.radians([knuckle.camber_deg, knuckle.toe_deg])
    return np.array(
        [
            np.sin(toe) * np.cos(camber),
            side * np.cos(toe) * np.cos(camber),
            -np.sin(camber),
        ]
    )


def wheel_axes(spin: FloatArray) -> FloatArray:
    """Return the axes of a pod that sits true on the wheel, as columns, shape (3, 3).

    +Y is the spin axis, X is horizontal, X = Y x Z.
    """
    x = unit(np.cross(spin, _Z))
    return np.column_stack([x, spin, np.cross(x, spin)])


def camber_deg(spin: FloatArray) -> FloatArray:
    """Return camber relative to the pads of spin axes in vehicle axes, shape (..., 3) to (...)."""
    return np.degrees(np.arcsin(-spin[..., 2]))


def heading_deg(spin: FloatArray, side: int) -> FloatArray:
    """Return the wheel's heading, left positive, of spin axes in vehicle axes."""
    return np.degrees(np.arctan2(-side * spin[..., 0], side * spin[..., 1]))


def turned_spin(knuckle: Knuckle, side: int, theta_rad: FloatArray) -> FloatArray:
    """Return the spin axis after a turn about the steering axis, shape (n, 3)."""
    return np.asarray(
        turned(spin_axis(knuckle, side), steering_axis(knuckle, side), np.asarray(theta_rad))
    )


def _lowest_point_mm(knuckle: Knuckle, side: int, theta_rad: FloatArray) -> FloatArray:
    """Height of a thin wheel's lowest point above the ground, the knuckle's body held still."""
    spin = spin_axis(knuckle, side)
    radial = unit(_Z - spin * spin[2])
    contact = np.array([-knuckle.trail_mm, side * knuckle.scrub_mm, 0.0])
    centre = contact + knuckle.wheel_radius_mm * radial
    axis = steering_axis(knuckle, side)
    centres = turned(centre, axis, theta_rad)
    spins = turned(spin, axis, theta_rad)
    return np.asarray(centres[..., 2] - knuckle.wheel_radius_mm * np.sqrt(1.0 - spins[..., 2] ** 2))


def body_roll_curve(car: Car) -> CubicSpline | None:
    """Return the body's roll (rad about +X, positive leans right) as a function of the turn.

    Each front wheel, turned about its axis, pushes its corner of the body up or down (jacking,
    from caster, SAI, scrub and trail, exact). The difference over the track is a lean imposed on
    the front axle; the body follows it by the front's share of the roll stiffness, the front and
    rear springs acting against each other. Both wheels turn by the same angle; the knuckles roll
    with the body.
    """
    if not car.body_roll:
        return None
    grid = np.linspace(-LARGEST_TURN_RAD, LARGEST_TURN_RAD, 61)
    left = _lowest_point_mm(car.LF, 1, grid)
    right = _lowest_point_mm(car.RF, -1, grid)
    lean = (right - left) / car.track_mm
    return CubicSpline(grid, car.front_roll_share * (lean - lean[30]))


def caster_as_swept_deg(car: Car, wheel: Wheel, lock_deg: float) -> float:
    """Return the caster that a sweep on the car's springs shows.

    The body's roll at the locks takes from the lean of the wheel what it adds to the body's:
    to first order caster - (roll left - roll right) / (2 sin lock).
    """
    caster_deg = car.knuckle(wheel).caster_deg
    curve = body_roll_curve(car)
    if curve is None or lock_deg == 0.0:
        return caster_deg
    lock = np.radians(lock_deg)
    return caster_deg - float(np.degrees(curve(lock) - curve(-lock)) / (2.0 * np.sin(lock)))


@dataclass(frozen=True, slots=True)
class Seat:
    """How a pod sits on a wheel: turned about the wheel, and its errors.

    Attributes
    ----------
    pitch_rad : float
        Turn of the case about its +Y.
    tilt_rad, yaw_rad : float
        The spin axis in pod axes is along (tan yaw, 1, tan tilt).
    """

    pitch_rad: float
    tilt_rad: float
    yaw_rad: float

    def spin(self) -> FloatArray:
        """Return the spin axis in pod axes, shape (3,)."""
        axis: FloatArray = unit(np.array([np.tan(self.yaw_rad), 1.0, np.tan(self.tilt_rad)]))
        return axis

    def pod_from_wheel(self) -> FloatArray:
        """Return the matrix that takes wheel axes to pod axes, shape (3, 3)."""
        pitched = turned(np.eye(3), _Y, np.asarray(-self.pitch_rad)).T
        spin = self.spin()
        normal = np.cross(_Y, spin)
        size = float(np.linalg.norm(normal))
        if size == 0.0:
            return pitched
        leaned = turned(np.eye(3), normal / size, np.asarray(np.arcsin(size))).T
        return np.asarray(leaned @ pitched)


def on_rim(seat: Seat, runout_deg: float, at_deg: float) -> Seat:
    """Return the seat of a pod on a rim whose face is out of true.

    Parameters
    ----------
    seat : Seat
        Of the pod against the rim's face.
    runout_deg : float
        Angle of the wheel's spin axis out of the face's normal.
    at_deg : float
        Where it points, from the pod's +Z towards its +X where the pod sits without pitch.
    """
    if runout_deg == 0.0:
        return seat
    towards = np.tan(np.radians(runout_deg)) * np.array(
        [np.sin(np.radians(at_deg)), 0.0, np.cos(np.radians(at_deg))]
    )
    spin = seat.pod_from_wheel() @ unit(towards + _Y)
    return Seat(
        seat.pitch_rad, float(np.arctan(spin[2] / spin[1])), float(np.arctan(spin[0] / spin[1]))
    )


class PodAxes(NamedTuple):
    """Directions in pod axes with the wheel straight ahead; each shape (3,)."""

    up: FloatArray
    steering: FloatArray
    spin: FloatArray
    forward: FloatArray
    from_vehicle: FloatArray
    """Takes vehicle axes to pod axes, shape (3, 3)."""


def ground_up(left_higher_deg: float, front_higher_deg: float) -> FloatArray:
    """Return 'up' of gravity in vehicle axes, for pads that are not level; shape (3,).

    With the left pads higher the car leans right, so gravity's up leans left; with the front
    higher it leans forward.
    """
    up: FloatArray = unit(
        np.array([np.tan(np.radians(front_higher_deg)), np.tan(np.radians(left_higher_deg)), 1.0])
    )
    return up


def pod_axes(car: Car, wheel: Wheel, seat: Seat, up: FloatArray) -> PodAxes:
    """Return the directions that matter, in axes of a pod seated on `wheel`.

    Parameters
    ----------
    up : ndarray, shape (3,)
        'Up' of gravity in vehicle axes.
    """
    knuckle = car.knuckle(wheel)
    to_pod = seat.pod_from_wheel() @ wheel_axes(spin_axis(knuckle, wheel.side)).T
    return PodAxes(
        up=to_pod @ up,
        steering=to_pod @ steering_axis(knuckle, wheel.side),
        spin=seat.spin(),
        forward=to_pod @ _X,
        from_vehicle=to_pod,
    )
