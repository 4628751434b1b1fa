"""The straight line through known lengths: calibration of a linear channel."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from knuckle.estimate.distributions import student_tail
from knuckle.estimate.linear import LinearCalibration
from knuckle.model.block import FloatArray

CURVED_CHANCE: Final = 0.01
"""A curvature that noise alone would exceed in fewer cases than this is one of the sensor."""

CALIPER_LIMIT_MM: Final = 0.02
"""Error of a hobby caliper up to 100 mm: common practice, no source."""


@dataclass(frozen=True, slots=True)
class KnownLength:
    """A length that was set, and what the channel read there.

    Attributes
    ----------
    length_mm, u_mm : float
        The known length and its standard uncertainty.
    reading_mm, reading_u_mm : float
        The mean reading as the pod sends it; standard uncertainty with noise and resolution.
    """

    length_mm: float
    u_mm: float
    reading_mm: float
    reading_u_mm: float


@dataclass(frozen=True)
class LineFit:
    """What a fit through known lengths yields.

    Attributes
    ----------
    calibration : LinearCalibration
    residuals_mm : ndarray, shape (n,)
        Known length minus the line's.
    bow_mm : float or None
        Largest departure of the best parabola from its chord over the range; None with two
        lengths.
    bow_chance : float or None
        How often a straight sensor would show as much by chance.
    """

    calibration: LinearCalibration
    residuals_mm: FloatArray
    bow_mm: float | None
    bow_chance: float | None

    @property
    def curved(self) -> bool:
        """Whether the sensor is not straight, beyond chance."""
        return self.bow_chance is not None and self.bow_chance < CURVED_CHANCE


def fit_line(
    points: Sequence[KnownLength],
    *,
    channel: int = 1,
    linearity_mm: float = 0.0,
    identity: str = "",
    date: str = "",
) -> LineFit:
    """Fit length = gain x reading + offset by weighted least squares.

    Each length weighs by its own uncertainty and its reading's (effective variance). From
    three lengths on the covariance is widened by what is left over, and the scatter about the
    line is that of the residuals, with n - 2 degrees of freedom. Two lengths leave nothing
    over: the stated linearity stands in for it at each of them.

    Parameters
    ----------
    points : sequence of KnownLength
    channel : int
    linearity_mm : float
        Standard uncertainty: departure from the line at any one place, as stated. It counts
        with exactly two lengths.
    identity, date : str
        Kept with the calibration.

    Raises
    ------
    ValueError
        With fewer than two lengths, or where lengths or readings do not differ.

    Notes
    -----
    Least squares with known variances: GUM (JCGM 100:2008) H.3; the effective variance
    u_y^2 + gain^2 u_x^2 is that of J. Orear, Least squares when both variables have
    uncertainties, American Journal of Physics 50 (1982).
    """
    if len(points) < 2:
        raise ValueError("a straight line needs two known lengths or more")
    length = np.array([p.length_mm for p in points])
    reading = np.array([p.reading_mm for p in points])
    if np.ptp(length) <= 0.0 or np.ptp(reading) <= 0.0:
        raise ValueError("all known lengths, or all readings, are the same")
    known = np.array([p.u_mm for p in points])
    noise = np.array([p.reading_u_mm for p in points])
    stated = linearity_mm if len(points) == 2 else 0.0
    gain = float(np.polyfit(reading, length, 1)[0])
    for _ in range(3):
        sigma = np.sqrt(known**2 + (gain * noise) ** 2 + stated**2)
        sigma = np.maximum(sigma, 1e-6)
        middle, (gain, centre), covariance = _polynomial(reading, length, sigma, 1)
    residuals = length - gain * (reading - middle) - centre
    freedom = len(points) - 2
    chi_squared = float(np.sum((residuals / sigma) ** 2))
    widened = max(1.0, chi_squared / freedom) if freedom else 1.0
    # From the line about the middle of the readings to the line from reading zero.
    shift = np.array([[1.0, 0.0], [-middle, 1.0]])
    calibration = LinearCalibration(
        channel=channel,
        gain=float(gain),
        offset_mm=float(centre - gain * middle),
        covariance=shift @ covariance @ shift.T * widened,
        scatter_mm=_scatter(residuals, sigma, freedom) if freedom else stated,
        count=len(points),
        valid_mm=(float(reading.min()), float(reading.max())),
        identity=identity,
        date=date,
    )
    bow_mm, chance = _bow(reading, length, sigma) if freedom else (None, None)
    return LineFit(calibration, residuals, bow_mm, chance)


def _polynomial(
    x: FloatArray, y: FloatArray, sigma: FloatArray, order: int
) -> tuple[float, FloatArray, FloatArray]:
    """Return the middle of x, the coefficients about it (highest first), their covariance."""
    middle = float(np.average(x, weights=1.0 / sigma**2))
    # Scaled to the range, so that the normal matrix is well conditioned.
    reach = float(np.max(np.abs(x - middle)))
    design = np.vander((x - middle) / reach, order + 1) / sigma[:, None]
    covariance = np.linalg.inv(design.T @ design)
    fitted = covariance @ (design.T @ (y / sigma))
    scale = np.diag(1.0 / reach ** np.arange(order, -1, -1))
    return middle, scale @ fitted, scale @ covariance @ scale


def _scatter(residuals: FloatArray, sigma: FloatArray, freedom: int) -> float:
    weight = 1.0 / sigma**2
    return math.sqrt(float(np.sum(weight * residuals**2)) / freedom / float(np.mean(weight)))


def _bow(x: FloatArray, y: FloatArray, sigma: FloatArray) -> tuple[float, float]:
    """Return the bow of the best parabola, and how often chance alone makes as much."""
    middle, fitted, covariance = _polynomial(x, y, sigma, 2)
    left = y - np.polyval(fitted, x - middle)
    freedom = len(x) - 3
    spread = float(np.sum((left / sigma) ** 2)) / freedom if freedom else 1.0
    # Less scatter than the known uncertainties is luck, not knowledge.
    ratio = abs(float(fitted[0])) / math.sqrt(float(covariance[0, 0]) * max(spread, 1.0))
    tail = student_tail(ratio, freedom if freedom and spread > 1.0 else math.inf)
    return abs(float(fitted[0])) * float(np.ptp(x)) ** 2 / 4.0, 2.0 * tail


def caliper_as_sold(channel: int, identity: str = "") -> LinearCalibration:
    """Return what stands for a caliper that nobody calibrated: its scale, and its tolerance."""
    return LinearCalibration(
        channel=channel,
        gain=1.0,
        offset_mm=0.0,
        covariance=np.zeros((2, 2)),
        scatter_mm=CALIPER_LIMIT_MM / math.sqrt(3.0),
        count=0,
        valid_mm=(-math.inf, math.inf),
        identity=identity,
    )
