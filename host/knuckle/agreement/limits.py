"""Bias and limits of agreement of two instruments, with intervals."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.stats import nct, t

CONFIDENCE: Final = 0.95
WIDTH: Final = 1.959963984540054
"""Standard deviations either way that hold 95 % of differences."""


@dataclass(frozen=True, slots=True)
class Bias:
    """Mean of differences.

    Attributes
    ----------
    mean, sd, se : float
        Mean, standard deviation of one difference, standard error of the mean.
    low, high : float
        Interval of the mean, Student.
    freedom : int
    t : float
        Mean over its standard error; infinite where all differences are the same.
    """

    mean: float
    sd: float
    se: float
    low: float
    high: float
    freedom: int
    t: float


@dataclass(frozen=True, slots=True)
class Limits:
    """Between which limits 95 % of single differences lie, each with its interval.

    Attributes
    ----------
    lower, upper : float
    se : float
        Standard error of a limit, approximated.
    lower_interval, upper_interval : tuple of float
    exact : bool
        Whether the intervals are exact (noncentral t) or approximated.
    """

    lower: float
    upper: float
    se: float
    lower_interval: tuple[float, float]
    upper_interval: tuple[float, float]
    exact: bool


def bias(differences: npt.ArrayLike, confidence: float = CONFIDENCE) -> Bias:
    """Return mean, scatter and interval of differences.

    Raises
    ------
    ValueError
        With fewer than two differences.

    Notes
    -----
    NIST/SEMATECH e-Handbook 2.5.3 (bias and its t test).
    """
    d = np.asarray(differences, dtype=np.float64)
    n = d.shape[0]
    if n < 2:
        raise ValueError("a bias with its interval takes two differences or more")
    mean, sd = float(d.mean()), float(d.std(ddof=1))
    se = sd / math.sqrt(n)
    reach = float(t.ppf(0.5 + confidence / 2.0, n - 1)) * se
    ratio = mean / se if se > 0.0 else math.copysign(math.inf, mean)
    return Bias(mean, sd, se, mean - reach, mean + reach, n - 1, ratio)


def limits_of_agreement(
    differences: npt.ArrayLike,
    *,
    width: float = WIDTH,
    confidence: float = CONFIDENCE,
    exact: bool = True,
) -> Limits:
    """Return mean plus and minus `width` standard deviations, with intervals.

    Parameters
    ----------
    differences : array_like, shape (n,)
    width : float
        Standard deviations either way; 2 is the rounded figure of the first papers.
    confidence : float
        Of each limit's interval.
    exact : bool
        Intervals from the noncentral t distribution, exact for normal differences. Otherwise
        limit +- t se, with the approximated standard error below.

    Raises
    ------
    ValueError
        With fewer than two differences.

    Notes
    -----
    J. M. Bland, D. G. Altman, Lancet 327 (1986) 307-310: limits and se = sqrt(3 sd^2 / n), which
    is what `se` gives. Exact intervals: A. Carkeet, Optometry and Vision Science 92 (2015), from
    memory; the distribution of mean + width sd follows from the noncentral t.
    """
    found = bias(differences, confidence)
    n = found.freedom + 1
    se = math.sqrt(3.0 * found.sd**2 / n)
    lower, upper = found.mean - width * found.sd, found.mean + width * found.sd
    if not exact:
        reach = float(t.ppf(0.5 + confidence / 2.0, found.freedom)) * se
        return Limits(
            lower, upper, se, (lower - reach, lower + reach), (upper - reach, upper + reach), False
        )
    tail = 0.5 - confidence / 2.0
    factors = nct.ppf([tail, 1.0 - tail], found.freedom, width * math.sqrt(n)) / math.sqrt(n)
    near, far = (float(factor) * found.sd for factor in factors)
    return Limits(
        lower,
        upper,
        se,
        (found.mean - far, found.mean - near),
        (found.mean + near, found.mean + far),
        True,
    )
