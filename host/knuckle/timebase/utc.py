"""Lay a pod's time beside the host's: rate and offset from arrivals, for UTC stamps only."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np

from knuckle.errors import UsageError
from knuckle.model.block import FloatArray

RATE_SIGMA: Final = 0.003
"""One sigma of a pod's clock rate before anything is known: a ceramic resonator's tolerance."""
_MOST_PAIRS: Final = 2048
SHARE_BELOW: Final = 0.02
"""Share of the slices that may lie below the line: one in fifty may be early by some fault."""
_LEAST_LATE_S: Final = 0.002
_ROUNDS: Final = 3
_MOST_SIGMAS: Final = 10.0
_RATE_STEP: Final = 1e-11


@dataclass(slots=True)
class _Stretch:
    """The earliest arrival, relative to pod time, of each slice of pod time."""

    start_s: float
    slice_s: float = 0.5
    slices: dict[int, tuple[float, float]] = field(default_factory=dict)

    def add(self, t_s: float, arrival_s: float) -> None:
        key = int((t_s - self.start_s) // self.slice_s)
        best = self.slices.get(key)
        if best is None or arrival_s - t_s < best[1] - best[0]:
            self.slices[key] = (t_s, arrival_s)
        if len(self.slices) > _MOST_PAIRS:
            pairs = list(self.slices.values())
            self.slice_s *= 2.0
            self.slices = {}
            for pair in pairs:
                self.add(*pair)


@dataclass(frozen=True, slots=True)
class ArrivalLine:
    """arrival = offset + rate * pod time, for one stretch without restart.

    Attributes
    ----------
    rate : float
        Seconds of the host for each second of the pod.
    offset_s : float
        Arrival time of pod time 0.
    late_s : float
        How late of the line a slice's promptest arrival is, in the middle (median).
    """

    rate: float
    offset_s: float
    late_s: float


class ArrivalFit:
    """Fits the pod's clock against arrivals, which come late by varying amounts, never early.

    Adapters deliver in steps of 16 ms and radio links in bursts of up to half a second, so
    only the promptest arrival of each slice of pod time counts (as the clock filter of RFC
    5905, section 10, prefers the shortest delay), and the line lies along the lower edge of
    those. The delay that every arrival has stays in the offset. Nothing but UTC stamps and
    the alignment of two pods may be computed with it.

    Parameters
    ----------
    utc_at_zero : datetime
        The date and time, with time zone, at arrival time 0.

    Raises
    ------
    UsageError
        If `utc_at_zero` has no time zone.
    """

    def __init__(self, utc_at_zero: datetime) -> None:
        if utc_at_zero.tzinfo is None:
            raise UsageError("a UTC stamp needs a time with its time zone")
        self._zero = utc_at_zero.astimezone(UTC)
        self._stretches: list[_Stretch] = []
        self._lines: dict[int, ArrivalLine] = {}

    def __len__(self) -> int:
        """Return the number of pairs kept."""
        return sum(len(s.slices) for s in self._stretches)

    def restart(self, t_s: float) -> None:
        """Begin a new line at this pod time: the pod started again, its clock's zero is new."""
        self._stretches.append(_Stretch(t_s))

    def add(self, t_s: float, arrival_s: float) -> None:
        """Take the arrival of the bytes whose last sample stands at pod time `t_s`."""
        if not self._stretches:
            self.restart(t_s)
        index = len(self._stretches) - 1
        self._stretches[index].add(t_s, arrival_s)
        self._lines.pop(index, None)

    def line(self, t_s: float | None = None) -> ArrivalLine | None:
        """Return the line that holds at pod time `t_s` (default: the latest), or None."""
        index = len(self._stretches) - 1
        while t_s is not None and index > 0 and t_s < self._stretches[index].start_s:
            index -= 1
        while index >= 0 and not self._stretches[index].slices:
            index -= 1
        if index < 0:
            return None
        if index not in self._lines:
            pairs = np.array(list(self._stretches[index].slices.values()))
            self._lines[index] = _fit(pairs[:, 0], pairs[:, 1])
        return self._lines[index]

    def arrival_of(self, t_s: float) -> float | None:
        """Return when, on the host's clock, a sample at pod time `t_s` was taken, or None."""
        line = self.line(t_s)
        return None if line is None else line.offset_s + line.rate * t_s

    def utc_of(self, t_s: float) -> datetime | None:
        """Return the UTC date and time of pod time `t_s`, or None before any arrival."""
        arrival_s = self.arrival_of(t_s)
        return None if arrival_s is None else self._zero + timedelta(seconds=arrival_s)


def stamp(moment: datetime) -> str:
    """Write a date and time as ISO 8601 with offset, to the millisecond.

    Raises
    ------
    UsageError
        If it has no time zone.
    """
    if moment.tzinfo is None:
        raise UsageError("a UTC stamp needs a time with its time zone")
    return moment.isoformat(timespec="milliseconds")


def _fit(t_s: FloatArray, arrival_s: FloatArray) -> ArrivalLine:
    """Lay the line that `SHARE_BELOW` of the slices lie below: a linear regression quantile.

    Koenker & Bassett, "Regression quantiles", Econometrica 46 (1978), equation 1.2, with a
    Gaussian prior on the rate. However late the others are has no weight; as many as the
    share may be early.
    """
    middle = float(t_s.mean())
    x = t_s - middle
    y = arrival_s - t_s

    def late_s(slope: float) -> FloatArray:
        left = y - slope * x
        return np.asarray(left - np.quantile(left, SHARE_BELOW, method="lower"))

    def loss_s(slope: float) -> float:
        late = late_s(slope)
        return float(np.mean(np.where(late >= 0.0, SHARE_BELOW, SHARE_BELOW - 1.0) * late))

    def cost(slope: float, scale_s: float) -> float:
        return len(x) * loss_s(slope) / scale_s + 0.5 * (slope / RATE_SIGMA) ** 2

    slope = 0.0
    for _ in range(_ROUNDS):
        scale_s = max(loss_s(slope), SHARE_BELOW * _LEAST_LATE_S)
        slope = _least(lambda each, scale_s=scale_s: cost(each, scale_s))  # type: ignore[misc]
    late = late_s(slope)
    level = float(np.quantile(y - slope * x, SHARE_BELOW, method="lower"))
    return ArrivalLine(
        rate=1.0 + slope,
        offset_s=level - slope * middle,
        late_s=float(np.median(late)),
    )


def _least(cost: Callable[[float], float]) -> float:
    """Return the rate's deviation of least cost, a convex function: golden section.

    Kiefer, "Sequential minimax search for a maximum", Proc. AMS 4 (1953).
    """
    golden = (math.sqrt(5.0) - 1.0) / 2.0
    low, high = -_MOST_SIGMAS * RATE_SIGMA, _MOST_SIGMAS * RATE_SIGMA
    left, right = high - golden * (high - low), low + golden * (high - low)
    at_left, at_right = cost(left), cost(right)
    while high - low > _RATE_STEP:
        if at_left <= at_right:
            high, right, at_right = right, left, at_left
            left = high - golden * (high - low)
            at_left = cost(left)
        else:
            low, left, at_left = left, right, at_right
            right = low + golden * (high - low)
            at_right = cost(right)
    return 0.5 * (low + high)
