"""Reversals on paper: plain vector arithmetic, sharing no code with the package."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from benchmarks.reversal import coverage, no_samples
from benchmarks.spin import rest_of
from knuckle.analysis.request import Request
from knuckle.analysis.reversal import analyse_reversal
from knuckle.errors import MeasurementRefused
from knuckle.estimate.priors import AccelerometerPrior, Given, Priors
from knuckle.model.rest import Rest
from knuckle.model.result import Outcome, Quantity
from knuckle.model.wheel import Wheel

REQUEST = Request(Wheel.LF, Priors())


def laid(
    slopes_deg: tuple[float, float],
    zeros_deg: tuple[float, float],
    count: int = 2,
    axes: tuple[int, int, int] = (0, 1, 2),
    sign: float = 1.0,
) -> list[Rest]:
    """Return placings, every other one turned; the last of `axes` is up."""
    rng = np.random.default_rng(1)
    rests = []
    for number in range(count):
        level = np.radians(zeros_deg) + (-1.0) ** number * np.radians(slopes_deg)
        reading = np.zeros(3)
        reading[list(axes[:2])] = np.sin(level)
        reading[axes[2]] = sign * math.sqrt(1.0 - reading @ reading)
        rests.append(rest_of(rng, reading, 5.0 * number))
    return rests


def analysed(rests: list[Rest], request: Request = REQUEST) -> Outcome:
    return analyse_reversal(no_samples(), rests, request)


def test_half_the_sum_is_the_zero_and_half_the_difference_the_slope() -> None:
    found = analysed(laid((0.9, -0.4), (0.3, -0.2))).results
    expected = {
        Quantity.ZERO_X: 0.3,
        Quantity.ZERO_Y: -0.2,
        Quantity.SLOPE_X: 0.9,
        Quantity.SLOPE_Y: -0.4,
        Quantity.CAMBER_ZERO: 0.2,
    }
    assert set(found) == set(expected)
    for quantity, value in expected.items():
        assert found[quantity].value == pytest.approx(value, abs=0.01)
        assert 0.0 < found[quantity].expanded_uncertainty < 0.6


def test_the_base_zeroes_camber_up_to_its_squareness() -> None:
    outcome = analysed(laid((0.5, 0.5), (0.0, 0.0)))
    assert outcome.details["face"] == "-Z (base)"
    result = outcome.results[Quantity.CAMBER_ZERO]
    assert result.dominant.source == "squareness"
    assert result.dominant.standard_uncertainty == pytest.approx(0.2, rel=1e-3)
    exact = Request(Wheel.LF, Priors(), squareness=Given(0.0, 0.01))
    sharp = analysed(laid((0.5, 0.5), (0.0, 0.0)), exact).results[Quantity.CAMBER_ZERO]
    assert sharp.expanded_uncertainty < 0.08


def test_another_face_carries_the_cross_axis_terms() -> None:
    """On an end the zero along Y holds M_yx; camber needs M_yz: both 2 % by the data sheet."""
    priors = Priors(accelerometer=AccelerometerPrior.data_sheet())
    outcome = analysed(laid((0.2, 0.1), (0.0, 0.0), axes=(1, 2, 0)), Request(Wheel.LF, priors))
    assert outcome.details["face"] == "-X"
    result = outcome.results[Quantity.CAMBER_ZERO]
    terms = {term.source: term.standard_uncertainty for term in result.budget}
    assert terms["calibration"] == pytest.approx(math.degrees(0.02 * math.sqrt(2.0)), rel=0.05)
    # 1.5 deg of turn about X and about Z.
    assert terms["chip_turn"] == pytest.approx(1.5 * math.sqrt(2.0), rel=0.05)


def test_the_mounting_face_zeroes_no_camber() -> None:
    outcome = analysed(laid((0.2, 0.1), (0.1, 0.0), axes=(0, 2, 1)))
    assert Quantity.CAMBER_ZERO not in outcome.results
    assert outcome.results[Quantity.ZERO_X].value == pytest.approx(0.1, abs=0.01)
    assert outcome.details["face"] == "-Y (mounting face)"
    assert "NO_CAMBER_ZERO" in {notice.code for notice in outcome.warnings}


def test_scale_errors_go_into_the_slope_alone() -> None:
    priors = Priors(accelerometer=AccelerometerPrior.data_sheet())
    found = analysed(laid((2.0, 0.0), (0.0, 0.0)), Request(Wheel.LF, priors)).results
    slope = {t.source: t.standard_uncertainty for t in found[Quantity.SLOPE_X].budget}
    assert slope["calibration"] == pytest.approx(0.03 * 2.0, rel=0.05)  # 3 % of 2 deg
    zero = {t.source: t.standard_uncertainty for t in found[Quantity.ZERO_X].budget}
    assert zero.get("calibration", 0.0) < 1e-3
    across = {t.source: t.standard_uncertainty for t in found[Quantity.ZERO_Y].budget}
    # A half turn 2 deg off leaves half of 2 deg of slope times its sine.
    assert across["turned"] == pytest.approx(math.sin(math.radians(2.0)), rel=0.05)


def test_more_readings_average() -> None:
    two = analysed(laid((0.5, 0.5), (0.1, 0.1))).results[Quantity.ZERO_Y]
    eight = analysed(laid((0.5, 0.5), (0.1, 0.1), count=8)).results[Quantity.ZERO_Y]
    assert eight.expanded_uncertainty < 0.6 * two.expanded_uncertainty


@pytest.mark.parametrize(
    ("rests", "code"),
    [
        ([], "NO_REST"),
        (laid((0.5, 0.5), (0.0, 0.0), count=1), "NOT_TURNED"),
        (laid((8.0, 0.0), (0.0, 0.0)), "SURFACE_TOO_STEEP"),
        (laid((40.0, 0.0), (0.0, 0.0)), "NOT_FLAT"),
    ],
)
def test_what_cannot_be_is_refused(rests: list[Rest], code: str) -> None:
    with pytest.raises(MeasurementRefused) as refused:
        analysed(rests)
    assert refused.value.code == code


def test_rests_on_other_faces_are_left_out() -> None:
    mixed = [*laid((0.5, 0.5), (0.1, 0.1)), *laid((0.5, 0.5), (0.1, 0.1), 1, (0, 2, 1))]
    outcome = analysed(mixed)
    assert outcome.details["placings"] == 2.0
    assert "OTHER_FACE_LEFT_OUT" in {notice.code for notice in outcome.warnings}


@pytest.mark.parametrize("calibrated", [True, False])
def test_a_small_sample_of_the_study_covers(calibrated: bool) -> None:
    """Of 60 intervals at 95 %, fewer than 52 cover in one case of 400 (binomial)."""
    for covered, rms, expanded in coverage(60, calibrated).values():
        assert covered >= 86.0
        assert rms < 0.75 * expanded


def test_readings_that_are_all_alike_may_be_of_a_pod_that_was_never_turned() -> None:
    alike = analysed(laid((0.0, 0.0), (0.5, 1.5)))
    assert "LEVEL_OR_NOT_TURNED" in {notice.code for notice in alike.warnings}
    sloping = analysed(laid((0.5, 0.0), (0.5, 1.5)))
    assert "LEVEL_OR_NOT_TURNED" not in {notice.code for notice in sloping.warnings}


def test_two_placings_have_the_few_degrees_of_freedom_that_are_said() -> None:
    found = analysed(laid((0.9, -0.4), (0.3, -0.2))).results[Quantity.ZERO_X]
    terms = {term.source: term for term in found.budget}
    assert terms["seating"].degrees_of_freedom == 3.0
    assert found.coverage_factor > 2.2


def test_one_placing_askew_widens_the_uncertainty_by_its_own_scatter_alone() -> None:
    rests = laid((0.9, -0.4), (0.3, -0.2), count=4)
    off = rests[2].accel_g + np.array([np.radians(0.5), 0.0, 0.0])
    outcome = analysed([*rests[:2], replace(rests[2], accel_g=off), rests[3]])
    found = outcome.results[Quantity.ZERO_X]
    assert "PLACINGS_SCATTER" in {notice.code for notice in outcome.warnings}
    assert abs(found.value - 0.3) < found.expanded_uncertainty
    terms = {term.source: term for term in found.budget}
    assert terms["seating"].degrees_of_freedom == 4.0


def test_a_steady_drift_cancels_between_three_placings() -> None:
    """One way, the other, the first again: 0.1 deg of drift a placing is no zero and no slope."""
    rests = laid((0.9, -0.4), (0.3, -0.2), count=3)
    drifting = [
        replace(rest, accel_g=rest.accel_g + np.array([0.0, np.radians(0.1) * (at - 1), 0.0]))
        for at, rest in enumerate(rests)
    ]
    found = analysed(drifting).results
    assert found[Quantity.ZERO_Y].value == pytest.approx(-0.2, abs=0.02)
    assert found[Quantity.SLOPE_Y].value == pytest.approx(-0.4, abs=0.02)
