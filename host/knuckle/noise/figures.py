"""What an Allan curve tells: white noise, bias instability, random walk, best averaging time.

The square of the curve is taken as a sum of three laws (IEEE Std 952-1997, annex C, from memory;
NIST SP 1065, table 5): D^2/(2 tau) of white noise of one-sided density D, (2 ln 2/pi) B^2 of bias
instability B, and K^2 tau/3 of a random walk K. Their sizes maximise the likelihood of the curve's
points, each chi-square over its degrees of freedom; a law counts as supported when the curve is
clearly less likely without it, else only a bound is stated.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.optimize import nnls

from knuckle.model.block import BoolArray, FloatArray
from knuckle.noise.curve import Curve

DENSITY: Final = math.sqrt(2.0)
"""One-sided density of white noise over the deviation of means over 1 s: a density D up to half the
rate makes readings scatter by D sqrt(rate/2)."""
FLICKER: Final = math.sqrt(2.0 * math.log(2.0) / math.pi)
"""Height of the flat part of the deviation over the bias instability: 0.664."""
CLEARLY: Final = 9.0
"""Fall of twice the log-likelihood without a law from which the law is supported. Neighbouring
points of a curve are not independent, so it is more than the 3.8 of one sigma-tested parameter."""
TOGETHER: Final = 3.0
"""So many points of a curve carry the knowledge of one: neighbouring octaves of means that overlap
share their scatter (measured: tests/noise, synthetic noise)."""
LEAST_FREEDOM: Final = 2.0
"""Points known worse are drawn, but decide nothing."""
_WHITE_SLOPES: Final = (0.1, 0.25)
"""How far from -1 the slope of the variance may be: the first that is met somewhere. Behind a
low-pass the slope comes near -1 by and by, and what lies before is lower than white noise."""
_STEPS: Final = 60


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure with its standard uncertainty, or a bound.

    Attributes
    ----------
    value : float
        Of a bound: what it is not above, at 95 % confidence two-sided.
    u : float
        NaN for a bound.
    bound : bool
    """

    value: float
    u: float
    bound: bool = False


@dataclass(frozen=True, slots=True)
class Figures:
    """What a channel's curve tells, in the channel's unit U.

    Attributes
    ----------
    white : Estimate or None
        One-sided noise density, U/sqrt(Hz), as data sheets state it: sqrt(2) times the deviation
        of means over 1 s. None where no part of the curve falls like white noise.
    white_from_s : float
        Averaging time from which the noise is white; below it readings hang together.
    instability : Estimate
        Bias instability B, U.
    walk : Estimate
        Random walk K, U/sqrt(s).
    either : bool
        Whether the one law of instability and walk that is supported could as well be the other.
    best_s : float
        Averaging time of the lowest point of the curve.
    best_is_bound : bool
        Whether nothing shows yet that the curve stops falling: it is that long at least.
    lowest, lowest_low, lowest_high : float
        The deviation there, with its 95 % interval.
    """

    white: Estimate | None
    white_from_s: float
    instability: Estimate
    walk: Estimate
    either: bool
    best_s: float
    best_is_bound: bool
    lowest: float
    lowest_low: float
    lowest_high: float


def figures_of(curve: Curve) -> Figures | None:
    """Return what a curve tells; None if it has fewer than three points or no noise at all."""
    known = curve.freedom >= LEAST_FREEDOM
    if int(known.sum()) < 3 or not np.all(curve.deviation > 0.0):
        return None
    last = int(np.flatnonzero(known)[-1])
    tau_s, freedom = curve.tau_s[: last + 1], curve.freedom[: last + 1]
    variance = curve.deviation[: last + 1] ** 2
    first, white = _white(tau_s, variance, freedom)
    fit = _fitted(tau_s[first:], variance[first:], freedom[first:])
    best = first + int(np.argmin(variance[first:]))
    instability, walk = fit.terms[1], fit.terms[2]
    if white is not None and (instability or walk):
        # What the other laws add at short times is not white noise.
        white = _root(fit.terms[0], DENSITY) or white
    return Figures(
        white,
        float(tau_s[first]),
        _root(instability, 1.0 / FLICKER)
        or Estimate(float(curve.high[best]) / FLICKER, math.nan, True),
        _root(walk, math.sqrt(3.0))
        or Estimate(float(curve.high[last]) * math.sqrt(3.0 / tau_s[last]), math.nan, True),
        fit.either,
        float(tau_s[best]),
        walk is None and instability is None,
        float(curve.deviation[best]),
        float(curve.low[best]),
        float(curve.high[best]),
    )


def record_for_white_s(tau_s: float, relative_u: float) -> float:
    """Return how long a record settles white noise to a relative standard uncertainty.

    Parameters
    ----------
    tau_s : float
        Averaging time from which the noise is white.
    relative_u : float
    """
    # White noise has 2/3 n degrees of freedom at m = 1, more of n/m beyond (SP 1065, table 5).
    return 1.5 * tau_s / (2.0 * relative_u**2)


def record_for_floor_s(best_s: float, relative_u: float) -> float:
    """Return how long a record settles the curve's lowest point.

    Degrees of freedom of flicker noise, SP 1065 table 5: 5 n^2 / (4 m (n + 3 m)).
    """
    wanted = 1.0 / (2.0 * relative_u**2)
    return best_s * 0.4 * (wanted + math.sqrt(wanted * (wanted + 15.0)))


def _white(
    tau_s: FloatArray, variance: FloatArray, freedom: FloatArray
) -> tuple[int, Estimate | None]:
    """Return where the first part of slope -1 begins (of the variance), and its density."""
    slope = np.diff(np.log2(variance))
    # Neighbouring octaves of white noise share about half of their scatter.
    u = np.sqrt(1.0 / freedom[1:]) / math.log(2.0)
    for tolerance in _WHITE_SLOPES:
        falls = (np.abs(slope + 1.0) <= tolerance + 2.0 * u) & (u < 0.5)
        for first in range(len(falls) - 1):
            if falls[first] and falls[first + 1]:
                return first, _density(tau_s, variance, freedom, falls, first)
    return 0, None


def _density(
    tau_s: FloatArray, variance: FloatArray, freedom: FloatArray, falls: BoolArray, first: int
) -> Estimate:
    """Return the density by all points of the part that begins at `first`."""
    count = 2
    while first + count < len(falls) and falls[first + count]:
        count += 1
    part = slice(first, first + count + 1)
    weight = freedom[part]
    square = float((weight * variance[part] * tau_s[part]).sum() / weight.sum())
    density = DENSITY * math.sqrt(square)
    return Estimate(density, density / math.sqrt(2.0 * float(freedom[first])))


@dataclass(frozen=True, slots=True)
class _Fit:
    """Supported terms of the variance as (size, standard uncertainty); None where not."""

    terms: tuple[tuple[float, float] | None, ...]
    either: bool


def _fitted(tau_s: FloatArray, variance: FloatArray, freedom: FloatArray) -> _Fit:
    laws = np.stack([1.0 / tau_s, np.ones_like(tau_s), tau_s], axis=1)
    used = [0, 1, 2]
    # Laws are given up one by one, the least needed first, so that a bend is not shared out.
    while len(used) > 1:
        size = _sizes(laws[:, used], variance, freedom)
        whole = _misfit(laws[:, used] @ size, variance, freedom)
        needed = {}
        for law in used:
            if law == 0:
                continue
            others = [other for other in used if other != law]
            without = laws[:, others] @ _sizes(laws[:, others], variance, freedom)
            needed[law] = _misfit(without, variance, freedom) - whole
        least = min(needed, key=lambda law: needed[law])
        if needed[least] >= CLEARLY:
            break
        used.remove(least)
    size = _sizes(laws[:, used], variance, freedom)
    model = laws[:, used] @ size
    either = False
    if len(used) == 2:
        swapped = laws[:, [0, 3 - used[1]]]
        other = swapped @ _sizes(swapped, variance, freedom)
        worse = _misfit(other, variance, freedom) - _misfit(model, variance, freedom)
        either = worse < CLEARLY
    weighted = laws[:, used] / model[:, None]
    information = (weighted * (freedom / (2.0 * TOGETHER))[:, None]).T @ weighted
    u = np.sqrt(np.diag(np.linalg.pinv(information)))
    found = {law: (float(size[at]), float(u[at])) for at, law in enumerate(used) if size[at] > 0.0}
    return _Fit(tuple(found.get(law) for law in range(3)), either)


def _sizes(laws: FloatArray, variance: FloatArray, freedom: FloatArray) -> FloatArray:
    """Return the sizes, none negative, that make the curve most likely (Fisher scoring)."""
    scale = np.abs(laws).max(axis=0)
    laws = laws / scale
    model = variance
    size = np.zeros(laws.shape[1])
    for _ in range(_STEPS):
        weight = np.sqrt(freedom / 2.0) / model
        found, _ = nnls(laws * weight[:, None], variance * weight)
        model = np.maximum(laws @ found, 1e-6 * variance)
        if np.allclose(found, size, rtol=1e-9, atol=0.0):
            break
        size = found
    return np.asarray(size / scale)


def _misfit(model: FloatArray, variance: FloatArray, freedom: FloatArray) -> float:
    """Return twice the log-likelihood lost against a perfect model: chi-square of the points."""
    ratio = variance / np.maximum(model, 1e-12 * variance)
    return float((freedom * (ratio - 1.0 - np.log(ratio))).sum())


def _root(term: tuple[float, float] | None, factor: float) -> Estimate | None:
    """Return the root of a variance's term, times a factor."""
    if term is None:
        return None
    value = math.sqrt(term[0])
    return Estimate(factor * value, factor * term[1] / (2.0 * value))
