"""Toe of one wheel from distances between its rim and a string."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from knuckle.analysis.summary import COVERAGE, TERMS, coverage_factor
from knuckle.analysis.toe_request import ToeRequest, TouchReading
from knuckle.errors import MeasurementRefused
from knuckle.estimate.distributions import normal_quantile
from knuckle.estimate.linear import Lengths, LinearCalibration
from knuckle.geometry.toe import toe_deg
from knuckle.model.block import FloatArray
from knuckle.model.result import (
    BudgetTerm,
    Notice,
    Outcome,
    Place,
    PlacedTouch,
    Quantity,
    Result,
)

MM_PER_INCH: Final = 25.4
LARGEST_TOE_DEG: Final = 10.0
LEAST_FREEDOM: Final = 2
"""Repeats tell their own scatter from here on: two touches at each place."""
TOUCHES_APART: Final = 3.0
"""Scatter of the repeats, in touches' stated uncertainties, from which something moved."""
OUTSIDE_SHARE: Final = 0.1
_EDGE_MM: Final = 0.1


def analyse_toe(touches: Sequence[TouchReading], request: ToeRequest) -> Outcome:
    """Return the toe of one wheel with its budget. Never raises on readings.

    Parameters
    ----------
    touches : sequence of TouchReading
        In order; any number at each place.
    request : ToeRequest
    """
    lengths = _lengths(touches, request.calibration)
    placed = tuple(
        PlacedTouch(
            touch.place,
            touch.start_s,
            touch.end_s,
            touch.reading_mm,
            float(length),
            normal_quantile((1.0 + COVERAGE) / 2.0) * u,
        )
        for touch, length, u in zip(touches, lengths.length_mm, lengths.u_mm, strict=True)
    )
    try:
        result, details, notices = _measured(touches, lengths, request)
    except MeasurementRefused as refusal:
        why = " ".join(part for part in (refusal.what, refusal.cause, refusal.next_step) if part)
        return Outcome(
            "toe",
            request.wheel.value,
            {},
            refused=Notice(refusal.code, why),
            touches=placed,
        )
    return Outcome(
        "toe",
        request.wheel.value,
        {Quantity.TOE: result},
        warnings=tuple(notices),
        details=details,
        touches=placed,
    )


def pod_unknown() -> Notice:
    """Return what must be said where a calibration cannot be told to be this pod's."""
    return Notice(
        "LINEAR_POD_UNKNOWN",
        "Whether the linear calibration is of this pod cannot be told: one of them has no "
        "identity.",
    )


def _lengths(touches: Sequence[TouchReading], calibration: LinearCalibration | None) -> Lengths:
    reading = np.array([touch.reading_mm for touch in touches])
    step = np.array([touch.resolution_mm for touch in touches]) / math.sqrt(12.0)
    noise = np.hypot(np.array([touch.noise_mm for touch in touches]), step)
    if calibration is not None:
        return calibration.length(reading, noise)
    n = len(touches)
    return Lengths(reading, noise, np.zeros((n, 2)), np.zeros((2, 2)), np.ones(n, dtype=bool))


def _measured(
    touches: Sequence[TouchReading], lengths: Lengths, request: ToeRequest
) -> tuple[Result, dict[str, float | str], list[Notice]]:
    front = np.array([touch.place is Place.FRONT for touch in touches], dtype=bool)
    counts = int(front.sum()), int((~front).sum())
    if not all(counts):
        lacking = "front" if not counts[0] else "rear"
        raise MeasurementRefused(
            "TOUCH_MISSING",
            f"There is no length to the rim's {lacking}.",
            "It was not touched, or the sensor did not come to rest there.",
            "Hold the sensor still at both places until each is taken.",
        )
    notices = _range_notices(touches, request.calibration)
    weight = np.where(front, 1.0 / counts[0], -1.0 / counts[1])
    length_mm = lengths.length_mm
    front_mm, rear_mm = float(length_mm[front].mean()), float(length_mm[~front].mean())
    against_string = _toe(front_mm, rear_mm, request)
    value = against_string + request.string_deg.value
    if abs(value) > LARGEST_TOE_DEG:
        raise _impossible(front_mm, rear_mm, request)
    terms, scatter_mm = _budget(touches, lengths, weight, (front_mm, rear_mm), request)
    factor = coverage_factor(terms)
    combined = math.sqrt(sum(term.standard_uncertainty**2 for term in terms))
    result = Result(
        Quantity.TOE, value, factor * combined, factor, "deg", tuple(terms), _condition(request)
    )
    notices += _touch_notices(counts, scatter_mm, request)
    return result, _details(result, front_mm, rear_mm, scatter_mm, request), notices


def _toe(front_mm: float, rear_mm: float, request: ToeRequest, **changed: float) -> float:
    known = {
        "length_mm": request.length_mm.value,
        "height_mm": request.height_mm.value,
        "camber_deg": request.camber_deg.value,
        **changed,
    }
    try:
        return toe_deg(
            front_mm,
            rear_mm,
            known["length_mm"],
            along=request.along,
            height_mm=known["height_mm"],
            camber_deg=known["camber_deg"],
        )
    except ValueError as error:
        raise _impossible(front_mm, rear_mm, request) from error


def _budget(
    touches: Sequence[TouchReading],
    lengths: Lengths,
    weight: FloatArray,
    means_mm: tuple[float, float],
    request: ToeRequest,
) -> tuple[list[BudgetTerm], float | None]:
    """Return the terms, largest first, and the scatter of the repeats in mm."""
    front_mm, rear_mm = means_mm

    def slope(step: float, **known: tuple[float, float]) -> float:
        low, high = ({k: v[i] for k, v in known.items()} for i in (0, 1))
        return (
            _toe(front_mm, rear_mm, request, **high) - _toe(front_mm, rear_mm, request, **low)
        ) / step

    step = 1e-3
    per_mm = (_toe(front_mm + step, rear_mm, request) - _toe(front_mm - step, rear_mm, request)) / (
        2.0 * step
    )
    length = request.length_mm
    per_length = slope(2.0 * step, length_mm=(length.value - step, length.value + step))
    noise = np.array([touch.noise_mm for touch in touches])
    coarse = _coarse_mm(touches, weight)
    gain = 1.0 if request.calibration is None else request.calibration.gain
    noise_mm = abs(gain) * math.sqrt(float(np.sum((weight * noise) ** 2)) + coarse**2)
    common = weight @ lengths.shared
    bent = 0.0 if request.calibration is None else request.calibration.scatter_mm
    # The sensor's departure is fixed at each of the two places: repeats do not average it.
    linear_mm = math.sqrt(float(common @ lengths.shared_covariance @ common) + 2.0 * bent**2)
    linear_freedom = (
        math.inf if request.calibration is None else request.calibration.degrees_of_freedom
    )
    touch_mm, touch_freedom, scatter_mm = _touching(touches, lengths.length_mm, weight, request)
    rows = [
        ("noise", abs(per_mm) * noise_mm, math.inf),
        ("linear_calibration", abs(per_mm) * linear_mm, linear_freedom),
        ("touch", abs(per_mm) * touch_mm, touch_freedom),
        ("rim_length", abs(per_length) * length.standard_uncertainty, math.inf),
        ("height", _leaning_deg(abs(per_mm), request), math.inf),
        ("string", request.string_deg.standard_uncertainty, math.inf),
        # A swing of full width W, met at an unknown angle, is W cos(angle) between the two
        # opposite places: its root mean square is W over the root of 2.
        ("runout", abs(per_mm) * request.runout_mm / math.sqrt(2.0), math.inf),
    ]
    terms = [BudgetTerm(TERMS[name], name, u, freedom) for name, u, freedom in rows if u > 0.0]
    terms.sort(key=lambda term: -term.standard_uncertainty)
    return terms, scatter_mm


def _coarse_mm(touches: Sequence[TouchReading], weight: FloatArray) -> float:
    """Return what the steps of the reading leave: the same at one place however often."""
    step = np.array([touch.resolution_mm for touch in touches]) / math.sqrt(12.0)
    sides = [float(np.sum((weight * step)[weight * sign > 0.0])) for sign in (1.0, -1.0)]
    return math.hypot(*sides)


def _touching(
    touches: Sequence[TouchReading],
    length_mm: FloatArray,
    weight: FloatArray,
    request: ToeRequest,
) -> tuple[float, float, float | None]:
    """Return u of front minus rear by touching down, its freedom, the repeats' scatter."""
    spread = 0.0
    freedom = 0
    for sign in (1.0, -1.0):
        here = length_mm[weight * sign > 0.0]
        spread += float(np.sum((here - here.mean()) ** 2))
        freedom += len(here) - 1
    share = math.sqrt(float(np.sum(weight**2)))
    scatter_mm = math.sqrt(spread / freedom) if freedom else None
    typed = all(touch.start_s is None for touch in touches)
    if freedom < LEAST_FREEDOM or scatter_mm is None:
        return share * request.touch_mm, math.inf, scatter_mm
    # Repeats on the same few marks of a rule may agree by rounding alone.
    least = min(touch.noise_mm for touch in touches) if typed else 0.0
    return share * max(scatter_mm, least), float(freedom), scatter_mm


def _leaning_deg(per_mm: float, request: ToeRequest) -> float:
    """Uncertainty of height x tan(camber), the product of two uncertain factors included.

    To second order, GUM (JCGM 100:2008) 5.1.2, note.
    """
    height, camber = request.height_mm, request.camber_deg
    tangent = math.tan(math.radians(camber.value))
    u_tangent = math.radians(camber.standard_uncertainty) * (1.0 + tangent**2)
    u_height = height.standard_uncertainty
    return per_mm * math.sqrt(
        (tangent * u_height) ** 2 + (height.value * u_tangent) ** 2 + (u_height * u_tangent) ** 2
    )


def _range_notices(
    touches: Sequence[TouchReading], calibration: LinearCalibration | None
) -> list[Notice]:
    if calibration is None:
        return []
    if calibration.count == 0:
        return [
            Notice(
                "LINEAR_UNCALIBRATED",
                "The linear sensor is not calibrated: its usual tolerance stands in the budget.",
            )
        ]
    low, high = calibration.valid_mm
    outside_mm = max(max(low - t.reading_mm, t.reading_mm - high) for t in touches)
    if outside_mm <= _EDGE_MM:
        return []
    if outside_mm > OUTSIDE_SHARE * (high - low):
        raise MeasurementRefused(
            "LINEAR_FAR_OUTSIDE",
            f"A length lies {outside_mm:.1f} mm outside of where the linear sensor was calibrated.",
            "Nothing is known of the sensor there.",
            "Move the string, or calibrate again with known lengths on both sides of the readings.",
        )
    return [
        Notice(
            "LINEAR_OUTSIDE",
            f"A length lies {outside_mm:.1f} mm outside of where the linear sensor was calibrated; "
            "the line was drawn on.",
        )
    ]


def _touch_notices(
    counts: tuple[int, int], scatter_mm: float | None, request: ToeRequest
) -> list[Notice]:
    if sum(counts) - 2 < LEAST_FREEDOM:
        return [
            Notice(
                "FEW_TOUCHES",
                f"Touches at front and rear: {counts[0]} and {counts[1]}. How well they repeat "
                f"is not measured but assumed: {request.touch_mm:g} mm each.",
            )
        ]
    if scatter_mm is not None and scatter_mm > TOUCHES_APART * request.touch_mm:
        return [
            Notice(
                "TOUCHES_SCATTER",
                f"Repeated touches scatter by {scatter_mm:.2f} mm, more than {TOUCHES_APART:g} "
                f"times the usual {request.touch_mm:g} mm: the string, the wheel or the place of "
                "touching moved.",
            )
        ]
    return []


def _impossible(front_mm: float, rear_mm: float, request: ToeRequest) -> MeasurementRefused:
    return MeasurementRefused(
        "TOE_IMPOSSIBLE",
        f"Front {front_mm:.1f} mm and rear {rear_mm:.1f} mm over {request.length_mm.value:.0f} mm "
        f"is more than {LARGEST_TOE_DEG:.0f} deg of toe.",
        "A reading was not taken at the rim, or the wheels are steered, or the rim measuring "
        "length is wrong.",
        "Set the wheels straight ahead and measure again.",
    )


def _condition(request: ToeRequest) -> str:
    known = request.string_deg.value != 0.0
    return "against the car's line" if known else "against the string, taken as the car's line"


def _details(
    result: Result, front_mm: float, rear_mm: float, scatter_mm: float | None, request: ToeRequest
) -> dict[str, float | str]:
    radians = math.radians(result.value)
    over = request.length_mm.value
    toe_mm = over * (math.sin(radians) if request.along.value == "rim" else math.tan(radians))
    toe_u_mm = over * math.radians(result.expanded_uncertainty)
    details: dict[str, float | str] = {
        "toe_min": 60.0 * result.value,
        "toe_expanded_uncertainty_min": 60.0 * result.expanded_uncertainty,
        "toe_mm": toe_mm,
        "toe_expanded_uncertainty_mm": toe_u_mm,
        "toe_in": toe_mm / MM_PER_INCH,
        "toe_expanded_uncertainty_in": toe_u_mm / MM_PER_INCH,
        "over_mm": over,
        "front_mm": front_mm,
        "rear_mm": rear_mm,
    }
    if scatter_mm is not None:
        details["touch_scatter_mm"] = scatter_mm
    return details
