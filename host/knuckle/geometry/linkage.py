"""A linear sensor laid to a steered wheel: its length, and its slope by the change of heading.

Two kinds, both drawn in docs/measurement.md. A *wire* joins a point of the wheel to a fixed
anchor: law of cosines in plan view. A *rod*, guided along a fixed line, presses on a flat face of
the wheel: the tangent. In space the point (or face) turns about the inclined steering axis, and
that is what is computed here; on an upright axis the two are the same.
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

import numpy as np

from knuckle.geometry.rotation import Array, cross, dot, turned
from knuckle.geometry.steering import WheelFrame


class LinkageKind(StrEnum):
    """How the sensor is laid to the wheel."""

    WIRE = "wire"
    ROD = "rod"


class LinkageShape(NamedTuple):
    """The figures of a linkage at straight ahead, each shape (...); mm and rad.

    Attributes
    ----------
    lever : ndarray
        From the steering axis, at the sensor's height, to the point (wire) or to the rod's line,
        seen from above.
    reach : ndarray
        Wire: from point to anchor, seen from above. Rod: the face ahead of the axis, along the rod.
    angle : ndarray
        Seen from above, between the lever (point to axis) and the wire; between face and rod.
    arm : ndarray
        Where the lever points, from the car's forward towards outboard.
    rise : ndarray
        The anchor above the point (wire only).
    """

    lever: Array
    reach: Array
    angle: Array
    arm: Array
    rise: Array


def change_of_length(
    kind: LinkageKind,
    shape: LinkageShape,
    longer_left: bool,
    axis: Array,
    vehicle: WheelFrame,
    turn_rad: Array,
) -> Array:
    """Return how much longer the sensor is than at straight ahead, mm; shape (..., n).

    Parameters
    ----------
    kind : LinkageKind
    shape : LinkageShape
        Each shape (...).
    longer_left : bool
        Whether steering left makes the sensor longer.
    axis : ndarray, shape (..., 3)
        The steering axis, upwards.
    vehicle : WheelFrame
        The car's horizontal axes, each shape (..., 3), in the axes in which `axis` is given.
    turn_rad : ndarray, shape (..., n)
        Turns about the steering axis from straight ahead, left positive.
    """

    def wide(value: Array) -> Array:
        return np.asarray(value)[..., None]

    lever = vehicle.forward * wide(np.cos(shape.arm)) + vehicle.outboard * wide(np.sin(shape.arm))
    ahead = cross(vehicle.up, lever) * (1.0 if longer_left else -1.0)
    sine, cosine = wide(np.sin(shape.angle)), wide(np.cos(shape.angle))
    point = lever * wide(shape.lever)
    about = axis[..., None, :]
    if kind is LinkageKind.ROD:
        normal = ahead * sine - lever * cosine
        face = point + ahead * wide(shape.reach)
        normal = turned(normal[..., None, :], about, turn_rad)
        face = turned(face[..., None, :], about, turn_rad)
        out = dot(normal, face - point[..., None, :]) / dot(normal, ahead[..., None, :])
        return np.asarray(out[..., 0] - wide(shape.reach))
    to_anchor = vehicle.up * wide(shape.rise) - (lever * cosine + ahead * sine) * wide(shape.reach)
    moved = turned(point[..., None, :], about, turn_rad) - (point + to_anchor)[..., None, :]
    whole = np.sqrt(shape.reach**2 + shape.rise**2)
    return np.asarray(np.sqrt(dot(moved, moved))[..., 0] - wide(whole))


UPRIGHT = np.array([0.0, 0.0, 1.0])
_LEVEL = WheelFrame(np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0]), UPRIGHT)


def change_in_plan(
    kind: LinkageKind, shape: LinkageShape, longer_left: bool, heading_rad: Array
) -> Array:
    """Return the same on an upright axis: law of cosines, or tangent; shape (n,).

    Parameters
    ----------
    heading_rad : ndarray, shape (n,)
        Change of heading from straight ahead, left positive.
    """
    flat = shape._replace(rise=np.zeros_like(shape.rise))
    return change_of_length(kind, flat, longer_left, UPRIGHT, _LEVEL, heading_rad)


def moment_arm(
    kind: LinkageKind, shape: LinkageShape, longer_left: bool, heading_rad: Array
) -> Array:
    """Return the slope of length by heading, mm per rad, shape (n,): above zero where it is sound.

    It is the distance of the steering axis from the wire's (or rod's) line, seen from above, and
    zero at dead centre: where the wire points at the axis, length says nothing of heading.
    """
    step = 1e-30
    slope = change_in_plan(kind, shape, longer_left, heading_rad + 1j * step).imag / step
    return np.asarray(slope if longer_left else -slope)
