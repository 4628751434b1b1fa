"""The straight line through points that are uncertain in both directions."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from knuckle.model.block import FloatArray


@dataclass(frozen=True)
class Line:
    """y = intercept + slope x.

    Attributes
    ----------
    intercept, slope : float
    covariance : ndarray, shape (2, 2)
        Of (intercept, slope), from the stated uncertainties alone.
    chi_squared : float
    freedom : int
        n - 2.
    """

    intercept: float
    slope: float
    covariance: FloatArray
    chi_squared: float
    freedom: int

    @property
    def scatter_ratio(self) -> float:
        """Root of chi-squared over its degrees of freedom (Birge ratio)."""
        return math.sqrt(self.chi_squared / self.freedom) if self.freedom else 1.0


def line_through(
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    u_x: npt.ArrayLike,
    u_y: npt.ArrayLike,
    correlation: npt.ArrayLike = 0.0,
) -> Line:
    """Fit a line to points with known errors in both variables.

    Parameters
    ----------
    x, y : array_like, shape (n,)
    u_x, u_y : array_like, shape (n,) or float
        Standard uncertainties; not both zero at any point.
    correlation : array_like, shape (n,) or float
        Of the two errors of each point.

    Raises
    ------
    ValueError
        With fewer than two points, all x the same, or a point without uncertainty.

    Notes
    -----
    D. York, N. M. Evensen, M. L. Martinez, J. De Basabe Delgado, Unified equations for the
    slope, intercept, and standard errors of the best straight line, American Journal of
    Physics 72 (2004) 367-375, from memory: iterated slope, equations (13a) to (13d). With equal
    uncertainties this is Deming regression; with u_x = 0 weighted least squares.
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    ux = np.broadcast_to(np.asarray(u_x, dtype=np.float64), xs.shape)
    uy = np.broadcast_to(np.asarray(u_y, dtype=np.float64), xs.shape)
    joint = np.broadcast_to(np.asarray(correlation, dtype=np.float64), xs.shape) * ux * uy
    if xs.shape[0] < 2 or float(np.ptp(xs)) <= 0.0:
        raise ValueError("a line takes two points that differ in x, or more")
    if np.any((ux <= 0.0) & (uy <= 0.0)):
        raise ValueError("a point without any uncertainty has no finite weight")
    slope = float(np.polyfit(xs, ys, 1)[0])
    for _ in range(200):
        weight = 1.0 / (uy**2 + slope**2 * ux**2 - 2.0 * slope * joint)
        middle_x, middle_y = np.average(xs, weights=weight), np.average(ys, weights=weight)
        u, v = xs - middle_x, ys - middle_y
        beta = weight * (u * uy**2 + slope * v * ux**2 - (slope * u + v) * joint)
        previous, slope = slope, float(np.sum(weight * beta * v) / np.sum(weight * beta * u))
        if abs(slope - previous) <= 1e-15 * abs(slope):
            break
    weight = 1.0 / (uy**2 + slope**2 * ux**2 - 2.0 * slope * joint)
    intercept = float(middle_y - slope * middle_x)
    adjusted = middle_x + beta
    centre = float(np.average(adjusted, weights=weight))
    slope_variance = 1.0 / float(np.sum(weight * (adjusted - centre) ** 2))
    intercept_variance = 1.0 / float(np.sum(weight)) + centre**2 * slope_variance
    both = -centre * slope_variance
    residuals = ys - intercept - slope * xs
    return Line(
        intercept,
        slope,
        np.array([[intercept_variance, both], [both, slope_variance]]),
        float(np.sum(weight * residuals**2)),
        xs.shape[0] - 2,
    )
