"""Camber and toe at several heights of a wheel against the body: from readings to curves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from knuckle.alignment.travel import Curve, Station, curve_of, mm_per_mm, station_of
from knuckle.analysis.toe import analyse_toe
from knuckle.analysis.toe_request import RIM_LENGTH_U_MM, TYPED_U_MM, ToeRequest, TouchReading
from knuckle.errors import MeasurementRefused
from knuckle.estimate.linear import LinearCalibration
from knuckle.estimate.priors import Given
from knuckle.model.linear import LinearBlock
from knuckle.model.result import Notice, Outcome, Place, PlacedRest, Quantity, Result
from knuckle.model.wheel import Wheel

HOW: Final = "curve through travel 1"
"""Names the way of computing in the store."""
STATIONS: Final = "stations"
"""The name of the fact that holds the readings."""
HEIGHT_U_MM: Final = 1.0
"""Of a height by a steel rule, one sigma; common practice, no source."""
CAMBER_U_DEG: Final = 0.1
"""Of a typed camber, its own part, one sigma: a gauge that stays on the wheel; no source."""


@dataclass(frozen=True)
class Stop:
    """What was read at one height.

    Attributes
    ----------
    height_mm : Given
        Of the wheel against the body, up positive, from ride height.
    camber_deg : Given or None
        Its standard uncertainty is this reading's own part.
    shared_camber_u_deg : float
        That all readings share: mount, zero, pads.
    camber_run : int or None
        The run by the pod that it comes from.
    distances_mm : tuple of float
        To the string, front and rear in turn; empty where toe was not read.
    typed_u_mm : float
        Of each distance.
    """

    height_mm: Given
    camber_deg: Given | None = None
    shared_camber_u_deg: float = 0.0
    camber_run: int | None = None
    distances_mm: tuple[float, ...] = ()
    typed_u_mm: float = TYPED_U_MM

    def to_fact(self) -> dict[str, Any]:
        """Return it as a run keeps it."""
        camber = self.camber_deg
        return {
            "height_mm": self.height_mm.value,
            "height_u_mm": self.height_mm.standard_uncertainty,
            "camber_deg": None if camber is None else camber.value,
            "camber_u_deg": None if camber is None else camber.standard_uncertainty,
            "shared_camber_u_deg": self.shared_camber_u_deg,
            "camber_run": self.camber_run,
            "distances_mm": list(self.distances_mm),
            "typed_u_mm": self.typed_u_mm,
        }


def stops_in(facts: Mapping[str, Any]) -> list[Stop]:
    """Return the readings that a run keeps."""
    return [
        Stop(
            Given(row["height_mm"], row["height_u_mm"]),
            None if row["camber_deg"] is None else Given(row["camber_deg"], row["camber_u_deg"]),
            row["shared_camber_u_deg"],
            row["camber_run"],
            tuple(row["distances_mm"]),
            row["typed_u_mm"],
        )
        for row in facts.get(STATIONS, ())
    ]


def by_pod(height_mm: Given, camber: Result, run: int) -> Stop:
    """Return a reading of camber by the pod at a height."""
    station, shared = station_of(height_mm, camber)
    return Stop(height_mm, Given(station.value_deg, station.value_u_deg), shared, run)


def length_at_rest(linear: LinearBlock, rest: PlacedRest, calibration: LinearCalibration) -> Given:
    """Return the length that the linear sensor showed while the wheel stood still.

    Its uncertainty is that of one place against another: the line's scatter and the noise.

    Raises
    ------
    MeasurementRefused
        NO_HEIGHT: it sent nothing meanwhile.
    """
    during = (linear.t_s >= rest.start_s) & (linear.t_s <= rest.end_s)
    read = linear.linear_mm[during, calibration.channel - 1]
    read = read[np.isfinite(read)]
    if not read.size:
        raise MeasurementRefused(
            "NO_HEIGHT",
            "The linear sensor sent nothing while the wheel stood still.",
            "It is away, or its wire is off.",
            "Look at it with `knuckle watch`, or type the height.",
        )
    # Neighbours are alike: the mean is no better than one step in sqrt(12).
    noise = float(np.std(read)) / np.sqrt(read.size) if read.size > 1 else 0.0
    found = calibration.length(np.array([read.mean()]), noise)
    return Given(float(found.length_mm[0]), float(found.own_u_mm[0]))


def travel_outcome(wheel: Wheel, stops: Sequence[Stop], rim_mm: float | None) -> Outcome:
    """Return camber gain and bump steer at ride height, with the curves in the details.

    Parameters
    ----------
    wheel : Wheel
    stops : sequence of Stop
    rim_mm : float or None
        Between the touches; needed where distances were read.
    """
    results: dict[Quantity, Result] = {}
    details: dict[str, float | str] = {}
    refusals: list[MeasurementRefused] = []
    warnings: list[Notice] = []
    for quantity, stations, shared in _curves_wanted(wheel, stops, rim_mm):
        try:
            curve = curve_of(quantity, stations, shared_u_deg=shared)
        except MeasurementRefused as refusal:
            refusals.append(refusal)
            continue
        slope = curve.slope_at(0.0)
        results[slope.quantity] = slope
        details |= curve_details(curve)
        warnings += _warnings(curve)
        if quantity is Quantity.TOE and rim_mm is not None:
            details["bump_steer_mm_per_mm"] = mm_per_mm(slope, rim_mm)
            details["rim_mm"] = rim_mm
    if results:
        warnings += [Notice(each.code, str(each)) for each in refusals]
        return Outcome("travel", wheel.value, results, warnings=tuple(warnings), details=details)
    if not refusals:
        refusals = [MeasurementRefused("TRAVEL_TOO_FEW", "Nothing was read yet.")]
    refused = Notice(refusals[0].code, str(refusals[0]))
    return Outcome("travel", wheel.value, {}, refused=refused)


def stations_of(
    wheel: Wheel, stops: Sequence[Stop], rim_mm: float | None
) -> dict[Quantity, tuple[list[Station], float]]:
    """Return what the curves go through: stations of camber and of toe, and what they share."""
    return {q: (stations, shared) for q, stations, shared in _curves_wanted(wheel, stops, rim_mm)}


def _curves_wanted(
    wheel: Wheel, stops: Sequence[Stop], rim_mm: float | None
) -> list[tuple[Quantity, list[Station], float]]:
    found = []
    cambers = [
        Station(
            stop.height_mm.value,
            stop.camber_deg.value,
            stop.height_mm.standard_uncertainty,
            stop.camber_deg.standard_uncertainty,
        )
        for stop in stops
        if stop.camber_deg is not None
    ]
    if cambers:
        found.append((Quantity.CAMBER, cambers, max(s.shared_camber_u_deg for s in stops)))
    toes, shared = [], 0.0
    for stop in stops:
        if stop.distances_mm and rim_mm is not None:
            toe = toe_at(wheel, stop, rim_mm)
            if toe is not None:
                station, shared = station_of(stop.height_mm, toe)
                toes.append(station)
    if toes:
        found.append((Quantity.TOE, toes, shared))
    return found


def toe_at(wheel: Wheel, stop: Stop, rim_mm: float) -> Result | None:
    """Return toe at one stop, from distances to the string; None where they do not tell it."""
    places = (Place.FRONT, Place.REAR)
    touches = [
        TouchReading(places[i % 2], mm, stop.typed_u_mm) for i, mm in enumerate(stop.distances_mm)
    ]
    request = ToeRequest(wheel, Given(rim_mm, RIM_LENGTH_U_MM))
    return analyse_toe(touches, request).results.get(Quantity.TOE)


def curve_details(curve: Curve) -> dict[str, float | str]:
    """Return a curve as details of an outcome keep it."""
    name = curve.quantity.value
    return {
        f"{name}_order": float(curve.order),
        **{f"{name}_c{k}": float(c) for k, c in enumerate(curve.coefficients)},
        f"{name}_low_mm": curve.low_mm,
        f"{name}_high_mm": curve.high_mm,
        f"{name}_chi_squared": curve.chi_squared,
        f"{name}_degrees_of_freedom": float(curve.degrees_of_freedom),
        f"{name}_widened": curve.widened,
        f"{name}_shared_u_deg": curve.shared_u_deg,
    }


def _warnings(curve: Curve) -> list[Notice]:
    found = []
    name = curve.quantity.value
    if curve.degrees_of_freedom == 0:
        found.append(
            Notice(
                "TRAVEL_UNCHECKED",
                f"As many heights as the curve of {name} has terms: nothing checks it. Read at one "
                "more height.",
            )
        )
    if curve.widened > 1.0:
        found.append(
            Notice(
                "TRAVEL_SCATTER",
                f"Readings of {name} scatter {curve.widened:.1f} times more than their own "
                "uncertainty: it was widened. Settle the wheel before each reading.",
            )
        )
    if not curve.low_mm <= 0.0 <= curve.high_mm:
        found.append(
            Notice(
                "RIDE_HEIGHT_OUTSIDE",
                f"Ride height lies outside the heights read, {curve.low_mm:.0f} to "
                f"{curve.high_mm:.0f} mm: what is said of it is beyond the readings.",
            )
        )
    return found
