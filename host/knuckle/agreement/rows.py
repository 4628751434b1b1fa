"""The linear equations of a comparison: every reading one row, every error one unknown."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from knuckle.agreement.comparison import Comparison, PodReading
from knuckle.agreement.components import Pooled, within_groups
from knuckle.model.block import FloatArray

LEAST_U_DEG: Final = 1e-7
"""Readings that claim less would only spoil the condition of the equations."""


class Source(StrEnum):
    """Where an uncertainty comes from; the names are those of the JSON output."""

    POD = "pod_scatter"
    SEATING = "seating"
    READING = "reference_reading"
    RESOLUTION = "reference_resolution"
    ZERO = "reference_zero"
    SCALE = "reference_scale"


COMMON: Final = (Source.ZERO, Source.SCALE)
"""What no number of readings averages."""


@dataclass(frozen=True)
class Terms:
    """Which unknowns describe the pod's error.

    Attributes
    ----------
    order : int
        Of the polynomial over the range.
    hysteresis, drift : bool
    """

    order: int
    hysteresis: bool = False
    drift: bool = False


@dataclass(frozen=True)
class Rows:
    """Rows of a least-squares problem, less the standard uncertainties still unknown.

    Attributes
    ----------
    design : ndarray, shape (rows, unknowns)
    observed : ndarray, shape (rows,)
        deg.
    u_deg : ndarray, shape (rows,)
        Standard uncertainty of each row; zero where the pod's scatter goes.
    source : tuple of Source, length rows
    place : dict
        Name of an unknown to its column: "error 0" and up, "hysteresis", "drift", "zero",
        "scale".
    middle_deg, half_deg : float
        The polynomial runs in (angle - middle) / half.
    rounding_deg : ndarray, shape (rows,)
        What rounding adds to a row's own scatter where readings of the same value do not share
        it: a mark met from either side.
    """

    design: FloatArray
    observed: FloatArray
    u_deg: FloatArray
    source: tuple[Source, ...]
    place: dict[str, int]
    middle_deg: float
    half_deg: float
    rounding_deg: FloatArray


def merged(readings: tuple[PodReading, ...]) -> list[PodReading]:
    """Return one reading for each time the pod was put down: repeats there are averaged."""
    groups: dict[tuple[int, int, bool, int], list[PodReading]] = {}
    for reading in readings:
        key = (reading.setting, reading.seat, reading.turned, reading.direction)
        groups.setdefault(key, []).append(reading)
    return [
        PodReading(
            *(setting, float(np.mean([r.value_deg for r in group])), 0.0, seat, turned, direction),
            time_s=float(np.mean([r.time_s for r in group])),
        )
        for (setting, seat, turned, direction), group in groups.items()
    ]


def seating_scatter(readings: tuple[PodReading, ...]) -> Pooled | None:
    """Return the scatter of the pod put on anew at unchanged settings; None if it never was."""
    groups: dict[tuple[int, bool, int], list[float]] = {}
    for reading in merged(readings):
        key = (reading.setting, reading.turned, reading.direction)
        groups.setdefault(key, []).append(reading.value_deg)
    repeated = [group for group in groups.values() if len(group) > 1]
    return within_groups(repeated) if repeated else None


def seat_is_shared(readings: tuple[PodReading, ...]) -> bool:
    """Whether the pod stayed where it was while another angle was set."""
    return len({(r.setting, r.seat) for r in readings}) > len({r.seat for r in readings})


def rows_of(comparison: Comparison, terms: Terms) -> Rows:
    """Return the equations of all readings.

    Unknown are the true angle of each setting (nothing known beforehand), the pod's error as a
    polynomial of the angle, and, each with its stated standard uncertainty, the reference's
    zero, its scale, what readings of the same value share, and the seat where several settings
    share it.
    """
    build = _Build(comparison, terms)
    build.reference_rows()
    build.pod_rows()
    build.stated_rows()
    return build.rows()


class _Build:
    def __init__(self, comparison: Comparison, terms: Terms) -> None:
        self.reference = comparison.reference
        self.comparison, self.terms = comparison, terms
        self.angles = comparison.setting_deg()
        self.readings = merged(comparison.pod_readings)
        stood = [self.stood(reading) for reading in self.readings]
        self.middle = (max(stood) + min(stood)) / 2.0
        self.half = max((max(stood) - min(stood)) / 2.0, 1e-6)
        self.middle_time = float(np.mean([reading.time_s for reading in self.readings]))
        self.place: dict[str, int] = {}
        self.entries: list[tuple[dict[str, float], float, float, Source]] = []
        self.stated: dict[str, tuple[float, Source]] = {}
        self.rounding: dict[int, float] = {}

    def stood(self, reading: PodReading) -> float:
        return (-1.0 if reading.turned else 1.0) * self.angles[reading.setting]

    def reference_rows(self) -> None:
        for reading in self.comparison.reference_readings:
            sign = -1.0 if reading.turned else 1.0
            base = sign * self.angles[reading.setting]
            row = {f"angle {reading.setting}": sign}
            self._with_stated(row, "zero", 1.0, self.reference.zero_deg, Source.ZERO)
            self._with_stated(row, "scale", base, self.reference.scale, Source.SCALE)
            shared = reading.shared_u_deg
            if shared is None:
                shared = self.reference.resolution_u_deg
            name = f"shared {reading.value_deg:.6f} {reading.turned}"
            self._with_stated(row, name, 1.0, shared, Source.RESOLUTION)
            u = max(self.reference.reading_deg, LEAST_U_DEG)
            self.rounding[len(self.entries)] = shared if reading.shared_u_deg is None else 0.0
            self.entries.append((row, reading.value_deg - base, u, Source.READING))

    def _with_stated(
        self, row: dict[str, float], name: str, slope: float, u: float, source: Source
    ) -> None:
        if u > 0.0:
            row[name] = slope
            self.stated[name] = (max(u, self.stated.get(name, (0.0, source))[0]), source)

    def pod_rows(self) -> None:
        seats = seating_scatter(self.comparison.pod_readings)
        shared = seat_is_shared(self.comparison.pod_readings)
        for reading in self.readings:
            sign = -1.0 if reading.turned else 1.0
            stood = self.stood(reading)
            row = {f"angle {reading.setting}": sign}
            scaled = (stood - self.middle) / self.half
            row |= {f"error {power}": scaled**power for power in range(self.terms.order + 1)}
            if self.terms.hysteresis:
                row["hysteresis"] = 0.5 * sign * reading.direction
            if self.terms.drift:
                row["drift"] = (reading.time_s - self.middle_time) / 3600.0
            if shared and seats is not None:
                name = f"seat {reading.seat}"
                self._with_stated(row, name, 1.0, seats.sd, Source.SEATING)
            self.entries.append((row, reading.value_deg - stood, 0.0, Source.POD))

    def stated_rows(self) -> None:
        for name, (u, source) in self.stated.items():
            self.entries.append(({name: 1.0}, 0.0, u, source))

    def rows(self) -> Rows:
        for row, *_ in self.entries:
            for name in row:
                self.place.setdefault(name, len(self.place))
        design = np.zeros((len(self.entries), len(self.place)))
        for index, (row, *_) in enumerate(self.entries):
            for name, slope in row.items():
                design[index, self.place[name]] = slope
        return Rows(
            design,
            np.array([observed for _, observed, _, _ in self.entries]),
            np.array([u for _, _, u, _ in self.entries]),
            tuple(source for *_, source in self.entries),
            self.place,
            self.middle,
            self.half,
            np.array([self.rounding.get(index, 0.0) for index in range(len(self.entries))]),
        )
