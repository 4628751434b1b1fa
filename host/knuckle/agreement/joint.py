"""The fit of all readings at once: the pod's error over its range, and the reference's own."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from scipy.optimize import brentq

from knuckle.agreement.comparison import Comparison
from knuckle.agreement.propagation import coverage_factor, effective_freedom
from knuckle.agreement.rows import (
    COMMON,
    LEAST_U_DEG,
    Rows,
    Source,
    Terms,
    rows_of,
    seating_scatter,
)
from knuckle.model.block import FloatArray

_RANDOM: Final = (Source.POD, Source.READING, Source.RESOLUTION)
"""Sources whose sum shows in the residuals."""


@dataclass(frozen=True)
class Estimate:
    """A figure with its uncertainty by source.

    Attributes
    ----------
    value : float
    parts : dict
        Standard uncertainty by source.
    freedom : float
        Effective degrees of freedom.
    """

    value: float
    parts: dict[Source, float]
    freedom: float

    @property
    def u(self) -> float:
        """Combined standard uncertainty."""
        return math.sqrt(sum(part**2 for part in self.parts.values()))

    @property
    def common_u(self) -> float:
        """The part that no number of readings averages."""
        return math.sqrt(sum(self.parts.get(source, 0.0) ** 2 for source in COMMON))

    def expanded(self, confidence: float = 0.95) -> float:
        """Half-width of the interval."""
        return coverage_factor(confidence, self.freedom) * self.u

    def interval(self, confidence: float = 0.95) -> tuple[float, float]:
        """Return the interval's ends."""
        reach = self.expanded(confidence)
        return self.value - reach, self.value + reach


@dataclass(frozen=True)
class JointFit:
    """All unknowns of a comparison, with covariance by source.

    Attributes
    ----------
    terms : Terms
    rows : Rows
    values : ndarray, shape (unknowns,)
    covariance : dict
        Source to ndarray, shape (unknowns, unknowns); they add up to the whole.
    pod_scatter_deg : float
        Standard deviation of one pod reading, found so that the residuals are as large as all
        standard uncertainties together say; zero where those of the reference explain them.
    least_scatter_deg : float
        The same if readings of the same value do not share their rounding: what of the scatter
        can be nobody's but the pod's.
    freedom : int
        Rows less unknowns.
    """

    terms: Terms
    rows: Rows
    values: FloatArray
    covariance: dict[Source, FloatArray]
    pod_scatter_deg: float
    least_scatter_deg: float
    freedom: int
    seating_freedom: float

    def estimate(self, slopes: dict[str, float]) -> Estimate:
        """Return a linear combination of unknowns, by their names."""
        vector = np.zeros(self.values.shape[0])
        for name, slope in slopes.items():
            if name in self.rows.place:
                vector[self.rows.place[name]] = slope
        parts = {
            source: math.sqrt(max(0.0, float(vector @ matrix @ vector)))
            for source, matrix in self.covariance.items()
        }
        scatter = math.sqrt(sum(parts.get(source, 0.0) ** 2 for source in _RANDOM))
        # Where the stated figures explain the residuals, it is these that are used.
        behind = float(self.freedom) if self.pod_scatter_deg > LEAST_U_DEG else math.inf
        rest = [parts.get(Source.SEATING, 0.0), *(parts.get(source, 0.0) for source in COMMON)]
        freedom = effective_freedom(
            [scatter, *rest], [behind, self.seating_freedom, math.inf, math.inf]
        )
        return Estimate(float(vector @ self.values), parts, freedom)

    def error(self, angle_deg: float, direction: int = 0) -> Estimate:
        """Return the pod's error at an angle, reached going up (+1) or down (-1)."""
        scaled = (angle_deg - self.rows.middle_deg) / self.rows.half_deg
        slopes = {f"error {power}": scaled**power for power in range(self.terms.order + 1)}
        return self.estimate(slopes | {"hysteresis": 0.5 * direction})

    def grid_deg(self, count: int = 41) -> FloatArray:
        """Return angles from one end of the tested range to the other."""
        middle, half = self.rows.middle_deg, self.rows.half_deg
        if self.terms.order == 0:
            return np.array([middle])
        return np.linspace(middle - half, middle + half, count)


def joint_fit(comparison: Comparison, terms: Terms) -> JointFit:
    """Fit all readings of a comparison.

    Parameters
    ----------
    comparison : Comparison
    terms : Terms
        Which unknowns describe the pod's error.

    Raises
    ------
    ValueError
        If there are no more readings than unknowns, or the readings cannot tell them apart.

    Notes
    -----
    Least squares with known variances, the covariance split by source as L V_source L^T (GUM
    supplement 2, JCGM 102:2011, 6.2.1). The pod's scatter makes chi-squared its expectation: R.
    C. Paule, J. Mandel, Journal of Research of the NBS 87 (1982) 377-385.
    """
    rows = rows_of(comparison, terms)
    freedom = rows.design.shape[0] - rows.design.shape[1]
    if freedom < 1:
        raise ValueError("no more readings than unknowns")
    if np.linalg.matrix_rank(rows.design) < rows.design.shape[1]:
        raise ValueError("the readings cannot tell the unknowns apart")
    scatter = _pod_scatter(rows, rows.u_deg)
    least = scatter
    if np.any(rows.rounding_deg > 0.0):
        least = _pod_scatter(rows, np.hypot(rows.u_deg, rows.rounding_deg))
    solver, covariance = solved(rows, scatter)
    seats = seating_scatter(comparison.pod_readings)
    return JointFit(
        terms,
        rows,
        solver @ rows.observed,
        covariance,
        scatter if scatter > LEAST_U_DEG else 0.0,
        least if least > LEAST_U_DEG else 0.0,
        freedom,
        float(seats.freedom) if seats is not None else math.inf,
    )


def solved(rows: Rows, scatter_deg: float) -> tuple[FloatArray, dict[Source, FloatArray]]:
    """Return what makes unknowns of rows, and the unknowns' covariance by source.

    Parameters
    ----------
    rows : Rows
    scatter_deg : float
        Of one pod reading, above zero.

    Returns
    -------
    ndarray, shape (unknowns, rows)
    dict of Source to ndarray, shape (unknowns, unknowns)
    """
    u = np.where(rows.u_deg > 0.0, rows.u_deg, scatter_deg)
    solver = np.linalg.pinv(rows.design / u[:, None], rcond=1e-14) / u
    source = np.array(rows.source)
    covariance = {}
    for name in Source:
        chosen = solver[:, source == name] * u[source == name]
        if chosen.shape[1]:
            covariance[name] = chosen @ chosen.T
    return solver, covariance


def _pod_scatter(rows: Rows, stated_deg: FloatArray) -> float:
    """Return the scatter that makes chi-squared its degrees of freedom.

    Combinations of rows that hold no unknown carry all of chi-squared; with them the search
    needs no fit of its own at each step.
    """
    whole, _ = np.linalg.qr(rows.design, mode="complete")
    bare = whole[:, rows.design.shape[1] :].T
    freedom = int(bare.shape[0])
    left = bare @ rows.observed
    known = (bare * stated_deg**2) @ bare.T
    free = bare[:, stated_deg <= 0.0]
    pods = free @ free.T

    def excess(log_scatter: float) -> float:
        matrix = known + math.exp(2.0 * log_scatter) * pods
        return float(left @ np.linalg.solve(matrix, left)) - freedom

    low, high = math.log(LEAST_U_DEG), math.log(1e3)
    if excess(low) <= 0.0:
        return LEAST_U_DEG
    return math.exp(float(brentq(excess, low, high, xtol=1e-3)))


def best_terms(comparison: Comparison, orders: Sequence[int] | None = None) -> Terms:
    """Return which unknowns the design of a comparison supports.

    By the design alone, never by what was read: the order of the polynomial by how many
    different angles were set, hysteresis if at least two settings were reached from either
    side.
    """
    stood = sorted(angle for angle, _ in comparison.pairs())
    span = stood[-1] - stood[0]
    different = 1 + sum(later - earlier > 0.03 * span for earlier, later in pairwise(stood))
    if span < 0.2:
        different = 1
    if comparison.different is not None:
        different = min(different, comparison.different)
    order = next(o for o, least in ((3, 9), (2, 5), (1, 2), (0, 1)) if different >= least)
    if orders is not None:
        order = min(order, max(orders))
    up = {r.setting for r in comparison.pod_readings if r.direction > 0}
    down = {r.setting for r in comparison.pod_readings if r.direction < 0}
    return Terms(order, hysteresis=len(up) >= 2 and len(down) >= 2)
