"""Is the fit sound? The brake checked, slips found, misfit told; never assumed.

In this order: the fit with the brake held must agree with the readings and with the wheel's roll
that the readings alone would give. If not, the roll is set free. If that does not explain the
readings either, a slip of the mount is looked for. What remains is a misfit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from knuckle.errors import MeasurementRefused
from knuckle.estimate.priors import Priors
from knuckle.estimate.solver import Solution
from knuckle.estimate.wheel_model import WheelModel
from knuckle.model.result import Notice

ROLL_SIGNIFICANCE = 0.003
"""Chance of calling a held brake free."""

MISFIT_SIGNIFICANCE = 1e-3
"""Chance of calling a sound fit a misfit."""

SLIP_GAIN = 20.0
"""By how much a slip must lower chi-squared to be believed."""

LEAST_SLIP_DEG = 0.05

MOST_SLIPS = 16
"""So many places of a slip are tried at once."""

LARGEST_SCATTER = 4.0
"""Refuse when the readings scatter by more than this many times what their rows say."""


@dataclass(frozen=True)
class Fit:
    """A model and its solution."""

    model: WheelModel
    solution: Solution

    @property
    def probability(self) -> float:
        """Chance of a chi-squared as large as this one."""
        dof = self.solution.degrees_of_freedom
        return float(chi2.sf(self.solution.chi_squared, dof)) if dof > 0 else 1.0

    @property
    def scatter(self) -> float:
        """Root of chi-squared over its degrees of freedom (Birge ratio)."""
        dof = max(self.solution.degrees_of_freedom, 1)
        return float(np.sqrt(self.solution.chi_squared / dof))


@dataclass(frozen=True)
class SoundFit:
    """The fit to use, what to say of it, and by how much to widen its uncertainties."""

    fit: Fit
    notices: tuple[Notice, ...]
    inflation: float


FitFunction = Callable[[float, int | None], Fit]
"""From the prior of the wheel's roll (deg) and a slip to a fit."""


def find_sound_fit(fit: FitFunction, priors: Priors) -> SoundFit:
    """Return a fit that agrees with the readings.

    Raises
    ------
    MeasurementRefused
        MOUNT_SLIPPED or READINGS_DISAGREE.
    """
    notices: list[Notice] = []
    if priors.brake_held:
        held = fit(priors.roll_held_deg, None)
        free = _free_or_none(fit, priors)
        rolled_deg = _roll_beyond(free, priors.roll_held_deg) if free is not None else None
        if rolled_deg is None and held.probability >= MISFIT_SIGNIFICANCE:
            return SoundFit(held, (), 1.0)
        chosen = held
        if rolled_deg is not None and free is not None:
            chosen = free
            notices.append(
                Notice(
                    "BRAKE_NOT_HELD",
                    f"The wheel rolled by about {rolled_deg:.1f} deg while it was steered: the "
                    "foot brake was not held firmly. Its roll was set free, and inclination "
                    "is less certain.",
                )
            )
    else:
        chosen = fit(priors.roll_free_deg, None)
    if chosen.probability >= MISFIT_SIGNIFICANCE:
        return SoundFit(chosen, tuple(notices), 1.0)
    _refuse_slip(fit, priors, chosen)
    return _misfit(chosen, notices)


def _free_or_none(fit: FitFunction, priors: Priors) -> Fit | None:
    """Solve with the roll free; None where the readings do not determine it."""
    try:
        return fit(priors.roll_free_deg, None)
    except MeasurementRefused:
        return None


def _roll_beyond(free: Fit, held_deg: float) -> float | None:
    """Return the span of the wheel's roll, deg, if a held brake does not explain it.

    Two tests on the rolls that the readings alone give: all of them together, and the part that
    goes with the steer angle, which is how a wheel rolls on its scrub radius.
    """
    roll, where = free.model.rolls(free.solution.x)
    allowed = np.eye(roll.size) * np.radians(held_deg) ** 2
    weight = np.linalg.inv(free.solution.covariance[where, where] + allowed)
    together = float(roll @ weight @ roll)
    steer = free.model.state(free.solution.x).theta
    steer = steer - np.mean(steer)
    with_steer = float((steer @ weight @ roll) ** 2 / (steer @ weight @ steer))
    beyond = together > chi2.isf(ROLL_SIGNIFICANCE, roll.size - 1) or with_steer > chi2.isf(
        ROLL_SIGNIFICANCE, 1
    )
    return float(np.degrees(np.ptp(roll))) if beyond else None


def _refuse_slip(fit: FitFunction, priors: Priors, chosen: Fit) -> None:
    best, after = _best_slip(fit, priors, chosen.model.count)
    slip_deg = float(np.degrees(np.max(np.abs(best.model.state(best.solution.x).slip))))
    gain = chosen.solution.chi_squared - best.solution.chi_squared
    if gain > SLIP_GAIN and slip_deg > LEAST_SLIP_DEG:
        raise MeasurementRefused(
            "MOUNT_SLIPPED",
            f"The pod moved on its mount by about {slip_deg:.2f} deg after rest {after + 1}.",
            "A clamp is loose, or something touched the pod.",
            "Tighten the mount, check that nothing touches the pod at full lock, sweep again.",
        )


def _best_slip(fit: FitFunction, priors: Priors, count: int) -> tuple[Fit, int]:
    """Return the fit with the likeliest slip, and the rest before it.

    Of many rests every so many is tried first, then those about the best.
    """
    tried: dict[int, Fit] = {}

    def best() -> int:
        return min(tried, key=lambda after: tried[after].solution.chi_squared)

    step = -(-(count - 1) // MOST_SLIPS)
    while True:
        around = range(count - 1) if not tried else range(best() - 2 * step, best() + 2 * step + 1)
        for after in around[:: max(step, 1)]:
            if 0 <= after < count - 1 and after not in tried:
                tried[after] = fit(priors.roll_free_deg, after)
        if step == 1:
            return tried[best()], best()
        step = -(-step // 4)


def _misfit(chosen: Fit, notices: list[Notice]) -> SoundFit:
    if chosen.scatter > LARGEST_SCATTER:
        raise MeasurementRefused(
            "READINGS_DISAGREE",
            "The readings do not fit a wheel that turns about one fixed axis: they scatter "
            f"{chosen.scatter:.1f} times as much as they should.",
            "The car moved or the mount slipped, or a plate angle is wrong.",
            "Check mount, brake and typed angles, and sweep again.",
        )
    notices.append(
        Notice(
            "MODEL_MISFIT",
            "The readings fit one fixed steering axis less well than their noise allows "
            f"({chosen.scatter:.1f} times): the axis moves with steer, or something gave way. "
            "The uncertainties are widened by that factor.",
        )
    )
    return SoundFit(chosen, tuple(notices), chosen.scatter)
