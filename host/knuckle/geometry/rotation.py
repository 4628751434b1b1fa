"""Rotations as analytic functions, so that they can be differentiated by a complex step.

Everything here is written without ``abs``, ``norm`` or comparisons of values that carry the
derivative; arrays may be complex and have any leading shape. Checked in the tests against
``scipy.spatial.transform.Rotation``.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]
"""Real, or complex while a derivative is being taken."""


def dot(a: Array, b: Array) -> Array:
    """Return the sum of products over the last axis, keeping that axis."""
    return np.asarray(np.sum(a * b, axis=-1, keepdims=True))


def unit(v: Array) -> Array:
    """Return v, shape (..., 3), scaled to length one."""
    return np.asarray(v / np.sqrt(dot(v, v)))


def cross(a: Array, b: Array) -> Array:
    """Return the vector product over the last axis (faster than `numpy.cross`)."""
    ax, ay, az = a[..., 0], a[..., 1], a[..., 2]
    bx, by, bz = b[..., 0], b[..., 1], b[..., 2]
    parts = (ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx)
    return np.stack(np.broadcast_arrays(*parts), axis=-1)


def turned(v: Array, axis: Array, angle_rad: Array) -> Array:
    """Turn v about a unit axis (Rodrigues 1840).

    Parameters
    ----------
    v, axis : ndarray, shape (..., 3)
        `axis` has length one.
    angle_rad : ndarray, shape (...)
        Right-handed, in rad.

    Returns
    -------
    ndarray, shape (..., 3)
    """
    c = np.cos(angle_rad)[..., None]
    s = np.sin(angle_rad)[..., None]
    return np.asarray(v * c + cross(axis, v) * s + axis * dot(axis, v) * (1.0 - c))


def quaternion(axis: Array, angle_rad: Array) -> Array:
    """Return the unit quaternion (w, x, y, z) of a turn about a unit axis, shape (..., 4)."""
    half = np.asarray(angle_rad)[..., None] / 2.0
    w = np.broadcast_to(np.cos(half), np.broadcast_shapes(half.shape, (*axis.shape[:-1], 1)))
    return np.concatenate([w, axis * np.sin(half)], axis=-1)


def product(p: Array, q: Array) -> Array:
    """Return the quaternion product p q (q is applied first), shape (..., 4)."""
    pw, qw = p[..., :1], q[..., :1]
    pv, qv = p[..., 1:], q[..., 1:]
    return np.concatenate([pw * qw - dot(pv, qv), pw * qv + qw * pv + cross(pv, qv)], axis=-1)


def rotation_vector(q: Array) -> Array:
    """Return axis times angle (rad) of unit quaternions, for turns of less than 180 deg.

    Parameters
    ----------
    q : ndarray, shape (..., 4)
        Unit quaternions (w, x, y, z) with w > 0.

    Returns
    -------
    ndarray, shape (..., 3)
    """
    v = q[..., 1:]
    s2 = dot(v, v)
    small = s2.real < 1e-8
    s = np.sqrt(np.where(small, 1.0, s2))
    near_zero = 1.0 + s2 / 6.0 + 3.0 * s2 * s2 / 40.0
    factor = np.where(small, near_zero, np.arctan(s / np.where(small, 1.0, q[..., :1])) / s)
    return 2.0 * v * factor


def exponential(rotvec_rad: Array) -> Array:
    """Return the unit quaternions of rotation vectors, shape (n, 3) to (n, 4)."""
    half2 = dot(rotvec_rad, rotvec_rad) / 4.0
    half = np.sqrt(half2)
    return np.concatenate([np.cos(half), rotvec_rad / 2.0 * np.sinc(half / np.pi)], axis=-1)


def chain(q: Array) -> Array:
    """Return q[0] q[1] ... q[n-1], shape (n, 4) to (4,), multiplied pairwise as a tree."""
    while q.shape[0] > 1:
        even = q.shape[0] // 2 * 2
        paired = product(q[0:even:2], q[1:even:2])
        q = np.concatenate([paired, q[even:]]) if even < q.shape[0] else paired
    result: Array = q[0]
    return result
