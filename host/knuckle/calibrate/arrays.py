"""A recording as plain arrays, in counts or any unit, as the block that poses are found in."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from knuckle.calibrate.results import AccelerometerFit
from knuckle.model.block import LONGEST_BRIDGED_GAP_S, Block, FloatArray


def block_of_arrays(
    t_s: Any,
    accel: Any,
    *,
    per_g: Any = 1.0,
    zero: Any = 0.0,
    gyro: Any = None,
    per_dps: Any = 1.0,
    gyro_zero: Any = 0.0,
    temp_c: Any = None,
) -> Block:
    """Return arrays as a block in g and deg/s by nominal scales.

    The nominal scale need be right within what the data sheet allows (3 % for most parts), the
    zero within its offset: what is off is what the calibration finds.

    Parameters
    ----------
    t_s : array_like, shape (n,)
        Time of each sample, in s, increasing.
    accel : array_like, shape (n, 3)
        In any unit.
    per_g, zero : float or array_like, shape (3,)
        g = (accel - zero) / per_g: 9.80665 for m/s2, 16384 for counts of +-2 g in 16 bits.
    gyro : array_like, shape (n, 3), optional
        On the same times.
    per_dps, gyro_zero : float or array_like, shape (3,)
        deg/s = (gyro - gyro_zero) / per_dps.
    temp_c : array_like, shape (n,), optional

    Raises
    ------
    ValueError
        If shapes do not fit, times do not increase, or a number is not finite.
    """
    t = np.asarray(t_s, dtype=float)
    accel_g = (np.asarray(accel, dtype=float) - zero) / per_g
    gyro_dps = None if gyro is None else (np.asarray(gyro, dtype=float) - gyro_zero) / per_dps
    if t.ndim != 1 or t.size < 2 or accel_g.shape != (t.size, 3):
        raise ValueError(f"{accel_g.shape} readings at {t.shape} times: (n, 3) at (n,) are needed")
    if gyro_dps is not None and gyro_dps.shape != (t.size, 3):
        raise ValueError(f"the gyro has {gyro_dps.shape} readings at {t.shape} times")
    if not np.all(np.isfinite(t)) or not np.all(np.isfinite(accel_g)):
        raise ValueError("a time or a reading is not finite")
    steps = np.diff(t)
    if not np.all(steps > 0.0):
        raise ValueError("the times do not increase")
    step_s = float(np.median(steps))
    gaps = steps > LONGEST_BRIDGED_GAP_S + step_s
    return Block(
        t_s=t,
        accel_g=accel_g,
        gyro_dps=gyro_dps,
        temp_c=None if temp_c is None else np.asarray(temp_c, dtype=float),
        linear_mm=None,
        lost_before=np.concatenate([[0], np.maximum(np.rint(steps / step_s) - 1, 0)]).astype(int),
        stretch=np.concatenate([[0], np.cumsum(gaps)]).astype(int),
        clipped=np.zeros(t.size, dtype=bool),
        rate_hz=1.0 / step_s,
    )


def in_units(
    fit: AccelerometerFit, per_g: Any = 1.0, zero: Any = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Return a fit's matrix and bias in the unit of the arrays that it was made from.

    Returns
    -------
    matrix : ndarray, shape (3, 3)
        reading = matrix @ g + bias, in the arrays' unit, nonlinearity apart.
    bias : ndarray, shape (3,)
    """
    size = np.broadcast_to(np.asarray(per_g, dtype=float), (3,))
    return size[:, None] * fit.matrix, size * fit.bias_g + zero


class Triangular(NamedTuple):
    """true = T diag(1 / scale) (reading - bias), T triangular with ones on its diagonal.

    Attributes
    ----------
    scale : ndarray, shape (3,)
        Readings in the unit of the matrix, a unit of what is true.
    t : ndarray, shape (3, 3)
    """

    scale: FloatArray
    t: FloatArray


def triangular(matrix: Any, *, lower: bool) -> Triangular:
    """Return a matrix in one of the two conventions that leave out how the chip is turned.

    inv(matrix) is turned by a rotation, which |true| = 1 does not see, until it is triangular.

    Parameters
    ----------
    matrix : array_like, shape (3, 3)
        reading = matrix @ true + bias, as of `in_units`; divided by g where scales a m/s2 are
        wanted.
    lower : bool
        Whether T is lower triangular (true x along the chip's X), else upper (true z along its Z).

    Raises
    ------
    ValueError
        If the matrix is not 3 x 3 or has no inverse.
    """
    given = np.asarray(matrix, dtype=float)
    if given.shape != (3, 3):
        raise ValueError(f"a matrix of shape {given.shape}: (3, 3) is needed")
    try:
        back = np.linalg.inv(given)
    except np.linalg.LinAlgError as error:
        raise ValueError("the matrix has no inverse") from error
    if lower:
        back = back[::-1, ::-1]
    _, r = np.linalg.qr(back)
    r = r * np.sign(np.diag(r))[:, None]
    if lower:
        r = r[::-1, ::-1]
    scale = 1.0 / np.diag(r)
    return Triangular(scale, r * scale)
