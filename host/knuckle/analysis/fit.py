"""A solved sweep, and what its chi-squared says."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from knuckle.errors import MeasurementRefused
from knuckle.estimate.distributions import chi_squared_tail
from knuckle.estimate.solver import Solution
from knuckle.estimate.wheel_model import WheelModel
from knuckle.model.block import FloatArray


@dataclass(frozen=True)
class Fit:
    """A model and its solution."""

    model: WheelModel
    solution: Solution

    @property
    def chi_squared(self) -> float:
        """Sum of the squared rows."""
        return self.solution.chi_squared

    @property
    def probability(self) -> float:
        """Chance of a chi-squared as large as this one."""
        dof = self.solution.degrees_of_freedom
        return chi_squared_tail(self.chi_squared, dof) if dof > 0 else 1.0

    @property
    def scatter(self) -> float:
        """Root of chi-squared over its degrees of freedom (Birge ratio)."""
        dof = max(self.solution.degrees_of_freedom, 1)
        return float(np.sqrt(self.chi_squared / dof))

    @property
    def headings_deg(self) -> FloatArray:
        """Change of heading of each reading from straight ahead, left positive; shape (n,)."""
        return np.degrees(self.model.headings(self.model.state(self.solution.x)))

    @property
    def slip_deg(self) -> float:
        """Largest angle of the mount's slip, where one was allowed."""
        return float(np.degrees(np.max(np.abs(self.model.state(self.solution.x).slip))))


FitFunction = Callable[[float, int | None], Fit]
"""From the prior of the wheel's roll (deg), and the rest before a slip of the mount, to a fit."""


def fit_or_none(fit: FitFunction, roll_deg: float) -> Fit | None:
    """Fit; None where the readings do not determine the steering axis."""
    try:
        return fit(roll_deg, None)
    except MeasurementRefused:
        return None
