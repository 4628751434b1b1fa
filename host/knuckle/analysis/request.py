"""What the user asks of a measurement, beside the readings."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

from knuckle.estimate.linear_steer import LinearSteer
from knuckle.estimate.priors import Given, Priors
from knuckle.model.block import FloatArray
from knuckle.model.result import Quantity
from knuckle.model.wheel import Wheel

SQUARENESS: Final = Given(0.0, 0.2)
"""A printed case: 0.2 mm over 60 mm (no source)."""


@dataclass(frozen=True)
class SeatSpan:
    """A stretch of the recording in which the pod sat or lay untouched.

    Attributes
    ----------
    from_s, to_s : float
        Pod time, `to_s` excluded.
    """

    from_s: float
    to_s: float = math.inf


@dataclass(frozen=True)
class Request:
    """A measurement to make.

    Attributes
    ----------
    wheel : Wheel
    priors : Priors
    plates_deg : tuple of float, or None
        Changes of heading read from turn plates at the left and right lock, both positive.
    straight : int or None
        Position (from 0) of the rest that was straight ahead, if the user says so.
    rear_steers : bool
        Whether the car steers its rear wheels.
    use_gyro : bool
        Whether the gyro counts as a source of steer angle.
    linear : LinearSteer or None
        The linear sensor that is laid to the wheel, if it counts as a source of steer angle.
    seats : tuple of SeatSpan
        Of a wheel-turn run: how the pod was seated; of a reversal: its placings. Empty for the
        whole recording.
    squareness : Given
        Of the pod's base to its mounting face, deg; of a reversal only.
    correction : ndarray, shape (3, 3), or None
        The matrix by which the readings were corrected.
    """

    wheel: Wheel
    priors: Priors = field(default_factory=Priors)
    plates_deg: tuple[float, float] | None = None
    straight: int | None = None
    rear_steers: bool = False
    use_gyro: bool = True
    linear: LinearSteer | None = None
    seats: tuple[SeatSpan, ...] = ()
    squareness: Given = SQUARENESS
    correction: FloatArray | None = None

    @property
    def side(self) -> int:
        """+1 on a left wheel, -1 on a right one."""
        return self.wheel.side

    def condition(self, quantity: Quantity) -> str:
        """Return under which conditions a result holds, in words."""
        along = quantity is Quantity.CASTER
        known = self.priors.pads_along_known if along else self.priors.pads_across_known
        parts = ["relative to the pads" if known else "relative to gravity"]
        if quantity is not Quantity.CAMBER:
            rolled = self.priors.body_roll is not None
            parts.append("body roll removed" if rolled else "as swept, on its springs")
        return ", ".join(parts)
