"""The cone that 'up' draws about a fixed axis, as a body turns about that axis."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from knuckle.geometry.rotation import cross, unit
from knuckle.model.block import FloatArray


class Cone(NamedTuple):
    """A plane fit to readings of 'up'."""

    axis: FloatArray
    """Unit normal of the plane, on the side of the readings; shape (3,)."""
    half_angle_rad: float
    """Angle between the axis and 'up'."""
    flatness: float
    """Second singular value over the first: 0 when the readings lie on a line."""


def fit_cone(readings_g: FloatArray) -> Cone:
    """Fit the plane through the tips of readings of 'up'.

    A rigid body that turns about a fixed axis carries 'up' around a cone about that axis;
    the tips lie in a plane whose normal is the axis, whatever the length of the readings.

    Parameters
    ----------
    readings_g : ndarray, shape (n, 3)
        At least three.

    Raises
    ------
    ValueError
        If fewer than three readings are given.
    """
    if readings_g.shape[0] < 3:
        raise ValueError("a plane needs three readings")
    middle = readings_g.mean(axis=0)
    _, spread, directions = np.linalg.svd(readings_g - middle)
    axis = directions[2] if directions[2] @ middle >= 0 else -directions[2]
    ups = unit(readings_g)
    half_angle = float(np.arccos(np.clip(np.mean(ups @ axis), -1.0, 1.0)))
    return Cone(axis, half_angle, float(spread[1] / max(spread[0], 1e-300)))


def angles_about(axis: FloatArray, readings_g: FloatArray, origin_g: FloatArray) -> FloatArray:
    """Return by how far the body turned about `axis` from `origin_g` to each reading, in rad.

    Parameters
    ----------
    axis : ndarray, shape (3,)
        Unit length, in body axes.
    readings_g : ndarray, shape (n, 3)
    origin_g : ndarray, shape (3,)
        The reading before the turn.

    Returns
    -------
    ndarray, shape (n,)
        Right-handed turns of the body: seen in body axes 'up' goes the other way.
    """
    first = unit(origin_g - axis * (origin_g @ axis))
    second = cross(axis, first)
    return np.asarray(-np.arctan2(readings_g @ second, readings_g @ first))
