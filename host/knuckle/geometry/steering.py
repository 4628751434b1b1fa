"""The steering axis: from caster and steering-axis inclination to the wheel and back.

Axes and signs are those of docs/measurement.md: pod axes have +Y outboard and +Z up; the side q is
+1 on left wheels and -1 on right wheels; angles to the left are positive on every wheel.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from knuckle.geometry.rotation import Array, cross, dot, turned, unit


class WheelFrame(NamedTuple):
    """The wheel's own horizontal axes, each shape (..., 3): forward, outboard, up."""

    forward: Array
    outboard: Array
    up: Array


def wheel_frame(spin: Array, up: Array, side: int) -> WheelFrame:
    """Return forward, outboard and up of a wheel.

    Parameters
    ----------
    spin : ndarray, shape (..., 3)
        The spin axis, outboard, unit length.
    up : ndarray, shape (..., 3)
        Normal of the ground, unit length.
    side : int
        +1 on left wheels, -1 on right wheels.
    """
    outboard = unit(spin - up * dot(spin, up))
    return WheelFrame(side * cross(outboard, up), outboard, up)


def turned_to_vehicle(frame: WheelFrame, toe_rad: Array, side: int) -> WheelFrame:
    """Turn a wheel's frame by its own toe, so that forward is the car's forward.

    Toe-in means that the wheel's front points inboard, so the car's forward lies outboard of
    the wheel's; `toe_rad` is positive for toe-in.
    """
    angle = side * toe_rad
    return WheelFrame(
        turned(frame.forward, frame.up, angle),
        turned(frame.outboard, frame.up, angle),
        frame.up,
    )


def on_pads(vehicle: WheelFrame, slope_rad: Array, side: int) -> Array:
    """Return the normal of the pads, given their slope against gravity; shape (..., 3).

    Parameters
    ----------
    vehicle : WheelFrame
        Level axes: `up` against gravity.
    slope_rad : ndarray, shape (..., 2)
        Across (left side higher) and along (front higher).
    side : int
        +1 on left wheels, -1 on right wheels.
    """
    slope = np.tan(slope_rad)
    across, along = slope[..., :1], slope[..., 1:]
    return unit(vehicle.up - along * vehicle.forward - side * across * vehicle.outboard)


def caster_and_inclination(axis: Array, frame: WheelFrame) -> tuple[Array, Array]:
    """Return caster and steering-axis inclination, in rad.

    tan(caster) = -k_x / k_z and tan(SAI) = -k_y / k_z in the frame's axes; exact.

    Parameters
    ----------
    axis : ndarray, shape (..., 3)
        The steering axis, upwards.
    frame : WheelFrame
        In the vehicle's axes (see `turned_to_vehicle`).
    """
    k_x, k_y, k_z = (dot(axis, a)[..., 0] for a in frame)
    return -np.arctan(k_x / k_z), -np.arctan(k_y / k_z)


def steering_axis(caster_rad: float, inclination_rad: float, side: int) -> Array:
    """Return the steering axis in pod axes of a wheel that points straight ahead, shape (3,).

    Pod axes of an upright wheel: X is forward on a left wheel and rearward on a right one.
    """
    return unit(np.array([-side * math.tan(caster_rad), -math.tan(inclination_rad), 1.0]))


def camber(up: Array, spin: Array) -> Array:
    """Return camber in rad: positive when the top leans outboard; shape (...)."""
    return -np.arcsin(dot(up, spin))[..., 0]


def heading_change(spin: Array, frame: WheelFrame, side: int) -> Array:
    """Return by how far a turned wheel's heading lies to the left of `frame`, in rad.

    Parameters
    ----------
    spin : ndarray, shape (..., 3)
        The turned spin axis, in the axes in which `frame` is given.
    """
    ahead = dot(spin, frame.forward)[..., 0]
    outboard = dot(spin, frame.outboard)[..., 0]
    return np.arctan(-side * ahead / outboard)


def two_reading_caster_rad(
    camber_left_rad: float,
    camber_right_rad: float,
    heading_left_rad: float,
    heading_right_rad: float,
    side: int,
) -> float:
    """Return caster by the usual two-reading rule; a cross-check, never the method.

    caster = (camber turned out - camber turned in) / (sin(out) + sin(in)), with the headings
    of the road. Common practice, no source; to first order the textbook relation camber =
    camber0 + caster sin(d) + SAI (1 - cos(d)).

    Parameters
    ----------
    camber_left_rad, camber_right_rad : float
        Camber with the wheel steered to the left and to the right.
    heading_left_rad, heading_right_rad : float
        Changes of heading from straight ahead, left positive.
    side : int
        +1 on left wheels: turning left is turning out.
    """
    sines = math.sin(heading_left_rad) - math.sin(heading_right_rad)
    return side * (camber_left_rad - camber_right_rad) / sines
