"""Was the brake held? Judged by the wheel's roll that the readings alone show."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from knuckle.analysis.fit import Fit
from knuckle.estimate.distributions import chi_squared_tail

NOT_HELD = 0.003
"""A held brake shows as much roll with this chance or less: it was not held."""

DOUBTFUL = 0.05
"""Below this chance the roll's tolerance is widened to what the readings show."""

LARGEST_ROLL_DEG = 15.0
"""No free wheel rolls farther on its scrub radius (0.1 m on a wheel of 0.3 m, 20 deg each way)."""


@dataclass(frozen=True)
class Roll:
    """The wheel's roll as the readings alone give it.

    Attributes
    ----------
    chance : float
        That a held brake shows as much or more.
    span_deg : float
        Between the rests farthest apart.
    rms_deg : float
        About the mean.
    """

    chance: float
    span_deg: float
    rms_deg: float

    @property
    def not_held(self) -> bool:
        """Whether the brake was plainly not held."""
        return self.chance <= NOT_HELD

    @property
    def doubtful(self) -> bool:
        """Whether the roll is larger than a held brake mostly shows."""
        return self.chance <= DOUBTFUL


def judge_roll(free: Fit, held_deg: float) -> Roll:
    """Judge the roll from a fit that left it free.

    Two tests: all rolls together, and the part that goes with the steer angle, which is how a
    wheel rolls on its scrub radius. The smaller chance counts.

    Parameters
    ----------
    free : Fit
    held_deg : float
        Roll that a held brake allows, one sigma.
    """
    roll, where = free.model.rolls(free.solution.x)
    allowed = np.eye(roll.size) * np.radians(held_deg) ** 2
    weight = np.linalg.inv(free.solution.covariance[where, where] + allowed)
    together = float(roll @ weight @ roll)
    steer = free.model.state(free.solution.x).theta
    steer = steer - np.mean(steer)
    with_steer = float((steer @ weight @ roll) ** 2 / (steer @ weight @ steer))
    smaller = min(chi_squared_tail(together, roll.size - 1), chi_squared_tail(with_steer, 1))
    apart = np.degrees(roll - np.mean(roll))
    return Roll(
        chance=float(smaller),
        span_deg=float(np.ptp(apart)),
        rms_deg=float(np.sqrt(np.mean(apart**2))),
    )
