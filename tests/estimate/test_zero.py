"""The zero of a reversal in the measurements after it: by hand, on paper."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from benchmarks.spin import EXACT, rest_of
from knuckle.analysis.camber import analyse_camber
from knuckle.analysis.request import Request
from knuckle.estimate.data_sheets import MPU6050_ACCELEROMETER
from knuckle.estimate.priors import AccelerometerPrior, Priors
from knuckle.estimate.sensor import accel_matrix
from knuckle.estimate.zero import FoundZero
from knuckle.model.result import Quantity, Result
from knuckle.model.wheel import Wheel
from knuckle.run.zeros import KeptZero, zero_in

FOUND = FoundZero(2, 1, 0.03, 0.0003, 3.0, 0.05, 20.0, np.eye(3))
KEPT = KeptZero(7, "ab" * 8, "-Z (base)", "2026-01-01T00:00:00+00:00", FOUND)
PRIORS = Priors(
    accelerometer=AccelerometerPrior.data_sheet(),
    mount_tilt_deg=1e-6,
    mount_yaw_deg=1e-6,
    pads_across=EXACT,
    pads_along=EXACT,
)


def camber(priors: Priors, reading_y_g: float) -> Result:
    reading = np.array([0.0, reading_y_g, math.sqrt(1.0 - reading_y_g**2)])
    rest = rest_of(np.random.default_rng(1), reading, 0.0)
    found = analyse_camber([replace(rest, accel_g=reading)], Request(Wheel.LF, priors))
    return found.results[Quantity.CAMBER]


def test_what_the_pod_read_on_its_base_is_an_upright_wheel() -> None:
    """Squareness 0.05 deg and 0.3 mg (0.017 deg) remain of 4.1 deg by the data sheet."""
    without = camber(PRIORS, 0.03)
    by_it = camber(FOUND.on(PRIORS, MPU6050_ACCELEROMETER, 0.0), 0.03)
    assert without.value == pytest.approx(-math.degrees(math.asin(0.03)), abs=0.01)
    assert without.standard_uncertainty > 3.0
    assert by_it.value == pytest.approx(0.0, abs=0.01)
    terms = {term.source: term for term in by_it.budget}
    assert terms["squareness"].standard_uncertainty == pytest.approx(0.05, rel=0.02)
    assert terms["reversal"].standard_uncertainty == pytest.approx(math.degrees(0.0003), rel=0.05)
    assert terms["reversal"].degrees_of_freedom == 3.0
    assert by_it.standard_uncertainty < 0.07


def test_a_pod_that_has_warmed_since_keeps_the_drift_as_a_term() -> None:
    """0.449 mg a degree on Y (35 mg over 45 C, a rectangle): 10 C are 0.257 deg."""
    warm = camber(FOUND.on(PRIORS, MPU6050_ACCELEROMETER, 10.0), 0.03)
    terms = {term.source: term.standard_uncertainty for term in warm.budget}
    assert terms["temperature"] == pytest.approx(
        math.degrees(10.0 * 35e-3 / 45.0 / math.sqrt(3.0)), rel=0.02
    )


def test_a_zero_says_nothing_new_to_a_pod_whose_calibration_knows_better() -> None:
    """Two statements of one zero, weighed by their variances."""
    known = replace(PRIORS, accelerometer=AccelerometerPrior.independent(1.0, 0, 0, 0, True))
    zero = replace(FOUND, value_g=0.004, standard_uncertainty_g=1e-6, square_deg=0.2)
    found = camber(zero.on(known, MPU6050_ACCELEROMETER, 0.0), 0.0)
    own, square = math.degrees(0.001), 0.2
    weight = own**2 / (own**2 + square**2)
    assert found.value == pytest.approx(weight * math.degrees(math.asin(0.004)), rel=0.02)


@pytest.mark.parametrize(("up", "sign"), [(0, 1), (0, -1), (2, 1), (2, -1)])
def test_the_row_is_what_each_error_adds_to_the_reading(up: int, sign: int) -> None:
    errors = 1e-3 * np.random.default_rng(up + sign + 2).standard_normal(18)
    force = np.zeros(3)
    force[up] = sign
    read = (accel_matrix(errors) @ force + errors[:3] + errors[15:] * (force**2 - 0.6))[1]
    assert replace(FOUND, up=up, sign=sign).row @ errors == pytest.approx(read, rel=1e-12)


def test_it_goes_through_json_and_facts_to_the_last_digit() -> None:
    again = zero_in({"zero": json.dumps(KEPT.to_fact())})
    assert again is not None
    assert again.zero.to_json() == FOUND.to_json()
    assert (again.run, again.identity, again.face) == (KEPT.run, KEPT.identity, KEPT.face)
    assert zero_in({"zero": "no zero"}) is None
    assert zero_in({"zero": {"run": 1}}) is None


@pytest.mark.parametrize(
    "wrong",
    [
        {"version": 2},
        {"up": 1},
        {"sign": 0},
        {"value_g": float("nan")},
        {"standard_uncertainty_g": 0.0},
        {"matrix": [[1.0]]},
        {"temp_c": []},
    ],
)
def test_damaged_data_are_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r".+"):
        FoundZero.from_json({**FOUND.to_json(), **wrong})


@pytest.mark.parametrize(
    ("year", "matrix", "code"),
    [
        (2026, None, "ZERO_USED"),
        (2028, None, "ZERO_OLD"),
        (2026, np.eye(3) * 1.001, "ZERO_OTHER_CALIBRATION"),
    ],
)
def test_an_old_zero_or_one_of_another_calibration_is_not_used(
    year: int, matrix: np.ndarray | None, code: str
) -> None:
    at = datetime(year, 2, 1, tzinfo=UTC)
    priors, notice = KEPT.applied(
        PRIORS, MPU6050_ACCELEROMETER, temp_c=20.0, at=at, corrected_by=matrix
    )
    assert notice.code == code
    assert (priors.accelerometer.zero is not None) == (code == "ZERO_USED")
