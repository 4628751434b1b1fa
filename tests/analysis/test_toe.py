"""Toe and its budget: a worked example by hand, GTC as oracle, coverage over drawn cars."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import GTC
import numpy as np
import pytest
from scipy.stats import t

from knuckle.analysis.toe import analyse_toe
from knuckle.analysis.toe_request import ToeRequest, TouchReading
from knuckle.estimate.linear import LinearCalibration
from knuckle.estimate.linear_fit import KnownLength, caliper_as_sold, fit_line
from knuckle.estimate.priors import Given
from knuckle.geometry.toe import Along, toe_deg
from knuckle.model.result import Place, Quantity, Result
from knuckle.model.wheel import Wheel

FRONT, REAR = Place.FRONT, Place.REAR


def touches_of(
    front: Sequence[float], rear: Sequence[float], noise_mm: float = 0.01, step_mm: float = 0.01
) -> list[TouchReading]:
    rows = [(FRONT, x) for x in front] + [(REAR, x) for x in rear]
    return [
        TouchReading(place, x, noise_mm, step_mm, 4.0 * i, 4.0 * i + 2.0)
        for i, (place, x) in enumerate(rows)
    ]


def request_of(**changes: object) -> ToeRequest:
    plain = ToeRequest(Wheel.LF, Given(430.0, 1.0), calibration=caliper_as_sold(1))
    return replace(plain, **changes)  # type: ignore[arg-type]  # named by each test


def toe_of(touches: list[TouchReading], request: ToeRequest) -> Result:
    outcome = analyse_toe(touches, request)
    assert outcome.refused is None, outcome.refused
    return outcome.results[Quantity.TOE]


def term(result: Result, source: str) -> float:
    return next(row.standard_uncertainty for row in result.budget if row.source == source)


def test_the_worked_example_of_the_document() -> None:
    """docs/measurement.md, section 9, computed by hand there; nothing of the program's is used.

    Front 62.31, 62.40, 62.34 and rear 60.80, 60.92, 60.86 mm over 430 mm with a caliper.
    """
    touches = touches_of([62.31, 62.40, 62.34], [60.80, 60.92, 60.86], 1e-4)
    outcome = analyse_toe(touches, request_of())
    result = outcome.results[Quantity.TOE]
    # d = 62.35 - 60.86 = 1.49 mm; asin(1.49 / 430) = 0.198537 deg = 11.9122 minutes.
    assert result.value == pytest.approx(0.198537, abs=1e-6)
    assert outcome.details["toe_min"] == pytest.approx(11.9122, abs=1e-4)
    assert outcome.details["toe_mm"] == pytest.approx(1.49, abs=1e-9)
    assert outcome.details["toe_in"] == pytest.approx(0.058661, abs=1e-6)
    # One millimetre of difference is 1/430 rad = 0.133248 deg.
    per_mm = 0.133248
    # Scatter: squares about the means 0.0042 and 0.0072 mm2, 4 left: s = 0.053385 mm.
    assert outcome.details["touch_scatter_mm"] == pytest.approx(0.053385, abs=1e-6)
    assert term(result, "touch") == pytest.approx(
        per_mm * 0.053385 * math.sqrt(2.0 / 3.0), rel=1e-4
    )
    # Caliper: 0.02 mm either way at each place; its count of 0.01 mm likewise.
    assert term(result, "linear_calibration") == pytest.approx(
        per_mm * 0.02 * math.sqrt(2.0 / 3.0), rel=1e-4
    )
    assert term(result, "noise") == pytest.approx(
        per_mm * 0.01 / math.sqrt(12.0) * math.sqrt(2.0), rel=1e-3
    )
    # Runout 0.5 mm over the root of 2; string 0.03 deg; length 1 mm in 430 of 0.1985 deg.
    assert term(result, "runout") == pytest.approx(per_mm * 0.353553, rel=1e-4)
    assert term(result, "string") == 0.03
    assert term(result, "rim_length") == pytest.approx(0.198537 / 430.0, rel=1e-3)
    # Height 2 mm at a lean of 1.5 deg: 2 x 0.026180 = 0.052360 mm.
    assert term(result, "height") == pytest.approx(per_mm * 0.052360, rel=1e-4)
    # Together 0.05660 deg (3.4 minutes), k 1.96, U 0.111 deg.
    assert result.standard_uncertainty == pytest.approx(0.05660, abs=5e-5)
    assert result.expanded_uncertainty == pytest.approx(0.111, abs=5e-4)
    assert result.dominant.source == "runout"


def test_the_budget_against_gtc() -> None:
    """Every first-order term by GTC's own propagation, readings and calibration correlated."""
    points = [(20.0, 19.1), (40.0, 38.9), (60.0, 58.4), (80.0, 78.3), (95.0, 92.9)]
    fit = fit_line([KnownLength(y, 0.03, x, 0.01) for y, x in points]).calibration
    request = request_of(
        calibration=fit,
        height_mm=Given(8.0, 0.0),
        camber_deg=Given(-3.0, 0.2),
        string_deg=Given(0.05, 0.02),
        runout_mm=0.3,
    )
    front, rear = [62.31, 62.62, 62.44], [30.80, 30.92, 30.99]
    result = toe_of(
        touches_of(front, rear, 0.02, 0.1), replace(request, length_mm=Given(600.0, 1.5))
    )
    gain, offset = GTC.multiple_ureal(
        [fit.gain, fit.offset_mm], np.sqrt(np.diag(fit.covariance)).tolist(), 3
    )
    r = fit.covariance[0, 1] / math.sqrt(fit.covariance[0, 0] * fit.covariance[1, 1])
    GTC.set_correlation(float(r), gain, offset)

    def place(readings: list[float]) -> object:
        mean = sum(readings) / 3.0
        noise = GTC.ureal(mean, 0.02 / math.sqrt(3.0))
        coarse = GTC.ureal(0.0, 0.1 / math.sqrt(12.0))
        return gain * (noise + coarse) + offset + GTC.ureal(0.0, fit.scatter_mm)

    lengths = [fit.gain * (np.array(x)) for x in (front, rear)]
    scatter = math.sqrt(sum(float(np.sum((x - x.mean()) ** 2)) for x in lengths) / 4.0)
    touch = GTC.ureal(0.0, scatter * math.sqrt(2.0 / 3.0), 4)
    runout = GTC.ureal(0.0, 0.3 / math.sqrt(2.0))
    d = place(front) - place(rear) + touch + runout  # type: ignore[operator]  # untyped library
    length = GTC.ureal(600.0, 1.5)
    lean = 8.0 * GTC.tan(GTC.ureal(math.radians(-3.0), math.radians(0.2)))
    level = GTC.sqrt(length**2 - 64.0)
    toe = (GTC.asin(d / level) + GTC.asin(lean / level)) * (180.0 / math.pi)
    toe = toe + GTC.ureal(0.05, 0.02)
    assert result.value == pytest.approx(toe.x, rel=1e-10)
    assert result.standard_uncertainty == pytest.approx(toe.u, rel=1e-4)
    together = math.sqrt(sum(row.standard_uncertainty**2 for row in result.budget))
    assert together == pytest.approx(result.standard_uncertainty, rel=1e-12)


def test_gain_matters_and_offset_cancels() -> None:
    def with_covariance(gain_u: float, offset_u: float, r: float) -> float:
        shared = gain_u * offset_u * r
        found = LinearCalibration(
            1, 1.0, -2.0, np.array([[gain_u**2, shared], [shared, offset_u**2]]), 0.0, 9, (0, 100)
        )
        return term(
            toe_of(touches_of([62.0, 62.1], [57.0, 57.1]), request_of(calibration=found)),
            "linear_calibration",
        )

    per_mm = math.degrees(1.0 / math.sqrt(430.0**2 - 25.0))
    assert with_covariance(0.01, 0.0, 0.0) == pytest.approx(5.0 * 0.01 * per_mm, rel=1e-6)
    assert with_covariance(0.01, 3.0, -0.9) == pytest.approx(5.0 * 0.01 * per_mm, rel=1e-6)


def test_student_where_repeats_tell() -> None:
    quiet = request_of(
        runout_mm=0.0,
        string_deg=Given(0.0, 0.0),
        camber_deg=Given(0.0, 0.0),
        length_mm=Given(430.0, 0.0),
        calibration=LinearCalibration(1, 1.0, 0.0, np.zeros((2, 2)), 0.0, 9, (0.0, 99.0)),
    )
    touches = touches_of([62.0, 62.4], [60.0, 60.4], 0.0, 0.0)
    assert toe_of(touches, quiet).coverage_factor == pytest.approx(t.ppf(0.975, 2), rel=1e-9)
    single = toe_of(touches_of([62.0], [60.0], 0.0, 0.0), quiet)
    assert single.coverage_factor == pytest.approx(1.959964, abs=1e-6)
    assert term(single, "touch") == pytest.approx(math.degrees(0.2 * math.sqrt(2.0) / 430.0), 1e-4)


@pytest.mark.parametrize("repeats", [1, 3])
def test_95_percent_intervals_cover_drawn_cars(repeats: int) -> None:
    """2000 cars drawn from the stated priors, sensor and calibration anew for each."""
    random = np.random.default_rng(17 + repeats)
    inside = 0
    for _ in range(2000):
        toe, camber = random.normal(0.0, 0.5), random.normal(0.0, 1.5)
        height, length = random.normal(0.0, 2.0), 430.0
        string = random.normal(0.0, 0.03)
        gain, offset = 1.0 + 0.02 * random.standard_normal(), random.normal(0.0, 2.0)

        def read(true_mm: float, gain: float = gain, offset: float = offset) -> float:
            return (true_mm + random.normal(0.0, 0.06) - offset) / gain

        known = [20.0, 40.0, 60.0, 80.0, 100.0]
        points = [KnownLength(x + random.normal(0.0, 0.02), 0.02, read(x), 0.003) for x in known]
        found = fit_line(points).calibration
        level = math.sqrt(length**2 - height**2)
        lean = height * math.tan(math.radians(camber))
        d = level * math.sin(math.radians(toe - string) - math.asin(lean / level))
        d += 0.5 * math.cos(random.uniform(0.0, 2.0 * math.pi))
        middle = random.uniform(45.0, 75.0)
        touches = []
        for place, true_mm in ((FRONT, middle + d / 2.0), (REAR, middle - d / 2.0)):
            bent = read(true_mm)
            for _ in range(repeats):
                seen = bent + random.normal(0.0, 0.2) / gain + random.normal(0.0, 0.01)
                touches.append(TouchReading(place, seen, 0.01, 0.01, 0.0, 1.0))
        request = request_of(
            calibration=found, length_mm=Given(length + random.normal(0.0, 1.0), 1.0)
        )
        result = toe_of(touches, request)
        inside += abs(result.value - toe) <= result.expanded_uncertainty
    assert 0.93 <= inside / 2000 <= 0.97


@pytest.mark.parametrize("wheel", list(Wheel))
def test_toe_in_is_positive_on_every_wheel(wheel: Wheel) -> None:
    touches = touches_of([62.0], [60.0])
    assert toe_of(touches, request_of(wheel=wheel)).value > 0.0


def test_along_the_string_is_a_tangent() -> None:
    touches = touches_of([70.0], [50.0])
    rim, string = (toe_of(touches, request_of(along=along)).value for along in Along)
    assert rim == pytest.approx(math.degrees(math.asin(20.0 / 430.0)), rel=1e-12)
    assert string == pytest.approx(math.degrees(math.atan(20.0 / 430.0)), rel=1e-12)


def test_typed_distances_need_no_calibration() -> None:
    touches = [TouchReading(FRONT, 62.0, 0.3), TouchReading(REAR, 60.0, 0.3)]
    result = toe_of(touches, request_of(calibration=None))
    assert result.value == pytest.approx(toe_deg(62.0, 60.0, 430.0), rel=1e-12)
    assert not any(row.source == "linear_calibration" for row in result.budget)
    assert term(result, "noise") == pytest.approx(math.degrees(0.3 * math.sqrt(2.0) / 430.0), 1e-4)


def codes(touches: list[TouchReading], request: ToeRequest) -> list[str]:
    outcome = analyse_toe(touches, request)
    if outcome.refused is not None:
        assert outcome.results == {}
        assert len(outcome.touches) == len(touches)
        return [outcome.refused.code]
    return [warning.code for warning in outcome.warnings]


def test_what_must_be_said() -> None:
    line = fit_line([KnownLength(x, 0.02, x, 0.003) for x in (40.0, 50.0, 60.0, 70.0)]).calibration
    made = request_of(calibration=line)
    good = touches_of([62.0, 62.1], [60.0, 60.1])
    assert codes(good, made) == []
    assert codes(good, request_of()) == ["LINEAR_UNCALIBRATED"]
    assert codes(good[:1], made) == ["TOUCH_MISSING"]
    assert codes(good[2:], made) == ["TOUCH_MISSING"]
    assert codes(good[:3], made) == ["FEW_TOUCHES"]
    assert codes(touches_of([62.0, 63.9], [60.0, 60.1]), made) == ["TOUCHES_SCATTER"]
    assert codes(touches_of([71.0, 71.1], [70.0, 70.1]), made) == ["LINEAR_OUTSIDE"]
    assert codes(touches_of([75.0, 75.1], [70.0, 70.1]), made) == ["LINEAR_FAR_OUTSIDE"]
    assert codes(touches_of([70.0], [40.0]), replace(made, length_mm=Given(60.0, 1.0))) == [
        "TOE_IMPOSSIBLE"
    ]
    assert codes(touches_of([70.0], [40.0]), replace(made, length_mm=Given(20.0, 1.0))) == [
        "TOE_IMPOSSIBLE"
    ]
    assert codes([], made) == ["TOUCH_MISSING"]
