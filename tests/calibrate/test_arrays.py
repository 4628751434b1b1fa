"""Recordings as plain arrays: any unit gives the same calibration."""

from __future__ import annotations

import numpy as np
import pytest

from knuckle.calibrate.accelerometer import fit_accelerometer
from knuckle.calibrate.arrays import block_of_arrays, in_units, triangular
from knuckle.calibrate.finder import find_poses
from knuckle.calibrate.gyro import fit_gyro
from knuckle.calibrate.gyro_turns import turns_between
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
