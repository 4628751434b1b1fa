"""Pieces that every model of a pod's readings shares."""

from __future__ import annotations

import numpy as np

from knuckle.geometry.rotation import Array, cross, unit
from knuckle.model.block import FloatArray

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


def covariance_whitener(covariance: FloatArray) -> FloatArray:
    """Return W with W'W the inverse of a covariance: rows times W have unit variance.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the matrix is no covariance.
    """
    size = covariance.shape[0]
    return np.linalg.inv(np.linalg.cholesky(covariance + np.eye(size) * TINY_VARIANCE))
