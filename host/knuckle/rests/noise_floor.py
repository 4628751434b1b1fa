"""The pod's own noise, learnt while it stands, from nothing but the past."""

from __future__ import annotations

from dataclasses import dataclass, field

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
    """Both sensors' floors; `known` once a first rest has been seen."""

    known: bool = False
    accel: SensorFloor = field(default_factory=lambda: SensorFloor(LEAST_ACCEL_G))
    gyro: SensorFloor = field(default_factory=lambda: SensorFloor(LEAST_GYRO_DPS))
