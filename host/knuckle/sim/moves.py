"""Smooth human movements: sums of shapes whose first and second derivatives are known."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from knuckle.model.block import FloatArray


class Motion1(NamedTuple):
    """A quantity with its first and second derivative in time; each shape (n,)."""

    value: FloatArray
    rate: FloatArray
    acceleration: FloatArray

    @staticmethod
    def zeros(n: int) -> Motion1:
        """Return a quantity that stays zero."""
        return Motion1(np.zeros(n), np.zeros(n), np.zeros(n))


def minimum_jerk(x: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return shape and two derivatives of a reach from 0 to 1 over x in [0, 1].

    Flash and Hogan 1985: 10 x^3 - 15 x^4 + 6 x^5.
    """
    x2 = x * x
    return (
        x2 * x * (10.0 - 15.0 * x + 6.0 * x2),
        30.0 * x2 * (1.0 - x) ** 2,
        60.0 * x * (1.0 - 3.0 * x + 2.0 * x2),
    )


def settling(x: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return shape and two derivatives of a slow approach from 0 to 1, x in time constants.

    1 - exp(-x) (1 + x + x^2/2): three equal lags in a row, smooth at its start.
    """
    e = np.exp(-x)
    return 1.0 - e * (1.0 + x + x * x / 2.0), e * x * x / 2.0, e * (x - x * x / 2.0)


@dataclass(frozen=True, slots=True)
class Submove:
    """One smooth change by `amount`.

    `kind` "reach" takes `length_s`; "settle" has the time constant `length_s`; "creep" gets up to
    a steady rate of `amount` per second and stops after `length_s`.
    """

    kind: str
    start_s: float
    length_s: float
    amount: float

    @property
    def end_s(self) -> float:
        """When it is over."""
        return self.start_s + self.length_s * (_SETTLED_AFTER if self.kind == "settle" else 1.0)

    @property
    def total(self) -> float:
        """By how much it has changed the quantity when it is over."""
        if self.kind == "creep":
            return self.amount * (self.length_s - min(_CREEP_ONSET_S, self.length_s / 2))
        return self.amount


_CREEP_ONSET_S = 0.2
_SETTLED_AFTER = 25.0


@dataclass(slots=True)
class Track:
    """A quantity over time: a start value and the submoves added to it."""

    start: float = 0.0
    submoves: list[Submove] = field(default_factory=list)

    def final(self) -> float:
        """Return the value when all submoves are over."""
        return self.start + sum(move.total for move in self.submoves)

    def forget(self, before_s: float) -> None:
        """Fold submoves that are over into the start value; earlier times cannot be asked for."""
        while self.submoves and self.submoves[0].end_s <= before_s:
            self.start += self.submoves.pop(0).total

    def at(self, t_s: FloatArray) -> Motion1:
        """Return value and derivatives at increasing times, shape (n,)."""
        value = np.full(t_s.shape, self.start)
        rate = np.zeros(t_s.shape)
        acceleration = np.zeros(t_s.shape)
        for move in self.submoves:
            _add(move, t_s, value, rate, acceleration)
        return Motion1(value, rate, acceleration)


def _add(
    move: Submove, t_s: FloatArray, value: FloatArray, rate: FloatArray, acceleration: FloatArray
) -> None:
    first, end = np.searchsorted(t_s, [move.start_s, move.end_s])
    cut = slice(first, end)
    if move.kind == "creep":
        _creep(move, t_s[cut], value[cut], rate[cut], acceleration[cut])
        value[end:] += move.total
        return
    if end > first:
        x = (t_s[cut] - move.start_s) / move.length_s
        shape = minimum_jerk(x) if move.kind == "reach" else settling(x)
        value[cut] += move.amount * shape[0]
        rate[cut] += move.amount / move.length_s * shape[1]
        acceleration[cut] += move.amount / move.length_s**2 * shape[2]
    value[end:] += move.amount


def _creep(
    move: Submove, t_s: FloatArray, value: FloatArray, rate: FloatArray, acceleration: FloatArray
) -> None:
    """Add a steady creep with soft start and end."""
    onset = min(_CREEP_ONSET_S, move.length_s / 2)
    age, left = t_s - move.start_s, move.start_s + move.length_s - t_s
    rising, falling = age < onset, left < onset
    speed = np.clip(np.minimum(age, left) / onset, 0.0, 1.0)
    rate += move.amount * speed
    acceleration += move.amount / onset * (rising.astype(float) - falling.astype(float))
    way = move.amount * (age - onset / 2)
    way = np.where(rising, move.amount * age**2 / (2 * onset), way)
    way = np.where(falling, move.total - move.amount * left**2 / (2 * onset), way)
    value += way


@dataclass(frozen=True, slots=True)
class Tremor:
    """A small unrest as a sum of sines: the same at any time however it is asked for."""

    amplitudes: FloatArray
    omega_rad_s: FloatArray
    phases_rad: FloatArray

    @classmethod
    def draw(
        cls, rng: np.random.Generator, rms: float, low_hz: float, high_hz: float, count: int = 6
    ) -> Tremor:
        """Draw `count` sines between two frequencies with the given total rms."""
        weights = rng.uniform(0.5, 1.5, count)
        weights *= rms / np.sqrt(np.sum(weights**2) / 2.0)
        omega = 2 * np.pi * rng.uniform(low_hz, high_hz, count)
        return cls(weights, omega, rng.uniform(0, 2 * np.pi, count))

    def at(self, t_s: FloatArray) -> Motion1:
        """Return value and derivatives, shape (n,)."""
        angle = t_s[:, None] * self.omega_rad_s + self.phases_rad
        sine, cosine = np.sin(angle), np.cos(angle)
        return Motion1(
            sine @ self.amplitudes,
            cosine @ (self.amplitudes * self.omega_rad_s),
            -(sine @ (self.amplitudes * self.omega_rad_s**2)),
        )
