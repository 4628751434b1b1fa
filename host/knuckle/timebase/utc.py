"""Lay a pod's time beside the host's: rate and offset from arrivals, for UTC stamps only."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np

from knuckle.errors import UsageError
from knuckle.model.block import FloatArray

RATE_SIGMA: Final = 0.003
"""One sigma of a pod's clock rate before anything is known: a ceramic resonator's tolerance."""
_MOST_PAIRS: Final = 2048
_LEAST_SCATTER_S: Final = 0.002
_ROUNDS: Final = 10


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
    scatter_s : float
        Robust standard deviation of the arrivals used about the line.
    rejected : int
        Slices left out as late.
    """

    rate: float
    offset_s: float
    scatter_s: float
    rejected: int


class ArrivalFit:
    """Fits the pod's clock against arrivals, which come late by varying amounts, never early.

    Adapters deliver in steps of 16 ms and radio links in bursts of up to half a second, so
    only the promptest arrival of each slice of pod time counts (as the clock filter of RFC
    5905, section 10, prefers the shortest delay), and what is still late of the line is
    rejected. The delay that every arrival has stays in the offset. Nothing but UTC stamps
    may be computed with it.

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
    """Least squares with a prior on the rate; late slices are dropped until none is."""
    middle = float(t_s.mean())
    x = t_s - middle
    y = arrival_s - t_s
    used = np.ones(len(x), dtype=np.bool_)
    scatter = 0.05
    slope, level = 0.0, float(np.min(y))
    for _ in range(_ROUNDS):
        u, v = x[used], y[used]
        prior = (max(scatter, _LEAST_SCATTER_S) / RATE_SIGMA) ** 2
        mean_u, mean_v = float(u.mean()), float(v.mean())
        spread = float(np.sum((u - mean_u) ** 2))
        slope = float(np.sum((u - mean_u) * (v - mean_v))) / (spread + prior)
        level = mean_v - slope * mean_u
        residual = y - (level + slope * x)
        centre = float(np.median(residual[used]))
        scatter = 1.4826 * float(np.median(np.abs(residual[used] - centre)))
        limit = centre + 3.0 * max(scatter, _LEAST_SCATTER_S)
        again = residual <= limit
        if int(again.sum()) < max(3, len(x) // 4) or bool(np.all(again == used)):
            break
        used = again
    return ArrivalLine(
        rate=1.0 + slope,
        offset_s=level - slope * middle,
        scatter_s=scatter,
        rejected=int(len(x) - used.sum()),
    )
