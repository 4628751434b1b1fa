"""Drift with temperature, from calibrations of one pod at two temperatures."""

from __future__ import annotations

from typing import Final

import numpy as np

from knuckle.estimate.calibration import Calibration, Drift
from knuckle.estimate.data_sheets import MPU6050_ACCELEROMETER, AccelerometerSheet
from knuckle.estimate.priors import DRIFTING
from knuckle.estimate.sensor import CURVE, CURVE_LEVEL_G2
from knuckle.model.block import FloatArray

LEAST_APART_C: Final = 5.0
"""Closer temperatures tell more of the scatter of two calibrations than of drift."""


def fit_drift(
    first: Calibration, second: Calibration, sheet: AccelerometerSheet = MPU6050_ACCELEROMETER
) -> Drift:
    """Return how bias and scale drift, the data sheet's limits taken as what is known before.

    What a degree adds is the difference of the two calibrations over that of their
    temperatures. Nonlinearity is the chip's own and the same in both, so that zero-g offsets are
    compared; the scatter of both counts in full.

    Parameters
    ----------
    first, second : Calibration
        Of the same pod, at least `LEAST_APART_C` apart; in either order.
    sheet : AccelerometerSheet
        Of the part.

    Raises
    ------
    ValueError
        If they are of different pods, their temperatures are not known or too close.
    """
    if first.identity != second.identity:
        raise ValueError("the calibrations are of different pods")
    if first.temp_c is None or second.temp_c is None:
        raise ValueError("the temperature of a calibration is not known")
    apart_c = second.temp_c - first.temp_c
    if abs(apart_c) < LEAST_APART_C:
        raise ValueError(
            f"the calibrations are {abs(apart_c):.1f} degC apart, at least {LEAST_APART_C:.0f} are "
            "needed"
        )
    values = [_level(one) for one in (first, second)]
    slope = (values[1][0] - values[0][0]) / apart_c
    covariance = (values[0][1] + values[1][1]) / apart_c**2
    # Two sources for the same six numbers: each weighs by the inverse of its covariance.
    weight = sheet.drift_covariance @ np.linalg.inv(sheet.drift_covariance + covariance)
    low, high = sorted((first.temp_c, second.temp_c))
    best = weight @ slope
    return Drift(best[:3], best[3:], weight @ covariance, low, high)


def _level(calibration: Calibration) -> tuple[FloatArray, FloatArray]:
    """Return zero-g offset and scale of each axis, shape (6,), with their covariance."""
    row = np.zeros((6, calibration.covariance.shape[0]))
    row[np.arange(6), DRIFTING] = 1.0
    row[:3, CURVE] = -CURVE_LEVEL_G2 * np.eye(3)
    curve = calibration.nonlinearity_per_g
    offset = calibration.bias_g - CURVE_LEVEL_G2 * curve
    size = np.linalg.norm(calibration.matrix, axis=1)
    covariance = row @ calibration.covariance @ row.T
    return np.concatenate([offset, size]), covariance
