"""What the user states of the sensor goes before a calibration, the data sheet and the defaults."""

import numpy as np
import pytest

from knuckle.cli.priors import build_priors
from knuckle.errors import UsageError
from knuckle.estimate.priors import AccelerometerPrior, Given, Priors


def sigmas(prior):
    return np.sqrt(np.diag(prior.covariance))


def test_nothing_typed_is_the_default():
    assert build_priors({}).toe == Priors().toe
    assert build_priors({}).mount_tilt_deg == Priors().mount_tilt_deg
    np.testing.assert_array_equal(
        build_priors({}).with_stated().accelerometer.covariance, Priors().accelerometer.covariance
    )


def test_stated_figures_take_the_place_of_any_base():
    typed = {"accel_scale": "2", "chip_turn": "0.5", "gyro_cross": "1"}
    sheet = AccelerometerPrior.data_sheet()
    stated = build_priors(typed)
    settled = Priors(accelerometer=sheet, stated=stated.stated).with_stated()
    matrix = sigmas(settled.accelerometer)[3:12].reshape(3, 3)
    assert np.diag(matrix) == pytest.approx([0.02] * 3)
    assert matrix[0, 1] == pytest.approx(0.02)
    assert sigmas(settled.accelerometer)[:3] == pytest.approx([0.05, 0.05, 0.08], rel=1e-3)
    assert settled.accelerometer.turn_deg == pytest.approx(0.5)
    gyro = sigmas(settled.gyro).reshape(3, 3)
    assert gyro[0, 0] == pytest.approx(0.03)
    assert gyro[0, 1] == pytest.approx(0.01)
    assert not settled.gyro.calibrated
    scaled = Priors(stated=build_priors({"gyro_scale": "0.2"}).stated).with_stated()
    assert scaled.gyro.calibrated


def test_stated_figures_are_independent_of_what_was_correlated():
    covariance = np.full((18, 18), 1e-6) + np.eye(18) * 1e-6
    base = AccelerometerPrior(covariance, calibrated=True)
    stated = build_priors({"accel_bias": "3"}).stated
    found = base.overridden(stated).covariance
    assert np.sqrt(np.diag(found))[:3] == pytest.approx([0.003] * 3)
    assert np.all(found[:3, 3:] == 0.0)
    assert found[3, 4] == 1e-6


def test_slopes_and_toe_as_typed():
    priors = build_priors({"toe": "0.1,0.02", "pads_across": "0.3", "pads_along": "-0.2;0.05"})
    assert priors.toe == Given(0.1, 0.02)
    assert priors.pads_across == Given(0.3, 0.02)
    assert priors.pads_along == Given(-0.2, 0.05)
    assert priors.pads_across_known
    assert priors.pads_along_known
    assert not build_priors({"pads_across": "0.3"}).pads_along_known


@pytest.mark.parametrize(
    "typed",
    [{"roll": "-1"}, {"brake": "maybe"}, {"body_roll": "0.4"}, {"toe": "0.1;-0.2"}],
)
def test_what_makes_no_sense_is_refused(typed):
    with pytest.raises(UsageError):
        build_priors(typed)
