"""Quantiles and tails of the distributions that uncertainties need.

By scipy.special: the same figures as scipy.stats gives, whose import takes longer than most
commands do.
"""

from __future__ import annotations

import math

from scipy.special import chdtrc, fdtrc, ndtr, ndtri, stdtr, stdtrit


def normal_quantile(probability: float) -> float:
    """Return below what a standard normal value lies with this probability."""
    return float(ndtri(probability))


def normal_tail(value: float) -> float:
    """Return with what probability a standard normal value lies above."""
    return float(ndtr(-value))


def student_quantile(probability: float, freedom: float) -> float:
    """Return below what Student's t lies with this probability; freedom may be infinite."""
    if math.isinf(freedom):
        return normal_quantile(probability)
    return float(stdtrit(freedom, probability))


def student_tail(value: float, freedom: float) -> float:
    """Return with what probability Student's t lies above; freedom may be infinite."""
    return normal_tail(value) if math.isinf(freedom) else float(stdtr(freedom, -value))


def chi_squared_tail(value: float, freedom: float) -> float:
    """Return with what probability chi-squared lies above."""
    return float(chdtrc(freedom, max(value, 0.0)))


def fisher_tail(value: float, above: float, below: float) -> float:
    """Return with what probability F lies above.

    Parameters
    ----------
    value : float
    above, below : float
        Degrees of freedom of numerator and denominator.
    """
    return float(fdtrc(above, below, max(value, 0.0)))
