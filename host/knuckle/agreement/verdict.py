"""Does the pod keep its tolerance? With a guard band, and able to say that it cannot be told."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
from scipy.special import fdtri
from scipy.stats import chi2, nct

from knuckle.agreement.comparison import Comparison
from knuckle.agreement.joint import Estimate, JointFit
from knuckle.agreement.limits import WIDTH
from knuckle.agreement.propagation import coverage_factor
from knuckle.agreement.reference import Reference
from knuckle.agreement.rows import Source, merged, seating_scatter

CONFIDENCE: Final = 0.95
"""Two-sided; a wrong pass is on one side only, so it is half of the rest: 2.5 %."""

LEAST_READINGS: Final = 6
LEAST_FREEDOM: Final = 4
LEAST_SEATING_FREEDOM: Final = 4
HOPELESS: Final = 10.0
"""More than so many times the readings taken is not asked for: the reference is too coarse."""


class Verdict(StrEnum):
    """What can be said; the names are those of the JSON output."""

    PASS = "pass"
    FAIL = "fail"
    TOO_COARSE = "reference_too_coarse"
    TOO_FEW = "not_enough_readings"


@dataclass(frozen=True, slots=True)
class Scatter:
    """Standard deviation of one pod reading, with interval.

    Attributes
    ----------
    deg, low_deg, high_deg : float
    least_deg : float
        Less than `deg` where the rounding of the reference's readings may be behind part of it.
        `low_deg` is below this.
    freedom : float
    seated_anew : bool
        Found by putting the pod on anew, not from the residuals alone.
    """

    deg: float
    low_deg: float
    high_deg: float
    least_deg: float
    freedom: float
    seated_anew: bool


@dataclass(frozen=True, slots=True)
class Judgement:
    """The verdict and what it rests on.

    Attributes
    ----------
    verdict : Verdict
    tolerance_deg : float
    at_deg : float
        Where in the range the pod comes closest to the tolerance, or exceeds it most.
    error_deg : float
        Its error there.
    scatter : Scatter
    largest_deg : float
        |error| + 1.96 scatter: 95 % of single readings are off by no more.
    upper_deg, lower_deg : float
        Bounds of `largest_deg`, each wrong in 2.5 % of cases at most.
    common_deg : float
        Part of the guard band that no number of readings takes away.
    readings : int
    needed : int or None
        About how many readings would decide, if readings are what is missing.
    """

    verdict: Verdict
    tolerance_deg: float
    at_deg: float
    error_deg: float
    scatter: Scatter
    largest_deg: float
    upper_deg: float
    lower_deg: float
    common_deg: float
    readings: int
    needed: int | None = None

    @property
    def guard_deg(self) -> float:
        """Width of the guard band: what the tolerance is narrowed by."""
        return self.upper_deg - self.largest_deg


def pod_scatter(comparison: Comparison, fit: JointFit, confidence: float = CONFIDENCE) -> Scatter:
    """Return how single readings of the pod scatter.

    From the residuals, less what the reference's reading error accounts for. Where that error
    would drown the pod's scatter, from seating the pod anew at unchanged settings, if that was
    done often enough; but never less than the residuals show.

    Whether readings at one mark share their rounding is not known: to pass, a pod must do so if
    they share it (all scatter is the pod's), to fail, if they do not.

    Notes
    -----
    Intervals from chi-squared: sd sqrt(freedom / chi2).
    """
    tail = 0.5 - confidence / 2.0
    reference = reading_variance(comparison)
    whole = fit.pod_scatter_deg**2 + reference
    seats = seating_scatter(comparison.pod_readings)
    if seats is not None and seats.freedom >= LEAST_SEATING_FREEDOM and seats.sd > 0.0:
        deg, least = (max(seats.sd, s) for s in (fit.pod_scatter_deg, fit.least_scatter_deg))
        if deg**4 / seats.freedom < (deg**2 + reference) ** 2 / fit.freedom:
            below, above = (math.sqrt(seats.freedom / q) for q in _ends(tail, seats.freedom))
            return Scatter(deg, least * below, deg * above, least, float(seats.freedom), True)
    most, fewest = _ends(tail, fit.freedom)
    lowest = (fit.least_scatter_deg**2 + reference) * fit.freedom / most - reference
    highest = whole * fit.freedom / fewest - reference
    low, high = (math.sqrt(max(0.0, bound)) for bound in (lowest, highest))
    return Scatter(fit.pod_scatter_deg, low, high, fit.least_scatter_deg, float(fit.freedom), False)


def _ends(tail: float, freedom: float) -> tuple[float, float]:
    return float(chi2.ppf(1.0 - tail, freedom)), float(chi2.ppf(tail, freedom))


def reading_variance(comparison: Comparison) -> float:
    """Return the variance that reading the reference and its steps leave at one setting, deg^2."""
    reference = comparison.reference
    shared = [
        reference.resolution_u_deg if reading.shared_u_deg is None else reading.shared_u_deg
        for reading in comparison.reference_readings
    ]
    return reference.reading_deg**2 + float(np.mean(np.square(shared)))


def judge(comparison: Comparison, fit: JointFit, tolerance_deg: float) -> Judgement:
    """Hold the pod against a tolerance.

    The pod keeps it if, at every angle of the tested range and from either side, 95 % of its
    single readings are off by no more: |error| + 1.96 scatter <= tolerance.

    Parameters
    ----------
    comparison : Comparison
    fit : JointFit
        Of the same comparison.
    tolerance_deg : float

    Raises
    ------
    ValueError
        If the tolerance is not above zero.

    Notes
    -----
    Guarded acceptance with a guard band of the expanded uncertainty (JCGM 106:2012, 8.3.2): the
    limit is narrowed by it. A pass must hold at each angle by itself; a pod that is out at any
    one angle passes there in 2.5 % of cases at most, so the share does not grow with the
    number of angles (intersection-union test: R. L. Berger, Technometrics 24 (1982), from
    memory). A failure may occur anywhere, so its band is simultaneous (Scheffe). The bounds of
    a sum of an error and a scatter: F. Graybill, C. Wang, JASA 75 (1980), from memory;
    where the same scatter stands behind both they are 4 to 8 % short, and are widened (`widen`).
    """
    if not tolerance_deg > 0.0:
        raise ValueError("a tolerance is above zero")
    scatter = pod_scatter(comparison, fit)
    places = [_Place(angle, error, scatter, fit.terms.order) for angle, error in _errors(fit)]
    worst = max(places, key=lambda place: place.upper)
    worst.widen(scatter)
    found = max(places, key=lambda place: place.lower)
    count = len(merged(comparison.pod_readings))
    few = count < LEAST_READINGS or fit.freedom < LEAST_FREEDOM
    needed = None
    if found.lower > tolerance_deg and not few:
        verdict, worst = Verdict.FAIL, found
    elif worst.upper <= tolerance_deg and not few:
        verdict = Verdict.PASS
    else:
        verdict, needed = _undecided(comparison, worst, tolerance_deg, count)
        if few and verdict is Verdict.TOO_FEW:
            needed = max(needed or 0, LEAST_READINGS, count + LEAST_FREEDOM - fit.freedom)
    return Judgement(
        verdict,
        tolerance_deg,
        worst.angle_deg,
        worst.error.value,
        scatter,
        worst.largest,
        worst.upper,
        found.lower,
        worst.common,
        count,
        needed,
    )


def _errors(fit: JointFit) -> list[tuple[float, Estimate]]:
    directions = (1, -1) if fit.terms.hysteresis else (0,)
    return [
        (float(angle), fit.error(float(angle), direction))
        for angle in fit.grid_deg()
        for direction in directions
    ]


class _Place:
    """The pod's error at one angle, held against the tolerance."""

    def __init__(self, angle_deg: float, error: Estimate, scatter: Scatter, order: int) -> None:
        self.angle_deg, self.error, self.scatter = angle_deg, error, scatter
        self.largest = abs(error.value) + WIDTH * scatter.deg
        self.random = math.sqrt(max(0.0, error.u**2 - error.common_u**2))
        self.common = coverage_factor(CONFIDENCE, math.inf) * error.common_u
        wide = WIDTH * (scatter.high_deg - scatter.deg)
        self.upper = self.largest + math.hypot(error.expanded(CONFIDENCE), wide)
        self.least = abs(error.value) + WIDTH * scatter.least_deg
        narrow = WIDTH * (scatter.least_deg - scatter.low_deg)
        ends = order + 1
        anywhere = math.sqrt(ends * float(fdtri(ends, min(error.freedom, 1e6), CONFIDENCE)))
        self.lower = self.least - math.hypot(anywhere * error.u, narrow)

    def widen(self, scatter: Scatter) -> None:
        """Widen the upper bound as one scatter behind error and single readings asks for.

        Notes
        -----
        The exact bound of mean + width sd is a quantile of the noncentral t distribution, as in
        `limits_of_agreement`; its ratio to the combined one is taken over.
        """
        if scatter.deg <= 0.0 or self.random <= 0.0:
            return
        root, sure = scatter.deg / self.random, 0.5 + CONFIDENCE / 2.0
        exact = float(nct.ppf(sure, scatter.freedom, WIDTH * root)) / root - WIDTH
        above = math.sqrt(scatter.freedom / _ends(1.0 - sure, scatter.freedom)[1]) - 1.0
        usual = math.hypot(coverage_factor(CONFIDENCE, scatter.freedom) / root, WIDTH * above)
        if not exact > usual:
            return
        random = math.sqrt(max(0.0, (self.upper - self.largest) ** 2 - self.common**2))
        self.upper = self.largest + math.hypot(self.common, random * exact / usual)


def _undecided(
    comparison: Comparison, worst: _Place, tolerance_deg: float, count: int
) -> tuple[Verdict, int | None]:
    """Say what is missing: a better reference, or more readings."""
    room = abs(tolerance_deg - worst.largest)
    if worst.common >= room or worst.least < tolerance_deg < worst.largest:
        return Verdict.TOO_COARSE, None
    coarse = math.sqrt(
        sum(worst.error.parts.get(s, 0.0) ** 2 for s in (Source.READING, Source.RESOLUTION))
    )
    # A flawless pod, read as often, could not pass either.
    if math.hypot(worst.common, coverage_factor(CONFIDENCE, math.inf) * coarse) >= tolerance_deg:
        return Verdict.TOO_COARSE, None
    random = math.sqrt(max(0.0, (worst.upper - worst.largest) ** 2 - worst.common**2))
    times = (random / math.sqrt(room**2 - worst.common**2)) ** 2
    if times > HOPELESS and coarse > worst.error.parts.get(Source.POD, 0.0):
        return Verdict.TOO_COARSE, None
    return Verdict.TOO_FEW, math.ceil(count * max(times, 1.0)) + 1


def can_pass(reference: Reference, tolerance_deg: float, reach_deg: float) -> bool:
    """Whether any pod at all could pass: a flawless one, with any number of readings.

    Parameters
    ----------
    reference : Reference
    tolerance_deg : float
    reach_deg : float
        Largest angle from zero that will be set.
    """
    guard = coverage_factor(CONFIDENCE, math.inf) * reference.common_u_deg(reach_deg)
    return guard < tolerance_deg
