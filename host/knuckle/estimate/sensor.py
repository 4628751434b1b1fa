"""Pieces that every model of a pod's readings shares."""

from __future__ import annotations

from typing import Final

import numpy as np

from knuckle.geometry.rotation import Array, cross, unit
from knuckle.model.block import FloatArray

BIAS: Final = slice(0, 3)
GAIN: Final = slice(3, 12)
TURN: Final = slice(12, 15)
CURVE: Final = slice(15, 18)
ACCEL_TERMS: Final = 18
"""Errors of an accelerometer in one vector: bias (g), scale and cross-axis (3 x 3, row by row),
turn of the chip in its case (rad), square-law nonlinearity of each axis (1/g)."""

CURVE_LEVEL_G2: Final = 0.6
"""A nonlinearity c adds c (a^2 - 0.6) to a reading a, so that the bias is that of the best
straight line: over directions spread evenly on the sphere u^3 is fitted best by 0.6 u, the mean of
u^4 over that of u^2. A zero-g offset is bias - 0.6 c."""

ACCEL_SOURCES: Final = (
    *("zero",) * 3,
    *("calibration",) * 9,
    *("chip_turn",) * 3,
    *("nonlinearity",) * 3,
)
"""Of each term in a budget."""

TINY_VARIANCE = 1e-18
"""Keeps a prior of zero width (something known exactly) invertible."""


def tangents(v: FloatArray) -> FloatArray:
    """Return two unit vectors square to v, shape (2, 3): for +Y they are X (yaw), Z (tilt)."""
    x = np.array([1.0, 0.0, 0.0]) if abs(v[0]) < 0.9 else np.array([0.0, 0.0, 1.0])
    first = unit(x - v * (x @ v))
    return np.stack([first, cross(first, v)])


def chip_turn(v: Array) -> Array:
    """Return [v]x, the small turn of the chip in its case, shape (..., 3, 3)."""
    zero = np.zeros_like(v[..., 0])
    x, y, z = v[..., 0], v[..., 1], v[..., 2]
    rows = [[zero, -z, y], [z, zero, -x], [-y, x, zero]]
    return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)


def read_by(matrix: Array, bias: Array, curve: Array, force: Array) -> Array:
    """Return what an accelerometer with small errors reads.

    Parameters
    ----------
    matrix : ndarray, shape (..., 3, 3)
    bias, curve : ndarray, shape (..., 3)
    force : ndarray, shape (..., n, 3)
        True specific force, in g.
    """
    straight = np.einsum("...ij,...nj->...ni", matrix, force)
    return np.asarray(
        straight + bias[..., None, :] + curve[..., None, :] * (force**2 - CURVE_LEVEL_G2)
    )


def accel_matrix(accel: Array) -> Array:
    """Return the matrix of an accelerometer's errors, shape (..., 18) to (..., 3, 3)."""
    gain = accel[..., GAIN].reshape(*accel.shape[:-1], 3, 3)
    return np.asarray(np.eye(3) + gain + chip_turn(accel[..., TURN]))


def spin_of_normal(normal: Array, accel: Array) -> Array:
    """Return the spin axis e along M' n of the plane's normal n in the readings' axes.

    Measured in the readings' own axes, scale, skew and turn of the sensor drop out of camber:
    e . u is n . (r - b) but for its size, and only the bias along n remains.

    Parameters
    ----------
    normal : ndarray, shape (..., 3)
    accel : ndarray, shape (..., 18)
        The accelerometer's errors.
    """
    return unit(np.einsum("...ji,...j->...i", accel_matrix(accel), normal))


def covariance_whitener(covariance: FloatArray) -> FloatArray:
    """Return W with W'W the inverse of a covariance: rows times W have unit variance.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the matrix is no covariance.
    """
    size = covariance.shape[0]
    return np.linalg.inv(np.linalg.cholesky(covariance + np.eye(size) * TINY_VARIANCE))
