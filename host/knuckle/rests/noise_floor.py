"""The pod's own noise: learnt while it stands, from nothing but the past, or known beforehand."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, Self

LEAST_GYRO_DPS = 0.003
LEAST_ACCEL_G = 0.05e-3
"""Scatter of cell means below which no floor is believed: coarse readings can stand still."""


@dataclass(slots=True)
class SensorFloor:
    """Noise power of one sensor at rest, over its axes.

    Attributes
    ----------
    inner : float
        Variance within a cell.
    between : float
        Variance of a cell mean, from neighbouring cells.
    swing : float
        Square of the difference between a cell's halves.
    cells : int
        Cells learnt from, up to the memory's length.
    """

    least: float
    inner: float = 0.0
    between: float = 0.0
    swing: float = 0.0
    cells: int = 0

    def restart(self, inner: float, between: float, swing: float, cells: int) -> None:
        """Forget, and begin from the mean of some cells."""
        self.inner = inner
        self.between = max(between, self.least**2)
        self.swing = swing
        self.cells = cells

    def learn(self, inner: float, half_squared_step: float, swing: float, memory: int) -> None:
        """Take in one more still cell, weighing the past as `memory` cells at most."""
        self.cells = min(self.cells + 1, memory)
        weight = 1.0 / self.cells
        self.inner += weight * (inner - self.inner)
        self.swing += weight * (swing - self.swing)
        between = self.between + weight * (half_squared_step - self.between)
        self.between = max(between, self.least**2)


@dataclass(slots=True)
class NoiseFloor:
    """Both sensors' floors.

    Attributes
    ----------
    known : bool
        Once a first rest has been seen, or another record has told.
    untried : bool
        While it is told by another record and no rest has been seen: the car may shake more than
        the floor on which that was made, though no more like a hand.
    """

    known: bool = False
    untried: bool = False
    accel: SensorFloor = field(default_factory=lambda: SensorFloor(LEAST_ACCEL_G))
    gyro: SensorFloor = field(default_factory=lambda: SensorFloor(LEAST_GYRO_DPS))

    def begin(self, known: KnownFloor, memory: int) -> None:
        """Start from what was measured before; it goes on learning as after a long rest."""
        self.accel.restart(*known.accel.powers, memory)
        if known.gyro is not None:
            self.gyro.restart(*known.gyro.powers, memory)
        self.known = self.untried = True


@dataclass(frozen=True, slots=True)
class SensorNoise:
    """Noise power of one sensor as it was measured, over its axes; fields as `SensorFloor`."""

    inner: float
    between: float
    swing: float

    @property
    def powers(self) -> tuple[float, float, float]:
        """All three, in order."""
        return self.inner, self.between, self.swing


@dataclass(frozen=True, slots=True)
class KnownFloor:
    """A pod's noise from a still record of its own: where a detector of rests may start.

    Attributes
    ----------
    rate_hz : float
        Of the record; noise of samples at another rate is another.
    size : int
        Samples in a cell.
    accel : SensorNoise
        In g^2.
    gyro : SensorNoise or None
        In (deg/s)^2; None for a pod without one.
    """

    rate_hz: float
    size: int
    accel: SensorNoise
    gyro: SensorNoise | None

    def fits(self, rate_hz: float, size: int, has_gyro: bool) -> bool:
        """Return whether it is of such samples."""
        same_rate = abs(self.rate_hz / rate_hz - 1.0) < 1e-3
        return same_rate and self.size == size and (self.gyro is not None) == has_gyro

    @staticmethod
    def first_that_fits(
        known: Sequence[KnownFloor], rate_hz: float, size: int, has_gyro: bool
    ) -> KnownFloor | None:
        """Return the first of several that is of such samples; None if none is."""
        return next((one for one in known if one.fits(rate_hz, size, has_gyro)), None)

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON-like object; every digit is kept."""
        return asdict(self)

    @classmethod
    def from_json(cls, record: Mapping[str, Any]) -> Self:
        """Return what `to_json` gave.

        Raises
        ------
        ValueError
            If it is no such object.
        """
        try:
            accel, gyro = record["accel"], record["gyro"]
            found = cls(
                float(record["rate_hz"]),
                int(record["size"]),
                SensorNoise(**accel),
                None if gyro is None else SensorNoise(**gyro),
            )
            powers = found.accel.powers + (() if found.gyro is None else found.gyro.powers)
            if not all(math.isfinite(power) and power >= 0.0 for power in powers):
                raise ValueError("a power is none")
        except (KeyError, TypeError, ValueError) as error:
            raise ValueError(f"it is no noise of a pod: {error!r}") from error
        return found
