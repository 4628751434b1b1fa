"""How far readings scatter beyond what they say of themselves, from their residuals."""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.optimize import brentq

from knuckle.model.block import BoolArray, FloatArray

_LEAST: Final = 1e-7
_MOST: Final = 1.0


def matching_scatter(
    mine: BoolArray, at_zero: FloatArray, spread: FloatArray, own: FloatArray, others: FloatArray
) -> float:
    """Return the scatter by which some rows' squares equal their degrees of freedom.

    Paule & Mandel, Consensus values and weighting factors, J. Res. Natl. Bur. Stand. 87 (1982)
    377-385, with the trace of the residuals' matrix in place of n - 1.

    Parameters
    ----------
    mine : ndarray of bool, shape (m,)
        The rows whose scatter is sought.
    at_zero : ndarray, shape (m,)
        Residuals were all unknowns at their priors' means.
    spread : ndarray, shape (m, m)
        Covariance that the unknowns' priors give the rows.
    own : ndarray, shape (m,)
        The rows' own variances.
    others : ndarray, shape (m,)
        Variance that scatter adds to the other rows.

    With S the covariance of the rows, priors included, the residuals are D S^-1 y (D the
    rows' own variance), so that both sums come from S alone.
    """

    def excess(log_scatter: float) -> float:
        variance = own + np.where(mine, np.exp(2.0 * log_scatter), others)
        inverse = np.linalg.inv(spread + np.diag(variance))
        residuals = inverse @ at_zero
        return float(np.sum(((residuals**2 - np.diag(inverse)) * variance)[mine]))

    low, high = np.log(_LEAST), np.log(_MOST)
    if not mine.any() or excess(low) <= 0.0:
        return 0.0
    if excess(high) >= 0.0:
        return _MOST
    return float(np.exp(brentq(excess, low, high, xtol=1e-3)))
