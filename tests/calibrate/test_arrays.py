"""Recordings as plain arrays: any unit gives the same calibration."""

from __future__ import annotations

import numpy as np
import pytest

from knuckle.calibrate.accelerometer import fit_accelerometer
from knuckle.calibrate.arrays import block_of_arrays, in_units, triangular
from knuckle.calibrate.finder import find_poses
from knuckle.calibrate.gyro import fit_gyro
from knuckle.calibrate.gyro_turns import turns_between
from knuckle.calibrate.recorded import calibrate_arrays
from knuckle.model.block import Block
from knuckle.sim.recording import simulate_block
from knuckle.sim.scenario import load

PER_G, ZERO = np.array([16384.0, 16384.0, 16400.0]), np.array([10.0, -5.0, 0.0])


@pytest.fixture(scope="module")
def block() -> Block:
    changes = {"script.heeds_cues": False, "posing.face": False, "posing.poses": 20}
    return simulate_block(load("new_pod", **changes), 5).block


def test_counts_and_g_give_the_same(block: Block) -> None:
    assert block.gyro_dps is not None
    counts = block.accel_g * PER_G + ZERO
    made = block_of_arrays(
        block.t_s, counts, per_g=PER_G, zero=ZERO, gyro=block.gyro_dps * 131.0, per_dps=131.0
    )
    fit, direct = (fit_accelerometer(find_poses(one)) for one in (made, block))
    assert fit.is_calibration
    assert fit.matrix == pytest.approx(direct.matrix, abs=1e-9)
    matrix, bias = in_units(fit, PER_G, ZERO)
    poses = find_poses(made)
    back = [np.linalg.solve(matrix, pose.accel_g * PER_G + ZERO - bias) for pose in poses]
    assert np.linalg.norm(back, axis=1) == pytest.approx(1.0, abs=0.01)
    assert fit_gyro(turns_between(made, poses), fit).axes == ("+x", "+y", "+z")


def test_a_gap_begins_a_stretch_and_lost_samples_are_counted() -> None:
    t_s = np.arange(40) * 0.01
    t_s[20:] += 0.02
    t_s[30:] += 5.0
    made = block_of_arrays(t_s, np.tile([0.0, 0.0, 9.81], (40, 1)), per_g=9.81)
    assert made.rate_hz == pytest.approx(100.0)
    assert made.lost_before[20] == 2 and made.stretch[29] == 0 and made.stretch[30] == 1
    assert made.accel_g[:, 2] == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("t_s", "accel", "told"),
    [
        ([0.0, 0.0], np.zeros((2, 3)), "increase"),
        ([0.0, 1.0], np.zeros((2, 2)), r"\(n, 3\)"),
        ([0.0, 1.0], np.full((2, 3), np.nan), "finite"),
    ],
)
def test_what_cannot_be_is_told(t_s: list[float], accel: np.ndarray, told: str) -> None:
    with pytest.raises(ValueError, match=told):
        block_of_arrays(t_s, accel)


def test_one_call_takes_what_real_recordings_are_like(block: Block) -> None:
    counts = np.rint(block.accel_g * PER_G + ZERO)
    clean = calibrate_arrays(block.t_s, counts, per_g=16384.0)
    assert clean.fit.is_calibration and clean.gyro is None and not clean.notices
    rng = np.random.default_rng(1)
    spoilt, t_s = counts.copy(), block.t_s.copy()
    spoilt[rng.integers(0, len(t_s), 50), 1] = np.nan
    t_s[2001] = t_s[2000]
    t_s[len(t_s) // 2 :] += 10.0
    again = calibrate_arrays(t_s, spoilt, per_g=16384.0)
    assert again.fit.is_calibration
    assert "left out" in again.notices[0]
    assert again.bias == pytest.approx(clean.bias, abs=25.0)
    by_rate = calibrate_arrays(block.rate_hz, counts, per_g=16384.0)
    assert by_rate.bias == pytest.approx(clean.bias, abs=25.0)


def test_saturated_poses_are_left_out_and_told(block: Block) -> None:
    counts = np.rint(block.accel_g * 33500.0)
    small = np.clip(counts, -32768, 32767).astype(np.int16)
    for given in ({"accel": small}, {"accel": small.astype(float), "full_scale": 32767.0}):
        made = calibrate_arrays(block.t_s, per_g=33500.0, **given)
        assert any("end of its range" in notice for notice in made.notices)
        assert sum(not one.used for one in made.fit.residuals) >= 2


@pytest.mark.parametrize(
    ("t_s", "accel", "per_g", "told"),
    [
        (100.0, np.tile([0.0, 0.0, 9.81], (500, 1)), 1.0, "m/s2"),
        (100.0, np.tile([0.0, 0.0, 16384.0], (500, 1)), 1.0, "counts"),
        (100.0, np.full((9, 3), np.nan), 1.0, "fewer than two"),
        (0.0, np.ones((9, 3)), 1.0, "rate"),
        (100.0, np.ones(9), 1.0, r"\(n, 3\)"),
        (np.arange(8.0), np.ones((9, 3)), 1.0, r"\(n,\)"),
    ],
)
def test_one_call_refuses_what_it_cannot_use(t_s, accel, per_g: float, told: str) -> None:
    with pytest.raises(ValueError, match=told):
        calibrate_arrays(t_s, accel, per_g=per_g)


@pytest.mark.parametrize("hz", [4.0, 25.0, 400.0])
def test_a_pod_that_lies_still_is_no_calibration_at_any_rate(hz: float) -> None:
    accel = np.tile([0.1, 0.2, 0.97], (int(40 * hz), 1))
    made = calibrate_arrays(
        hz, accel + 1e-3 * np.random.default_rng(2).standard_normal(accel.shape)
    )
    assert not made.fit.is_calibration
    assert len(made.fit.unsupported) == 9


@pytest.mark.parametrize("lower", [True, False])
def test_both_triangular_conventions_undo_the_matrix_but_for_a_turn(lower: bool) -> None:
    matrix = np.array([[400.0, 5.0, -3.0], [-7.0, 410.0, 6.0], [2.0, -4.0, 420.0]])
    scale, t = triangular(matrix, lower=lower)
    assert np.diag(t) == pytest.approx(1.0)
    assert (np.triu(t, 1) if lower else np.tril(t, -1)) == pytest.approx(0.0, abs=1e-12)
    turn = t @ np.diag(1.0 / scale) @ matrix
    assert turn @ turn.T == pytest.approx(np.eye(3), abs=1e-12)
    assert np.linalg.det(turn) == pytest.approx(1.0)


@pytest.mark.parametrize(("matrix", "told"), [(np.eye(2), "shape"), (np.zeros((3, 3)), "inverse")])
def test_what_is_no_calibration_has_no_convention(matrix: np.ndarray, told: str) -> None:
    with pytest.raises(ValueError, match=told):
        triangular(matrix, lower=True)
