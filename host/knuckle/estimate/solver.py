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
from scipy.linalg import cho_factor, cho_solve

from knuckle.geometry.rotation import Array
from knuckle.model.block import BoolArray, FloatArray

_STEP = 1e-30

MOST_STEPS = 12
SMALL_CHANGE = 1e-7
"""A step that changes chi-squared by less is the last one."""

VectorFunction = Callable[[Array], Array]
"""From unknowns, shape (..., p), to rows, shape (..., m); analytic in the unknowns."""


@dataclass(frozen=True)
class Pattern:
    """Which rows each unknown touches, and which unknowns may be stepped together.

    Attributes
    ----------
    touches : ndarray of bool, shape (m, p)
    groups : list of list of int
        Unknowns of one group touch no row in common (Curtis, Powell & Reid 1974, On the
        estimation of sparse Jacobian matrices, J. Inst. Math. Appl. 13: 117-119).
    """

    touches: BoolArray
    groups: list[list[int]]

    @classmethod
    def of(cls, touches: BoolArray) -> Pattern:
        """Sort unknowns into groups, first come first served."""
        groups: list[list[int]] = []
        taken: list[BoolArray] = []
        for i in range(touches.shape[1]):
            rows = touches[:, i]
            for group, used in zip(groups, taken, strict=True):
                if not np.any(rows & used):
                    group.append(i)
                    np.logical_or(used, rows, out=used)
                    break
            else:
                groups.append([i])
                taken.append(rows.copy())
        return cls(touches, groups)


def derivative(
    function: VectorFunction, x: FloatArray, pattern: Pattern | None = None
) -> FloatArray:
    """Return the exact Jacobian, shape (m, p), by a complex step.

    Squire & Trapp, Using complex variables to estimate derivatives of real functions,
    SIAM Review 40 (1998) 110-112: f'(x) = Im f(x + ih) / h, without cancellation.
    """
    if pattern is None:
        stepped = x[None, :] + 1j * _STEP * np.eye(x.size)
        return np.ascontiguousarray((function(stepped).imag / _STEP).T)
    steps = np.zeros((len(pattern.groups), x.size))
    for k, group in enumerate(pattern.groups):
        steps[k, group] = _STEP
    slopes = function(x[None, :] + 1j * steps).imag / _STEP
    jacobian = np.zeros(pattern.touches.shape)
    for slope, group in zip(slopes, pattern.groups, strict=True):
        jacobian[:, group] = slope[:, None] * pattern.touches[:, group]
    return jacobian


@dataclass(frozen=True)
class Solution:
    """The minimum and what surrounds it.

    Attributes
    ----------
    x : ndarray, shape (p,)
        The unknowns.
    jacobian : ndarray, shape (m, p)
        Of the rows by the unknowns.
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
    jacobian: FloatArray
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
        moved = -(gradient @ self.covariance) @ self.jacobian.T
        names = np.array(self.sources)
        return {name: moved[names == name] for name in dict.fromkeys(self.sources)}

    def variance(self, gradient: FloatArray) -> float:
        """Return the variance of an output with that gradient."""
        return float(gradient @ self.covariance @ gradient)


def _approached(rows: VectorFunction, start: FloatArray, pattern: Pattern | None) -> FloatArray:
    """Return the best of a few undamped Gauss-Newton steps.

    The minimum lies in a curved valley where scale and turn of a poorly known sensor trade
    against each other: full steps overshoot at first and still get there fast, where the
    library's damped search takes many small ones. It has the last word all the same.
    """
    best, least = start, float(np.sum(rows(start) ** 2))
    x, cost = best, least
    for _ in range(MOST_STEPS):
        jacobian = derivative(rows, x, pattern)
        try:
            factor = cho_factor(jacobian.T @ jacobian)
        except (np.linalg.LinAlgError, ValueError):
            break
        x = x - cho_solve(factor, jacobian.T @ rows(x))
        before, cost = cost, float(np.sum(rows(x) ** 2))
        if cost < least:
            best, least = x, cost
        if not abs(before - cost) > SMALL_CHANGE:
            break
    return np.asarray(best)


def solve(
    rows: VectorFunction,
    start: FloatArray,
    sources: Sequence[str],
    pattern: Pattern | None = None,
) -> Solution:
    """Minimise the sum of squared rows.

    Parameters
    ----------
    rows : callable
        Whitened residuals, priors included.
    start : ndarray, shape (p,)
        Where to begin.
    sources : sequence of str, length m
        What each row comes from.
    pattern : Pattern, optional
        Saves time where most unknowns touch few rows.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the rows do not determine the unknowns.
    """
    from scipy.optimize import least_squares  # slow to import, and lists of results do not need it

    found = least_squares(
        rows,
        _approached(rows, start, pattern),
        jac=lambda x: derivative(rows, x, pattern),
        method="lm",
        xtol=1e-9,
        ftol=1e-9,
        gtol=1e-9,
        max_nfev=200,
    )
    jacobian = derivative(rows, found.x, pattern)
    r = np.linalg.qr(jacobian, mode="r")
    column_size = np.linalg.norm(jacobian, axis=0)
    if np.any(np.abs(np.diag(r)) <= 1e-11 * column_size):
        raise np.linalg.LinAlgError("the readings do not determine all unknowns")
    inverse = np.linalg.inv(r)
    return Solution(
        x=found.x,
        jacobian=jacobian,
        covariance=inverse @ inverse.T,
        chi_squared=2.0 * float(found.cost),
        degrees_of_freedom=jacobian.shape[0] - jacobian.shape[1],
        sources=tuple(sources),
    )
