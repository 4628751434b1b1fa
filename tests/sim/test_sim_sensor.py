"""The chip: constructed truths come out as constructed."""

from __future__ import annotations

import numpy as np
import pytest

from knuckle.sim.case import realise
from knuckle.sim.motion import Motion
from knuckle.sim.scenario import load
from knuckle.sim.sensor import Chip

PERFECT = {
    "accel_noise_ug": 0.0,
    "gyro_noise_dps": 0.0,
    "accel_bias_sigma_g": [0, 0, 0],
    "accel_scale_sigma": 0.0,
    "accel_cross_sigma": 0.0,
    "turn_sigma_deg": 0.0,
    "gyro_bias_sigma_dps": 0.0,
    "gyro_scale_sigma": 0.0,
    "gyro_cross_sigma": 0.0,
    "gyro_bias_walk_dps": 0.0,
    "gyro_g_sensitivity_sigma_dps": 0.0,
    "accel_bias_per_c_sigma_g": [0, 0, 0],
    "accel_scale_per_c_sigma": 0.0,
    "gyro_bias_per_c_sigma_dps": 0.0,
}


def _read(up: list[float], rate_dps: list[float], n: int = 1, **sensor: object) -> np.ndarray:
    """Mean reading in g and deg/s, shape (6,)."""
    case = realise(load("uncalibrated", sensor={**PERFECT, **sensor}), 3)
    motion = Motion(np.tile(up, (n, 1)), np.radians(np.tile(rate_dps, (n, 1))), np.zeros((n, 3)))
    raw = Chip(case).read(np.arange(n) * 0.01, motion, 0.01).mean(axis=0)
    return np.concatenate([raw[:3] * 2.0 / 32768, raw[3:6] * 250.0 / 32768])


_STEP_G, _STEP_DPS = 2.0 / 65536, 250.0 / 65536


def test_a_perfect_chip_reads_the_truth() -> None:
    reading = _read([0.1, -0.2, 0.97], [1.0, -20.0, 30.0])
    assert reading[:3] == pytest.approx([0.1, -0.2, 0.97], abs=_STEP_G)
    assert reading[3:] == pytest.approx([1.0, -20.0, 30.0], abs=_STEP_DPS)


def test_bias_scale_and_cross_terms_stand_where_they_are_named() -> None:
    reading = _read([0.0, 0.0, 1.0], [0, 0, 0], accel_bias_g=[0.01, -0.02, 0.03])
    assert reading[:3] == pytest.approx([0.01, -0.02, 1.03], abs=_STEP_G)
    reading = _read([0.0, 0.5, 0.8], [0, 10, 0], accel_scale=[0.0, 0.02, 0], gyro_scale=[0, 0.1, 0])
    assert reading[:3] == pytest.approx([0.0, 0.51, 0.8], abs=_STEP_G)
    assert reading[3:] == pytest.approx([0.0, 11.0, 0.0], abs=_STEP_DPS)
    # Order xy, xz, yx, yz, zx, zy: yz is what z puts into the reading of y.
    reading = _read([0.0, 0.0, 1.0], [10, 0, 0], accel_cross=[0, 0, 0, 0.01, 0, 0],
                    gyro_cross=[0, 0, 0, 0, 0.02, 0])  # fmt: skip
    assert reading[:3] == pytest.approx([0.0, 0.01, 1.0], abs=_STEP_G)
    assert reading[3:] == pytest.approx([10.0, 0.0, 0.2], abs=_STEP_DPS)


def test_a_turned_chip_turns_accelerometer_and_gyro_alike() -> None:
    # Turned by 90 deg about its X, the chip's y lies along the case's z.
    reading = _read([0.0, 0.3, 0.9], [0.0, 5.0, 7.0], turn_deg=[90.0, 0.0, 0.0])
    assert reading[:3] == pytest.approx([0.0, 0.9, -0.3], abs=_STEP_G)
    assert reading[3:] == pytest.approx([0.0, 7.0, -5.0], abs=_STEP_DPS)


def test_noise_has_the_data_sheets_density() -> None:
    # Source: MPU-6050 data sheet rev 3.3: 400 ug/sqrt(Hz), 0.005 deg/s/sqrt(Hz); half of 100 Hz.
    case = realise(load("uncalibrated", sensor={**PERFECT, "accel_noise_ug": 400.0,
                                                 "gyro_noise_dps": 0.005}), 3)  # fmt: skip
    n = 20000
    motion = Motion(np.tile([0.0, 0.0, 1.0], (n, 1)), np.zeros((n, 3)), np.zeros((n, 3)))
    raw = Chip(case).read(np.arange(n) * 0.01, motion, 0.01)
    assert raw[:, :3].std(axis=0) * 2 / 32768 == pytest.approx(400e-6 * np.sqrt(50), rel=0.03)
    assert raw[:, 3:6].std(axis=0) * 250 / 32768 == pytest.approx(0.005 * np.sqrt(50), rel=0.03)
    lag = np.corrcoef(raw[1:, 0], raw[:-1, 0])[0, 1]
    assert abs(lag) < 0.03


def test_temperature_counts_are_the_data_sheets() -> None:
    # Source: MPU-6050 data sheet rev 3.3: 340 counts/C, -521 at 35 C.
    case = realise(load("uncalibrated", sensor={**PERFECT, "temp_c": 35.0, "warm_up_c": 0.0}), 3)
    motion = Motion(np.tile([0.0, 0.0, 1.0], (400, 1)), np.zeros((400, 3)), np.zeros((400, 3)))
    chip = Chip(case)
    raw = chip.read(np.arange(400) * 0.01, motion, 0.01)[:, -1]
    assert raw.mean() == pytest.approx(-521, abs=3)
    channel = chip.channels[-1]
    assert channel.offset + channel.scale * -521 == pytest.approx(35.0)


def test_range_nonlinearity_and_walk() -> None:
    assert _read([0.0, 0.0, 3.0], [300, 0, 0])[2] == pytest.approx(2.0, abs=1e-3)
    assert _read([0.0, 0.0, -3.0], [-300, 0, 0])[[2, 3]] == pytest.approx([-2.0, -250.0], abs=1e-2)
    assert _read([0, 0, 1.0], [0, 0, 0], nonlinearity_percent=0.5)[2] == pytest.approx(
        1.0 + 0.005 / 2.0, abs=_STEP_G
    )
    case = realise(load("uncalibrated", sensor={**PERFECT, "gyro_bias_walk_dps": 0.1}), 3)
    motion = Motion(np.tile([0.0, 0.0, 1.0], (5000, 1)), np.zeros((5000, 3)), np.zeros((5000, 3)))
    walk = Chip(case).read(np.arange(5000) * 0.01, motion, 0.01)[:, 3:6] * 250 / 32768
    steps = np.diff(walk[::100], axis=0)  # one second apart
    assert steps.std() == pytest.approx(0.1, rel=0.25)


def test_readings_do_not_depend_on_how_they_are_asked_for() -> None:
    case = realise(load("garage"), 5)
    n = 500
    t = np.arange(n) * 0.01
    motion = Motion(np.tile([0.0, 0.0, 1.0], (n, 1)), np.zeros((n, 3)), np.zeros((n, 3)))
    whole = Chip(case).read(t, motion, 0.01)
    chip = Chip(case)
    pieces = []
    for cut in np.array_split(np.arange(n), 23):
        pieces.append(chip.read(t[cut], Motion(*(part[cut] for part in motion)), 0.01))
    assert np.abs(whole - np.concatenate(pieces)).max() <= 1  # the walk's sum rounds
    assert np.mean(whole != np.concatenate(pieces)) < 1e-3


def test_stored_calibration_leaves_the_stated_residuals() -> None:
    scenario = load("garage")
    left, bias, gyro = [], [], []
    for seed in range(300):
        case = realise(scenario, seed)
        assert case.stored is not None
        undo = np.linalg.inv(case.stored.accel_matrix)
        left.append(undo @ case.chip.accel_matrix - np.eye(3))
        bias.append(undo @ (case.chip.accel_bias_g - case.stored.accel_bias_g))
        gyro.append(np.linalg.inv(case.stored.gyro_matrix) @ case.chip.gyro_matrix - np.eye(3))
    errors = np.array(left)
    assert np.std(bias) == pytest.approx(0.001, rel=0.1)
    assert np.std(errors[:, [0, 1, 2], [0, 1, 2]]) == pytest.approx(0.001, rel=0.1)
    off = errors[:, [0, 0, 1, 1, 2, 2], [1, 2, 0, 2, 0, 1]]
    turn = np.radians(0.05)
    assert np.std(off) == pytest.approx(np.hypot(0.001, turn), rel=0.1)
    scales = np.array(gyro)[:, [0, 1, 2], [0, 1, 2]]
    assert np.std(scales) == pytest.approx(0.003, rel=0.1)


def test_an_adxl355_reads_gravity_in_its_own_counts_beside_a_gyro_turned_by_itself() -> None:
    # Source: ADXL355 data sheet, from memory: 256000 counts/g, 1885 counts at 25 C, -9.05 a degree.
    turned = {**PERFECT, "turn_sigma_deg": 1.5, "temp_c": 25.0, "warm_up_c": 0.0}
    case = realise(load("fine", sensor=turned), 3)
    motion = Motion(np.array([[0.0, 0.0, 1.0]]), np.radians([[0.0, 0.0, 100.0]]), np.zeros((1, 3)))
    chip = Chip(case)
    raw = chip.read(np.zeros(1), motion, 0.01)[0]
    assert [row.sensor.name for row in chip.channels] == ["ADXL355", "MPU6050", "ADXL355"]
    assert np.linalg.norm(raw[:3]) == pytest.approx(256000, abs=2)
    assert raw[6] == pytest.approx(1885, abs=2)
    force, rate = raw[:3] / 256000, raw[3:6] / np.linalg.norm(raw[3:6])
    apart_deg = np.degrees(np.arccos(force @ rate))
    assert 0.5 < apart_deg < 8.0
