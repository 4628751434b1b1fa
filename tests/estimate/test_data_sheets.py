"""What a sensor's own data sheet says stands in the priors, and two chips turn by themselves."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from knuckle.analysis.measure import measure
from knuckle.analysis.request import Request
from knuckle.estimate.calibration import Calibration, GyroCalibration, joint_covariance
from knuckle.estimate.data_sheets import Parts, accelerometer_sheet, gyro_sheet
from knuckle.estimate.priors import AccelerometerPrior, GyroPrior, Priors, SensorFigures
from knuckle.model.block import Block
from knuckle.model.result import Quantity
from knuckle.rests.detector import find_rests
from knuckle.run.replay import Recording, sensors_of
from knuckle.sim.draw import draw_case
from knuckle.sim.recording import simulate_block
from knuckle.sim.spec import Part
from knuckle.wire.messages import Sensor
from vectors.wire_vectors import POD_FRAMES, message_of


def sigmas(prior: AccelerometerPrior | GyroPrior) -> np.ndarray:
    return np.sqrt(np.diag(prior.covariance))


def offset_sigma(prior: AccelerometerPrior) -> np.ndarray:
    """Of the zero-g offset: the straight line's bias less 0.6 of the nonlinearity."""
    row = np.zeros((3, 18))
    row[:, :3] = np.eye(3)
    row[:, 15:] = -0.6 * np.eye(3)
    covariance = prior.covariance.copy()
    if prior.drift_covariance is not None:
        covariance[:3, :3] += prior.drift_covariance[:3, :3]
    return np.sqrt(np.diag(row @ covariance @ row.T))


def test_the_mpu6050_as_its_sheet_says():
    # Source: MPU-6050 data sheet rev 3.3, tables 6.1 and 6.2 (check-values).
    prior = AccelerometerPrior.data_sheet(accelerometer_sheet("MPU-6050"))
    assert offset_sigma(prior) == pytest.approx([0.05, 0.05, 0.08])
    assert np.diag(sigmas(prior)[3:12].reshape(3, 3)) == pytest.approx([0.03] * 3)
    assert sigmas(prior)[4] == pytest.approx(0.02)
    # 0.5 % of the 2 g full scale, by a square law.
    assert sigmas(prior)[15:] * 2.0**2 == pytest.approx([0.005 * 2.0] * 3)
    gyro = sigmas(GyroPrior.data_sheet(gyro_sheet("mpu6050"))).reshape(3, 3)
    assert gyro[0, 0] == pytest.approx(0.03)
    assert gyro[0, 1] == pytest.approx(0.02)


def test_the_adxl355_as_its_sheet_says():
    # Source: ADXL355 data sheet, from memory: zero-g +-25 mg typical; 235520 to 276480 counts/g
    # are limits, so a uniform distribution of half width 8 %: standard deviation 8 / sqrt(3).
    prior = AccelerometerPrior.data_sheet(accelerometer_sheet("adxl355"))
    half_width = (276480 - 235520) / 2 / 256000
    assert offset_sigma(prior) == pytest.approx([0.025] * 3)
    assert sigmas(prior)[3] == pytest.approx(half_width / np.sqrt(3.0))
    assert sigmas(prior)[4] == pytest.approx(0.01)
    assert not prior.calibrated


@pytest.mark.parametrize("name", ["", "simulated", "unknown", "some other part"])
def test_a_part_that_is_not_known_has_the_widest_figures(name: str):
    assert accelerometer_sheet(name).part == "MPU-6050"
    assert gyro_sheet(name).part == "MPU-6050"


def test_two_chips_are_told_by_the_hello_or_by_a_logs_facts():
    both = message_of(next(v for v in POD_FRAMES if v["name"].startswith("hello of an ADXL355")))
    assert sensors_of(both, {}) == Parts("adxl355", "mpu6050")
    assert sensors_of(both, {}).are_two_chips
    one = message_of(POD_FRAMES[0])
    assert sensors_of(one, {}) == Parts("mpu6050", "mpu6050")
    assert not sensors_of(one, {}).are_two_chips
    assert sensors_of(None, {"accelerometer": "ADXL-355", "gyro": "MPU-6050"}).are_two_chips
    assert not sensors_of(None, {}).are_two_chips
    unknown = tuple(dataclasses.replace(row, sensor=Sensor.UNKNOWN) for row in both.channels)
    assert sensors_of(both._replace(channels=unknown), {}) == Parts()


def recording(calibration: Calibration | None, temp_c: float, sensors: Parts) -> Recording:
    n = 10
    block = Block(
        np.arange(n) * 0.01,
        np.tile([0.0, 0.0, 1.0], (n, 1)),
        np.zeros((n, 3)),
        np.array([np.nan] + [temp_c] * (n - 1)),
        None,
        np.zeros(n, dtype=np.int64),
        np.zeros(n, dtype=np.int64),
        np.zeros(n, dtype=bool),
        100.0,
    )
    return Recording(block, calibration, False, {}, [], sensors=sensors)


def calibration(gyro: GyroCalibration | None = None, temp_c: float | None = 20.0) -> Calibration:
    covariance = np.diag([0.001**2] * 12)
    joint = joint_covariance(covariance, 0.05)
    return Calibration(np.zeros(3), np.eye(3), joint, gyro, temp_c, "", "")


def test_ten_degrees_from_the_calibration_let_offset_and_scale_drift():
    # Source: MPU-6050 data sheet rev 3.3: +-35 mg (X, Y), +-60 mg (Z) over 0 to 70 C, here
    # limits over the 45 C above room temperature; scale +-0.02 %/C.
    sheet = Parts("mpu6050", "mpu6050")
    _, priors = recording(calibration(), 30.0, sheet).calibrated(Priors(), None, False)
    per_c = np.array([35.0, 35.0, 60.0]) / 45.0 / np.sqrt(3.0) / 1000.0
    wanted = np.hypot(0.001, 10.0 * per_c)
    assert offset_sigma(priors.accelerometer) == pytest.approx(wanted)
    assert priors.accelerometer.sigma[3] == pytest.approx(np.hypot(0.001, 0.002 / np.sqrt(3.0)))
    assert priors.accelerometer.sigma[4] == pytest.approx(0.001)
    assert priors.accelerometer.apart_c == 10.0
    _, same = recording(calibration(), 20.0, sheet).calibrated(Priors(), None, False)
    assert offset_sigma(same.accelerometer) == pytest.approx([0.001] * 3)
    assert same.accelerometer.sigma[3:12] == pytest.approx([0.001] * 9)
    _, unknown = recording(calibration(temp_c=None), 30.0, sheet).calibrated(Priors(), None, False)
    # Within 10 C each way, evenly: 10 / sqrt(3) C one sigma (GUM, JCGM 100:2008, 4.3.7).
    apart = 10.0 / np.sqrt(3.0)
    assert offset_sigma(unknown.accelerometer) == pytest.approx(np.hypot(0.001, apart * per_c))
    _, cold = recording(calibration(), float("nan"), sheet).calibrated(Priors(), None, False)
    assert offset_sigma(cold.accelerometer) == pytest.approx(np.hypot(0.001, apart * per_c))


def test_a_gyro_on_its_own_chip_has_a_turn_of_its_own():
    two, one = Parts("adxl355", "mpu6050"), Parts("mpu6050", "mpu6050")
    matrix = GyroCalibration(np.eye(3), np.eye(9) * 1e-6)
    turns = [
        recording(kept, 20.0, parts).calibrated(Priors(), None, kept is None)[1].gyro.turn_deg
        for kept, parts in (
            (None, two),
            (None, one),
            (calibration(), two),
            (calibration(matrix), two),
            (calibration(matrix), one),
        )
    ]
    assert turns == [1.5, None, 1.5, pytest.approx(0.05), None]
    stated = GyroPrior.data_sheet(own_chip=True).overridden(SensorFigures(chip_turn_deg=0.3))
    assert stated.turn_deg == 0.3
    assert GyroPrior.data_sheet().overridden(SensorFigures(chip_turn_deg=0.3)).turn_deg is None


def test_a_gyro_turned_by_itself_fits_only_with_a_turn_of_its_own():
    calibrated = dataclasses.replace(
        draw_case(5, part=Part.ADXL355).sensor,
        accel_bias_sigma_g=(0.0, 0.0, 0.0), accel_scale_sigma=0.0, accel_cross_sigma=0.0,
        gyro_scale_sigma=0.0, gyro_cross_sigma=0.0,
    )  # fmt: skip
    scenario = dataclasses.replace(draw_case(5, part=Part.ADXL355), sensor=calibrated)
    block, truth = simulate_block(scenario)
    rests = find_rests(block)
    good = AccelerometerPrior.independent(0.1, 0.01, 0.01, 1.5, calibrated=True)
    refused = {}
    for turn_deg in (1.5, None):
        gyro = GyroPrior.independent(0.01, 0.01, calibrated=True, turn_deg=turn_deg)
        request = Request(truth.rests[0].wheel, Priors(accelerometer=good, gyro=gyro))
        outcome = measure("sweep", block, rests, request)
        refused[turn_deg] = outcome.refused
        if turn_deg is not None:
            sources = {term.source for term in outcome.results[Quantity.CASTER].budget}
            assert "gyro_turn" in sources
            result = outcome.results[Quantity.CASTER]
            assert abs(result.value - truth.wheel.caster_deg) < 1.5 * result.expanded_uncertainty
    assert refused[1.5] is None
    assert refused[None] is not None
    assert refused[None].code == "READINGS_DISAGREE"
