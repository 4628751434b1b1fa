"""What the error consists of: line, departure from it, hysteresis, drift, zeros."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.stats import f as fisher

from knuckle.agreement.comparison import Comparison
from knuckle.agreement.joint import Estimate, JointFit, joint_fit
from knuckle.agreement.rows import LEAST_U_DEG, Source, Terms
from knuckle.model.block import FloatArray

SURE: Final = 0.05
"""What chance alone would show in fewer cases than this is said to be there."""

SEPARATE: Final = 10.0
"""Drift whose variance the other unknowns inflate by more than this cannot be told from them."""


@dataclass(frozen=True, slots=True)
class Linearity:
    """How far the error departs from a straight line over the range.

    Attributes
    ----------
    departure_deg, at_deg : float
        Largest departure of the fitted curve from its best line, with sign, and where.
    u_deg : float
        Standard uncertainty there.
    chance : float
        How often a straight pod would show as much (F test of the curved terms).
    """

    departure_deg: float
    at_deg: float
    u_deg: float
    chance: float

    @property
    def curved(self) -> bool:
        """Whether the pod is not straight, beyond chance."""
        return self.chance < SURE


@dataclass(frozen=True, slots=True)
class Drift:
    """Change of the pod's reading with time.

    Attributes
    ----------
    per_hour : Estimate
        deg per hour.
    over_run_deg : float
        Over the length of this run.
    separable : bool
        False where the order of readings does not tell time from angle: come back to an
        angle that was set before.
    """

    per_hour: Estimate
    over_run_deg: float
    separable: bool


@dataclass(frozen=True, slots=True)
class Regression:
    """Pod against reference, errors in both: pod = offset + gain x angle.

    The gain's and offset's uncertainties contain what is common to all reference readings.
    """

    gain: Estimate
    offset_deg: Estimate


def regression(comparison: Comparison) -> Regression:
    """Return the straight line of the pod over the true angle.

    Raises
    ------
    ValueError
        As `joint_fit`.

    Notes
    -----
    The true angles are unknowns, so errors in both are accounted for: with one pod reading
    for each reading of the reference and no common error this is Deming's line.
    """
    fit = joint_fit(comparison, Terms(1))
    slope = 1.0 / fit.rows.half_deg
    gain = fit.estimate({"error 1": slope})
    offset = fit.estimate({"error 0": 1.0, "error 1": -fit.rows.middle_deg * slope})
    return Regression(replace(gain, value=1.0 + gain.value), offset)


def mean_error(fit: JointFit, angles_deg: FloatArray) -> Estimate:
    """Return the pod's error averaged over angles: its bias."""
    scaled = (angles_deg - fit.rows.middle_deg) / fit.rows.half_deg
    return fit.estimate(
        {f"error {power}": float(np.mean(scaled**power)) for power in range(fit.terms.order + 1)}
    )


def linearity(fit: JointFit) -> Linearity | None:
    """Return the departure from a straight line; None if the fit has no curved term."""
    if fit.terms.order < 2:
        return None
    grid = fit.grid_deg()
    scaled = (grid - fit.rows.middle_deg) / fit.rows.half_deg
    line = np.vander(scaled, 2)
    off_line = np.eye(grid.shape[0]) - line @ np.linalg.pinv(line)
    curved = {p: off_line @ scaled**p for p in range(2, fit.terms.order + 1)}
    names = [f"error {power}" for power in curved]
    departures = [
        fit.estimate({f"error {p}": float(shape[i]) for p, shape in curved.items()})
        for i in range(grid.shape[0])
    ]
    place = int(np.argmax([abs(d.value) for d in departures]))
    columns = [fit.rows.place[name] for name in names]
    block = sum(matrix for matrix in fit.covariance.values())
    part = np.asarray(block)[np.ix_(columns, columns)]
    values = fit.values[columns]
    statistic = float(values @ np.linalg.solve(part, values)) / len(columns)
    behind = fit.freedom if fit.pod_scatter_deg > 0.0 else 10**6
    return Linearity(
        departures[place].value,
        float(grid[place]),
        departures[place].u,
        float(fisher.sf(statistic, len(columns), behind)),
    )


def hysteresis(fit: JointFit) -> Estimate | None:
    """Return the reading going up less that going down, deg; None if it was not tried."""
    return fit.estimate({"hysteresis": 1.0}) if fit.terms.hysteresis else None


def drift(comparison: Comparison, terms: Terms) -> Drift | None:
    """Return the change with time; None where readings are too few or time stands still."""
    times = [reading.time_s for reading in comparison.pod_readings]
    if max(times) - min(times) <= 0.0:
        return None
    try:
        fit = joint_fit(comparison, replace(terms, drift=True))
    except ValueError:
        return None
    found = fit.estimate({"drift": 1.0})
    hours = np.array([r.time_s for r in comparison.pod_readings]) / 3600.0
    scatter = max(fit.pod_scatter_deg, LEAST_U_DEG)
    alone = scatter**2 / float(np.sum((hours - hours.mean()) ** 2))
    return Drift(
        found,
        found.value * (max(times) - min(times)) / 3600.0,
        found.parts[Source.POD] ** 2 <= SEPARATE * alone,
    )


def reference_zero(fit: JointFit) -> Estimate | None:
    """Return the reference's zero as the run shows it; None if none was stated.

    Only where the pod or the reference was turned end for end does it differ from zero.
    """
    return fit.estimate({"zero": 1.0}) if "zero" in fit.rows.place else None


@dataclass(frozen=True, slots=True)
class Turned:
    """Two readings at one place, turned end for end.

    Attributes
    ----------
    zero_deg : float
        The instrument's own zero.
    angle_deg : float
        The surface's angle.
    u_deg : float
        Standard uncertainty of either.
    """

    zero_deg: float
    angle_deg: float
    u_deg: float


def turn_end_for_end(first_deg: float, turned_deg: float, u_deg: float) -> Turned:
    """Split an instrument's zero from what it stands on.

    Parameters
    ----------
    first_deg, turned_deg : float
        Readings before and after the turn; their mean is the zero.
    u_deg : float
        Standard uncertainty of one reading.
    """
    return Turned(
        (first_deg + turned_deg) / 2.0, (first_deg - turned_deg) / 2.0, u_deg / math.sqrt(2.0)
    )
