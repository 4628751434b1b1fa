"""From the unknowns of a fit to the terms in which a calibration states its covariance."""

from __future__ import annotations

import numpy as np

from knuckle.estimate.sensor import ACCEL_TERMS, BIAS, CURVE, GAIN, TURN, chip_turn
from knuckle.model.block import FloatArray


def calibration_terms(matrix: FloatArray) -> FloatArray:
    """Return the linear map from errors of a fit to errors of a calibration, shape (18, 18).

    A fit has M = I + E + [t]x with nine cross-axis and scale terms and a turn; only their sum
    counts. A calibration says by which M it differs: dM = dE + M [t]x, with all of dM that
    turns in t, and inv(M) dE symmetric.

    Parameters
    ----------
    matrix : ndarray, shape (3, 3)
        M of the fit.
    """
    back = np.linalg.inv(matrix)
    found = np.zeros((ACCEL_TERMS, ACCEL_TERMS))
    found[BIAS, BIAS] = np.eye(3)
    found[CURVE, CURVE] = np.eye(3)
    changes = [*np.eye(9).reshape(9, 3, 3), *chip_turn(np.eye(3))]
    for column, change in zip(range(GAIN.start, TURN.stop), changes, strict=True):
        relative = back @ change
        turning = (relative - relative.T) / 2.0
        found[GAIN, column] = (matrix @ (relative - turning)).ravel()
        found[TURN, column] = turning[2, 1], turning[0, 2], turning[1, 0]
    return found
