"""How well an overlapping Allan variance is known: equivalent degrees of freedom.

NIST SP 1065, section 5.4.1 and table 5: the variance scatters like chi-square over its degrees
of freedom, which depend on the kind of noise.
"""

from __future__ import annotations

import math
from enum import IntEnum
from typing import Final

from scipy.stats import chi2

CONFIDENCE: Final = 0.95


class Kind(IntEnum):
    """Kind of noise: the exponent of its spectrum of readings over frequency."""

    RANDOM_WALK = -2
    FLICKER = -1
    WHITE = 0
    STEPS = 1
    """Slope -1 of the deviation: steps of the digits, or differences of what is smooth."""


def kind_of_slope(slope: float) -> Kind:
    """Return the kind whose Allan variance goes with averaging time to the power `slope`."""
    return Kind(min(max(round(-slope - 1.0), -2), 1))


def degrees_of_freedom(kind: Kind, n: int, m: int) -> float:
    """Return the equivalent degrees of freedom of an overlapping Allan variance.

    Parameters
    ----------
    kind : Kind
    n : int
        Readings.
    m : int
        Readings in a mean; at most n / 2.
    """
    points = n + 1
    match kind:
        case Kind.STEPS:
            found = math.exp(
                math.sqrt(
                    math.log((points - 1) / (2.0 * m))
                    * math.log((2.0 * m + 1.0) * (points - 1) / 4.0)
                )
            )
        case Kind.WHITE:
            found = 3.0 * (points - 1) / (2.0 * m) - 2.0 * (points - 2) / points
            found *= 4.0 * m * m / (4.0 * m * m + 5.0)
        case Kind.FLICKER if m == 1:
            found = 2.0 * (points - 2) ** 2 / (2.3 * points - 4.9)
        case Kind.FLICKER:
            found = 5.0 * points**2 / (4.0 * m * (points + 3.0 * m))
        case Kind.RANDOM_WALK:
            found = (points - 2.0) / m
            found *= ((points - 1.0) ** 2 - 3.0 * m * (points - 1.0) + 4.0 * m * m) / (
                points - 3.0
            ) ** 2
    return max(found, 1.0)


def deviation_interval(
    deviation: float, freedom: float, confidence: float = CONFIDENCE
) -> tuple[float, float]:
    """Return the two-sided confidence interval of a deviation; SP 1065, equation 45."""
    tail = (1.0 - confidence) / 2.0
    low = deviation * math.sqrt(freedom / float(chi2.ppf(1.0 - tail, freedom)))
    high = deviation * math.sqrt(freedom / float(chi2.ppf(tail, freedom)))
    return low, high
