"""Camber and toe through suspension travel: curves, camber gain and bump steer."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.polynomial import polynomial

from knuckle.alignment.shared import term_of, with_budget
from knuckle.errors import MeasurementRefused
from knuckle.estimate.distributions import (
    chi_squared_tail,
    fisher_tail,
    normal_quantile,
    student_quantile,
)
from knuckle.estimate.priors import Given
from knuckle.model.block import FloatArray
from knuckle.model.result import Quantity, Result

HIGHEST_ORDER: Final = 3
EVIDENCE: Final = 0.01
"""A term is taken into the curve where chance alone would better the fit so much in fewer cases."""
LEAST_SPAN_MM: Final = 10.0
SLOPE: Final = {Quantity.CAMBER: Quantity.CAMBER_GAIN, Quantity.TOE: Quantity.BUMP_STEER}


class Station(NamedTuple):
    """One reading at one height.

    Attributes
    ----------
    height_mm : float
        Of the wheel against the body, up (bump) positive, from ride height.
    value_deg : float
        Camber or toe.
    height_u_mm, value_u_deg : float
        Standard uncertainties that are this reading's own; what all readings share (the mount,
        the string) moves the whole curve, not its slope, and is left out.
    """

    height_mm: float
    value_deg: float
    height_u_mm: float
    value_u_deg: float


_OWN: Final = frozenset({"noise", "touch", "scatter"})
"""What is a reading's own; the rest all readings of one set-up share."""


def station_of(height_mm: Given, reading: Result) -> tuple[Station, float]:
    """Return a reading at a height, and the standard uncertainty that it shares with the others.

    Parameters
    ----------
    height_mm : Given
        Of the wheel against the body, up positive, from ride height.
    reading : Result
        Camber or toe, deg.
    """
    own = sum(t.standard_uncertainty**2 for t in reading.budget if t.source in _OWN)
    shared = sum(t.standard_uncertainty**2 for t in reading.budget if t.source not in _OWN)
    station = Station(
        height_mm.value, reading.value, height_mm.standard_uncertainty, math.sqrt(own)
    )
    return station, math.sqrt(shared)


@dataclass(frozen=True)
class Curve:
    """A polynomial through the readings.

    Attributes
    ----------
    quantity : Quantity
        CAMBER or TOE.
    coefficients : ndarray, shape (order + 1,)
        deg by powers of mm, from the constant on.
    covariance : ndarray, shape (order + 1, order + 1)
    low_mm, high_mm : float
        Between which heights there were readings.
    residuals_deg : ndarray, shape (n,)
        Reading less curve.
    chi_squared : float
    degrees_of_freedom : int
    widened : float
        By what factor the uncertainties were widened, since the readings scatter more than
        their own (1: not at all).
    shared_u_deg : float
        Of all readings together: of the curve's height, not of its shape.
    """

    quantity: Quantity
    coefficients: FloatArray
    covariance: FloatArray
    low_mm: float
    high_mm: float
    residuals_deg: FloatArray
    chi_squared: float
    degrees_of_freedom: int
    widened: float
    shared_u_deg: float

    @property
    def order(self) -> int:
        """Of the polynomial."""
        return self.coefficients.size - 1

    @property
    def factor(self) -> float:
        """Coverage factor for 95 %: Student's where the readings' own scatter is what counts."""
        if self.widened > 1.0:
            return student_quantile(0.975, self.degrees_of_freedom)
        return normal_quantile(0.975)

    def at(self, height_mm: FloatArray | float) -> tuple[FloatArray, FloatArray]:
        """Return the curve and its expanded uncertainty (shape only) at heights, shape (n,)."""
        powers = polynomial.polyvander(np.atleast_1d(height_mm), self.order)
        u = np.sqrt(np.einsum("ij,jk,ik->i", powers, self.covariance, powers))
        return powers @ self.coefficients, self.factor * u

    def slope_at(self, height_mm: float = 0.0) -> Result:
        """Return camber gain or bump steer at a height, deg/mm, up positive."""
        order = self.order
        row = np.array([k * height_mm ** (k - 1) if k else 0.0 for k in range(order + 1)])
        u = math.sqrt(float(row @ self.covariance @ row))
        freedom = float(self.degrees_of_freedom) if self.widened > 1.0 else math.inf
        where = "at ride height" if height_mm == 0.0 else f"at {height_mm:g} mm"
        return with_budget(
            SLOPE[self.quantity],
            float(row @ self.coefficients),
            [term_of("fit", u, freedom)],
            where,
            "deg/mm",
        )


def curve_of(
    quantity: Quantity,
    stations: Sequence[Station],
    *,
    shared_u_deg: float = 0.0,
    order: int | None = None,
) -> Curve:
    """Fit a curve through readings at several heights.

    Parameters
    ----------
    quantity : Quantity
        CAMBER or TOE.
    stations : sequence of Station
        At three heights or more, over 10 mm or more.
    shared_u_deg : float
        Standard uncertainty that all readings share.
    order : int or None
        Of the polynomial, 1 to 3; None to let the readings tell.

    Raises
    ------
    MeasurementRefused
        TRAVEL_TOO_FEW, TRAVEL_TOO_SHORT.
    ValueError
        If the quantity is neither, or the order cannot be.

    Notes
    -----
    Weighted least squares; a height's uncertainty counts through the curve's slope, u^2 =
    u(value)^2 + (slope u(height))^2 (J. Orear, American Journal of Physics 50, 1982). A higher
    order is taken where it lowers chi-squared by more than chance does in 1 of 100 cases: by
    chi-squared where the readings scatter as stated, by an F test where they scatter more. What
    misfit remains (5 %) widens the covariance by the Birge ratio.
    """
    if quantity not in SLOPE:
        raise ValueError(f"{quantity} has no curve through travel")
    height = np.array([s.height_mm for s in stations])
    distinct = np.unique(np.round(height, 2)).size
    if distinct < 3:
        raise MeasurementRefused(
            "TRAVEL_TOO_FEW",
            f"There are readings at {distinct} heights; a curve needs three.",
            "",
            "Read at ride height, and at least once above and once below it.",
        )
    if np.ptp(height) < LEAST_SPAN_MM:
        raise MeasurementRefused(
            "TRAVEL_TOO_SHORT",
            f"The heights span {np.ptp(height):.1f} mm.",
            "Over so little travel the readings' noise hides the slope.",
            f"Jack through {LEAST_SPAN_MM:g} mm at least.",
        )
    highest = min(HIGHEST_ORDER, distinct - 1) if order is None else order
    if not 1 <= highest <= min(HIGHEST_ORDER, distinct - 1):
        raise ValueError(f"no curve of order {order} through {distinct} heights")
    fits = {k: _fit(stations, k) for k in ([order] if order is not None else range(1, highest + 1))}
    chosen = _chosen(fits, len(stations))
    coefficients, covariance, chi_squared, residuals = fits[chosen]
    spare = len(stations) - chosen - 1
    misfit = spare > 0 and chi_squared_tail(chi_squared, spare) < 0.05
    widened = math.sqrt(chi_squared / spare) if misfit else 1.0
    return Curve(
        quantity,
        coefficients,
        covariance * widened**2,
        float(height.min()),
        float(height.max()),
        residuals,
        chi_squared,
        spare,
        widened,
        shared_u_deg,
    )


_Fit = tuple[FloatArray, FloatArray, float, FloatArray]


def _fit(stations: Sequence[Station], order: int) -> _Fit:
    """Return coefficients, covariance, chi-squared and residuals of one order."""
    height, value, u_height, u_value = (np.array(column) for column in zip(*stations, strict=True))
    # Scaled heights keep the powers alike.
    scale = float(np.max(np.abs(height)))
    powers = polynomial.polyvander(height / scale, order)
    found = np.zeros(order + 1)
    for _ in range(20):
        slope = polynomial.polyval(height / scale, polynomial.polyder(found)) / scale
        u = np.maximum(np.hypot(u_value, slope * u_height), 1e-12)
        before = found
        found = np.linalg.lstsq(powers / u[:, None], value / u, rcond=None)[0]
        if np.allclose(found, before, rtol=1e-10, atol=1e-14):
            break
    weighted = powers / u[:, None]
    covariance = np.linalg.inv(weighted.T @ weighted)
    residuals = value - powers @ found
    back = scale ** -np.arange(order + 1, dtype=float)
    return (
        found * back,
        covariance * np.outer(back, back),
        float(np.sum((residuals / u) ** 2)),
        residuals,
    )


def _chosen(fits: dict[int, _Fit], count: int) -> int:
    """Return the order that the readings support."""
    orders = sorted(fits)
    chosen = orders[0]
    for higher in orders[1:]:
        drop = fits[chosen][2] - fits[higher][2]
        added, spare = higher - chosen, count - higher - 1
        chance = chi_squared_tail(drop, added)
        if spare > 0 and fits[higher][2] > spare:
            scatter = fits[higher][2] / spare
            chance = fisher_tail(drop / added / scatter, added, spare)
        if chance < EVIDENCE:
            chosen = higher
    return chosen


def mm_per_mm(slope: Result, rim_mm: float) -> float:
    """Return bump steer as mm of toe over the rim for one mm of travel."""
    return rim_mm * math.radians(slope.value)
