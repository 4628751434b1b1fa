"""Weighted least squares with priors as rows, exact derivatives, and a budget by source.

Every unknown may have a prior, which is one more measurement; all rows are divided by their
standard uncertainty. At the minimum the estimate's error is -(J'J)^-1 J' times the rows' own
errors, so the variance of any output splits exactly into the shares of the rows, and these are
summed by the source they come from (GUM, JCGM 100:2008, 5.1 and annex H.2).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from knuckle.geometry.rotation import Array
from knuckle.model.block import FloatArray

_STEP = 1e-30

VectorFunction = Callable[[Array], Array]
"""From unknowns, shape (..., p), to rows, shape (..., m); analytic in the unknowns."""


def derivative(function: VectorFunction, x: FloatArray) -> FloatArray:
    """Return the exact Jacobian, shape (m, p), by a complex step.

    Squire & Trapp, Using complex variables to estimate derivatives of real functions,
    SIAM Review 40 (1998) 110-112: f'(x) = Im f(x + ih) / h, without cancellation.
    """
    stepped = x[None, :] + 1j * _STEP * np.eye(x.size)
    return np.ascontiguousarray((function(stepped).imag / _STEP).T)


@dataclass(frozen=True)
class Solution:
    """The minimum and what surrounds it.

    Attributes
    ----------
    x : ndarray, shape (p,)
        The unknowns.
    gain : ndarray, shape (p, m)
        -(J'J)^-1 J': how the error of each row moves the unknowns.
    covariance : ndarray, shape (p, p)
        Of the unknowns.
    chi_squared : float
        Sum of the squared rows at the minimum.
    degrees_of_freedom : int
        Rows less unknowns.
    sources : tuple of str
        Of each row.
    """

    x: FloatArray
    gain: FloatArray
    covariance: FloatArray
    chi_squared: float
    degrees_of_freedom: int
    sources: tuple[str, ...]

    def shares(self, gradient: FloatArray) -> dict[str, FloatArray]:
        """Return by source how its rows' unit errors move an output.

        Parameters
        ----------
        gradient : ndarray, shape (p,)
            Derivative of the output by the unknowns.

        Returns
        -------
        dict of str to ndarray
            The root of the sum of squares is the source's standard uncertainty.
        """
        moved = gradient @ self.gain
        names = np.array(self.sources)
        return {name: moved[names == name] for name in dict.fromkeys(self.sources)}

    def variance(self, gradient: FloatArray) -> float:
        """Return the variance of an output with that gradient."""
        return float(gradient @ self.covariance @ gradient)


def solve(rows: VectorFunction, start: FloatArray, sources: Sequence[str]) -> Solution:
    """Minimise the sum of squared rows.

    Parameters
    ----------
    rows : callable
        Whitened residuals, priors included.
    start : ndarray, shape (p,)
        Where to begin.
    sources : sequence of str, length m
        What each row comes from.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the rows do not determine the unknowns.
    """
    found = least_squares(
        rows,
        start,
        jac=lambda x: derivative(rows, x),
        method="lm",
        xtol=1e-12,
        ftol=1e-12,
        gtol=1e-12,
        max_nfev=200,
    )
    jacobian = derivative(rows, found.x)
    q, r = np.linalg.qr(jacobian)
    diagonal = np.abs(np.diag(r))
    column_size = np.linalg.norm(jacobian, axis=0)
    if np.any(diagonal <= 1e-11 * column_size):
        raise np.linalg.LinAlgError("the readings do not determine all unknowns")
    inverse = np.linalg.inv(r)
    return Solution(
        x=found.x,
        gain=-inverse @ q.T,
        covariance=inverse @ inverse.T,
        chi_squared=2.0 * float(found.cost),
        degrees_of_freedom=jacobian.shape[0] - jacobian.shape[1],
        sources=tuple(sources),
    )
