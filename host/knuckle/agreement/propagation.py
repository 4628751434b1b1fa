"""Uncertainty propagated and expanded: the formulas of the GUM."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri, stdtrit

from knuckle.model.block import FloatArray


def propagate(jacobian: npt.ArrayLike, covariance: npt.ArrayLike) -> FloatArray:
    """Return the covariance of outputs that depend on inputs by `jacobian`.

    Parameters
    ----------
    jacobian : array_like, shape (outputs, inputs)
        Derivatives, unit of output over unit of input.
    covariance : array_like, shape (inputs, inputs)

    Notes
    -----
    GUM (JCGM 100:2008) 5.2.2, for several outputs GUM supplement 2 (JCGM 102:2011) 6.2.1.
    """
    slopes = np.atleast_2d(np.asarray(jacobian, dtype=np.float64))
    return slopes @ np.asarray(covariance, dtype=np.float64) @ slopes.T


def effective_freedom(contributions: Sequence[float], freedoms: Sequence[float]) -> float:
    """Return the effective degrees of freedom of a sum of independent contributions.

    Parameters
    ----------
    contributions : sequence of float
        Standard uncertainties, each in the unit of the sum.
    freedoms : sequence of float
        Degrees of freedom of each; `math.inf` for a stated tolerance.

    Notes
    -----
    Welch-Satterthwaite: GUM (JCGM 100:2008) equation G.2b.
    """
    total = sum(u**2 for u in contributions)
    spread = sum(
        u**4 / freedom
        for u, freedom in zip(contributions, freedoms, strict=True)
        if math.isfinite(freedom)
    )
    return total**2 / spread if spread > 0.0 else math.inf


def coverage_factor(confidence: float, freedom: float) -> float:
    """Return the two-sided coverage factor of Student's distribution.

    Parameters
    ----------
    confidence : float
        Share of cases that the interval covers, say 0.95.
    freedom : float
        Not cut to a whole number here; GUM G.4.1 allows either.
    """
    upper = 0.5 + confidence / 2.0
    return float(ndtri(upper) if math.isinf(freedom) else stdtrit(freedom, upper))
