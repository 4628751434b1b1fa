"""The fits on poses of known errors: what they find, what they refuse, what they flag."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from knuckle.calibrate.accelerometer import fit_accelerometer
from knuckle.calibrate.directions import SECTORS, coverage, words
from knuckle.calibrate.drift import fit_drift
from knuckle.calibrate.face import fit_face
from knuckle.calibrate.gyro import fit_gyro
from knuckle.calibrate.made import calibration_of
from knuckle.calibrate.pose import Pose
from knuckle.calibrate.results import FitState, FullTurn, GyroTurns
from knuckle.estimate.calibration import Calibration, joint_covariance, straightened
from knuckle.geometry.rotation import unit

BIAS_G = np.array([0.03, -0.06, 0.08])
MATRIX = np.array([[1.02, -0.03, 0.01], [0.015, 0.97, 0.025], [-0.02, 0.01, 1.04]])
CURVE = np.array([0.002, -0.0025, 0.001])
SWAY_G = 0.7e-3


def pose(up: np.ndarray, at_s: float, noise_g: np.ndarray | float = 0.0, curve=CURVE) -> Pose:
    a = MATRIX @ up
    return Pose(
        a + curve * a**2 + BIAS_G + noise_g,
        np.eye(3) * 1e-8,
        0.0,
        np.zeros(3),
        24.0,
        at_s,
        at_s + 1.5,
    )


def poses(ups: np.ndarray, seed: int = 1, sway_g: float = SWAY_G) -> list[Pose]:
    rng = np.random.default_rng(seed)
    return [pose(up, 3.0 * i, sway_g * rng.standard_normal(3)) for i, up in enumerate(ups)]


def around(count: int, seed: int = 2) -> np.ndarray:
    rng = np.random.default_rng(seed)
    order = np.concatenate([np.arange(6), 6 + rng.permutation(20)])[:count]
    return unit(SECTORS[order] + 0.15 * rng.standard_normal((count, 3)))


def quarters(lean: float = 0.02, seed: int = 3, sway_g: float = 0.2e-3) -> list[Pose]:
    """The face on a leaning surface: +Y of the case is the chip's by MATRIX itself."""
    rng = np.random.default_rng(seed)
    turns = np.arange(4) * np.pi / 2 + 0.05 * rng.standard_normal(4)
    ups = unit(np.stack([np.sin(turns), np.full(4, lean), np.cos(turns)], axis=1))
    return [pose(up, 100.0 + 3 * i, sway_g * rng.standard_normal(3)) for i, up in enumerate(ups)]


def test_exact_poses_and_face_give_the_sensor_back() -> None:
    fit = fit_accelerometer(poses(around(26), sway_g=0.0))
    face = fit_face(quarters(sway_g=0.0), fit)
    calibration = calibration_of(fit, face)
    ups = around(26, seed=9)
    a = ups @ MATRIX.T
    read = a + CURVE * a**2 + BIAS_G
    straight = straightened(read - calibration.bias_g, calibration.nonlinearity_per_g)
    back = straight @ np.linalg.inv(calibration.matrix).T
    # A turn about +Y is left, which no face run sees and no camber needs.
    assert back[:, 1] == pytest.approx(ups[:, 1], abs=2e-5)
    assert np.linalg.norm(back, axis=1) == pytest.approx(1.0, abs=2e-5)
    assert face.lean_deg == pytest.approx(
        np.degrees(np.arcsin(unit(np.array([0, 0.02, 1]))[1])), abs=2e-3
    )
    assert face.turn_u_deg[1] > 1.5
    assert max(face.turn_u_deg[0], face.turn_u_deg[2]) < 0.1


def test_without_a_face_run_the_turn_stays_in_the_budget() -> None:
    fit = fit_accelerometer(poses(around(20)))
    turn = np.degrees(np.sqrt(np.diag(calibration_of(fit).covariance)[12:15]))
    assert np.all(turn > 1.5)


@pytest.mark.parametrize(
    ("ups", "unsupported"),
    [
        (np.vstack([np.eye(3), -np.eye(3)] * 2), {"skew_xy", "skew_xz", "skew_yz"}),
        (
            np.array([[np.sin(t), 0.0, np.cos(t)] for t in np.linspace(0, 6, 16)]),
            {"bias_y", "scale_y", "skew_xy", "skew_yz"},
        ),
        (
            unit(np.array([[0.3 * np.sin(t), 0.3 * np.cos(t), 1.0] for t in range(16)])),
            {"scale_z", "bias_z"},
        ),
    ],
    ids=["six faces, twice", "one great circle", "a narrow cone"],
)
def test_poses_that_do_not_settle_nine_parameters_are_no_calibration(
    ups: np.ndarray, unsupported: set[str]
) -> None:
    fit = fit_accelerometer(poses(ups, sway_g=1e-4))
    assert fit.state is FitState.ILL_CONDITIONED
    assert not fit.is_calibration
    assert unsupported <= set(fit.unsupported)
    assert all(name in fit.reason for name in unsupported) or "too few" in fit.reason
    with pytest.raises(ValueError, match="no calibration"):
        calibration_of(fit)
    kept = {p.name: p for p in fit.parameters}
    for name in unsupported:
        assert kept[name].standard_uncertainty > 0.0
    better = poses(np.vstack([ups, *([up] for up in fit.suggestions)]), sway_g=1e-4)
    after = {p.name: p for p in fit_accelerometer(better).parameters}
    assert sum(
        after[n].standard_uncertainty < 0.7 * kept[n].standard_uncertainty for n in unsupported
    )


@pytest.mark.parametrize("count", [0, 1, 5, 9])
def test_a_few_poses_are_no_calibration(count: int) -> None:
    fit = fit_accelerometer(poses(around(26)[:count]))
    assert fit.state is FitState.ILL_CONDITIONED
    assert fit.suggestions


def hemisphere(rng: np.random.Generator) -> np.ndarray:
    up = unit(rng.standard_normal((24, 3)))
    up[:, 2] = np.abs(up[:, 2])
    return up


def nine_twice(rng: np.random.Generator) -> np.ndarray:
    nine = unit(rng.standard_normal((9, 3)))
    return unit(np.vstack([nine, nine]) + 0.02 * rng.standard_normal((18, 3)))


def nearly_a_plane(rng: np.random.Generator) -> np.ndarray:
    turn = rng.uniform(0.0, 2.0 * np.pi, 20)
    return unit(np.stack([np.cos(turn), np.sin(turn), 0.1 * rng.standard_normal(20)], axis=1))


@pytest.mark.parametrize("drawn", [hemisphere, nine_twice, nearly_a_plane])
@pytest.mark.parametrize("sway_g", [SWAY_G, 1e-4])
def test_poses_too_alike_are_no_calibration_however_still(drawn, sway_g: float) -> None:
    for seed in range(12):
        ups = drawn(np.random.default_rng(seed))
        fit = fit_accelerometer(poses(ups, seed, sway_g))
        assert fit.state is FitState.ILL_CONDITIONED
        if drawn is hemisphere:
            assert "scale_z" in fit.unsupported
            assert fit.suggestions[0][2] < -0.5


def test_what_is_suggested_settles_a_hemisphere() -> None:
    ups = hemisphere(np.random.default_rng(5))
    fit = fit_accelerometer(poses(ups))
    for _ in range(2):
        ups = np.vstack([ups, fit.suggestions])
        fit = fit_accelerometer(poses(ups))
        if fit.is_calibration:
            break
    assert fit.is_calibration


def test_an_uneven_wall_widens_what_the_face_run_states() -> None:
    fit = fit_accelerometer(poses(around(20)))
    flat, uneven = [], []
    for seed in range(20):
        run = quarters(seed=seed, sway_g=0.05e-3)
        flat.append(fit_face(run, fit).turn_u_deg[0])
        off = np.radians(0.1) * np.array([1.0, -1.0, 1.0, -1.0])
        moved = [
            dataclasses.replace(one, accel_g=one.accel_g + np.array([0.0, by, 0.0]))
            for one, by in zip(run, off, strict=True)
        ]
        uneven.append(fit_face(moved, fit))
    assert np.median([one.turn_u_deg[0] for one in uneven]) > 2.0 * np.median(flat)
    assert np.median([one.degrees_of_freedom for one in uneven]) < 5.0


def test_a_knocked_and_a_clipped_pose_are_dropped_and_said() -> None:
    good = poses(around(18))
    good[4] = dataclasses.replace(good[4], accel_g=good[4].accel_g * 1.02)
    good[9] = dataclasses.replace(good[9], clipped=True)
    good[13] = dataclasses.replace(good[13], accel_g=good[13].accel_g + np.array([0.0, 0.03, 0.0]))
    fit = fit_accelerometer(good)
    dropped = [i for i, one in enumerate(fit.residuals) if not one.used]
    assert dropped == [4, 9, 13]
    assert "end of its range" in fit.residuals[9].reason
    assert "mg off" in fit.residuals[4].reason
    clean = fit_accelerometer([p for i, p in enumerate(good) if i not in dropped])
    assert fit.bias_g == pytest.approx(clean.bias_g, abs=1e-9)


def test_a_face_that_was_not_flat_is_no_face_run() -> None:
    fit = fit_accelerometer(poses(around(20)))
    run = quarters()
    run[2] = dataclasses.replace(run[2], accel_g=run[2].accel_g + np.array([0.0, 0.05, 0.0]))
    face = fit_face(run, fit)
    assert not face.good
    assert "not flat" in face.reason
    again = fit_face([*run, *quarters(seed=8)], fit)
    assert again.good
    assert [i for i, used in enumerate(again.used) if not used] == [2]


def test_another_face_is_noticed() -> None:
    turns = np.arange(4) * np.pi / 2
    ups = np.stack([np.sin(turns), np.cos(turns), np.full(4, 0.01)], axis=1)
    face = fit_face(poses(unit(ups), sway_g=1e-4), fit_accelerometer(poses(around(20))))
    assert not face.good


def calibrated(temp_c: float, seed: int) -> Calibration:
    fit = fit_accelerometer(poses(around(26), seed, sway_g=2e-4))
    face = fit_face(quarters(), fit)
    return dataclasses.replace(calibration_of(fit, face, None, "00" * 8), temp_c=temp_c)


def test_two_temperatures_give_drift() -> None:
    cold, warm = calibrated(10.0, 1), calibrated(35.0, 2)
    per_c = np.array([0.3e-3, -0.2e-3, 0.5e-3])
    warm = dataclasses.replace(warm, bias_g=warm.bias_g + 25.0 * per_c)
    drift = fit_drift(cold, warm)
    sigma = np.sqrt(np.diag(drift.covariance))
    assert np.all(np.abs(drift.bias_g_per_c - per_c) < 3.0 * sigma[:3])
    assert np.all(sigma[:3] < 0.1e-3)
    assert (drift.low_c, drift.high_c) == (10.0, 35.0)
    for temp_c, why in ((12.0, "apart"), (None, "temperature")):
        with pytest.raises(ValueError, match=why):
            fit_drift(cold, dataclasses.replace(warm, temp_c=temp_c))
    with pytest.raises(ValueError, match="pods"):
        fit_drift(cold, dataclasses.replace(warm, identity="11" * 8))


def test_a_full_turn_gives_the_scale_of_its_axis() -> None:
    """Constructed: 2 % scale about Z; the surface is level, so gravity does not see the turn."""
    up = np.array([0.0, 0.0, 1.0])
    fit = fit_accelerometer(poses(around(26), sway_g=1e-4))
    corrected = np.linalg.solve(
        fit.matrix, straightened(pose(up, 0.0).accel_g - fit.bias_g, fit.nonlinearity_per_g)
    )
    t_s = np.linspace(0.75, 9.75, 901)
    rate = np.zeros((901, 3))
    rate[:, :] = 40.0 * 1.02 * unit(corrected)
    rate += np.array([1.0, -2.0, 0.5])
    still = [
        GyroTurns(dataclasses.replace(pose(up, 20.0 + 4 * i), gyro_dps=np.array([1.0, -2.0, 0.5])),
                  dataclasses.replace(pose(up, 24.0 + 4 * i), gyro_dps=np.array([1.0, -2.0, 0.5])),
                  np.linspace(20.75 + 4 * i, 24.75 + 4 * i, 401),
                  np.tile([1.0, -2.0, 0.5], (401, 1)))
        for i in range(4)
    ]  # fmt: skip
    turn = GyroTurns(still[0].before, still[0].after, t_s, rate)
    gyro = fit_gyro(still, fit, full_turns=[FullTurn(turn)])
    assert gyro.matrix[2, 2] == pytest.approx(1.02, abs=0.003)
    assert "scale_z" not in gyro.unsupported
    assert {"scale_x", "scale_y"} <= set(gyro.unsupported)
    assert not gyro.good


def test_directions_for_the_live_picture() -> None:
    assert coverage(np.zeros((0, 3))).filled == 0.0
    six = coverage(np.vstack([np.eye(3), -np.eye(3)]))
    assert six.counts[:6].tolist() == [1.0] * 6
    # A cap of 45 deg is (1 - cos 45) / 2 of the sphere; six of them touch and do not overlap.
    assert six.filled == pytest.approx(6 * (1 - np.sqrt(0.5)) / 2, abs=0.02)
    assert words(np.array([0.0, 0.7, -0.7])) == "+y and -z up"


def test_a_first_versions_covariance_keeps_its_zero_g_offset() -> None:
    joint = joint_covariance(np.eye(12) * 1e-6, 0.05)
    row = np.zeros(18)
    row[1], row[16] = 1.0, -0.6
    assert np.sqrt(row @ joint @ row) == pytest.approx(1e-3)
