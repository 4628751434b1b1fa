"""Bias and limits of agreement of two instruments, with intervals."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.stats import nct, t

from knuckle.agreement.components import between_groups, within_groups

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


def agreement_of_groups(
    groups: Sequence[npt.ArrayLike], *, width: float = WIDTH, confidence: float = CONFIDENCE
) -> tuple[Bias, Limits]:
    """Return bias and limits of agreement where some things were measured several times.

    Ten readings at one angle tell less of the spread over angles than ten angles do: taken as
    they stand they would pull the limits together.

    Parameters
    ----------
    groups : sequence of array_like
        Differences, a group for each thing measured (each setting).
    width, confidence : float
        As `limits_of_agreement`.

    Returns
    -------
    Bias
        With the effective degrees of freedom, cut to a whole number.
    Limits
        Exact if each group has one member or there is one group, else approximated.

    Raises
    ------
    ValueError
        With fewer than two differences.

    Notes
    -----
    J. M. Bland, D. G. Altman, Agreement between methods of measurement with multiple
    observations per individual, Journal of Biopharmaceutical Statistics 17 (2007) 571-582, from
    memory: total variance = between + within by one-way analysis of variance. Degrees of freedom
    by Satterthwaite, interval of a limit from those of mean and standard deviation.
    """
    arrays = [np.asarray(group, dtype=np.float64) for group in groups]
    every = np.concatenate(arrays) if arrays else np.zeros(0)
    sizes = np.array([group.shape[0] for group in arrays])
    if len(arrays) < 2 or np.all(sizes == 1):
        return bias(every, confidence), limits_of_agreement(
            every, width=width, confidence=confidence
        )
    inner, outer, typical = within_groups(arrays), *between_groups(arrays)
    parts = (outer.sd**2 / typical, (1.0 - 1.0 / typical) * inner.sd**2)
    variance = max(sum(parts), inner.sd**2)
    spread = sum(
        part**2 / nu for part, nu in zip(parts, (outer.freedom, inner.freedom), strict=True)
    )
    freedom = variance**2 / spread if spread > 0.0 else float(every.shape[0] - 1)
    between = variance - inner.sd**2
    total = float(sizes.sum())
    se = math.sqrt(between * float(np.sum(sizes**2)) / total**2 + inner.sd**2 / total)
    mean, sd = float(every.mean()), math.sqrt(variance)
    factor = float(t.ppf(0.5 + confidence / 2.0, freedom))
    ratio = mean / se if se > 0.0 else math.copysign(math.inf, mean)
    found = Bias(mean, sd, se, mean - factor * se, mean + factor * se, int(freedom), ratio)
    limit_se = math.sqrt(se**2 + width**2 * variance / (2.0 * freedom))
    lower, upper, reach = mean - width * sd, mean + width * sd, factor * limit_se
    return found, Limits(
        lower,
        upper,
        limit_se,
        (lower - reach, lower + reach),
        (upper - reach, upper + reach),
        False,
    )
