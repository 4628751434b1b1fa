"""The multi-position fit and the gyro's on real recordings, against published calibrations.

Sources: check values of the data sets, see SOURCES.md beside the data.
"""

from __future__ import annotations

import dataclasses
import gzip

import numpy as np
import pytest

from calibrate.recordings import STRAIGHT, Find, pose_of
from knuckle.calibrate.accelerometer import fit_accelerometer
from knuckle.calibrate.arrays import triangular
from knuckle.calibrate.finder import find_poses
from knuckle.calibrate.gyro import fit_gyro
from knuckle.calibrate.gyro_turns import turns_between
from knuckle.calibrate.pose import Pose
from knuckle.calibrate.recorded import calibrate_arrays
from knuckle.calibrate.results import FitState, FullTurn, GyroTurns
from knuckle.estimate.data_sheets import MPU6050_ACCELEROMETER
from knuckle.model.block import Block
from knuckle.rests.detector import find_rests
from rests.test_real_recordings import COUNTS, IMU_TK_G, OFFSETS, imu_tk

LOWER, UPPER = (414.478, 412.102, 414.538), (414.422, 412.031, 414.620)


@pytest.fixture(scope="module")
def block(outside_data: Find) -> Block:
    return imu_tk(outside_data)


@pytest.fixture(scope="module")
def rests(block: Block) -> list[Pose]:
    return [pose_of(rest) for rest in find_rests(block)]


@pytest.fixture(scope="module")
def poses(block: Block) -> list[Pose]:
    return list(find_poses(block))


@pytest.mark.parametrize("sheet", [STRAIGHT, MPU6050_ACCELEROMETER], ids=["straight", "curved"])
@pytest.mark.parametrize("found_by", ["rests", "poses"])
def test_imu_tk_from_raw_counts(found_by: str, sheet, request) -> None:
    fit = fit_accelerometer(request.getfixturevalue(found_by), sheet)
    assert fit.state is FitState.GOOD
    assert fit.unsupported == ()
    counts = COUNTS * IMU_TK_G
    matrix = np.diag(counts) @ fit.matrix
    lower, t_lower = triangular(matrix, lower=True)
    upper, _ = triangular(matrix, lower=False)
    assert lower / IMU_TK_G == pytest.approx(LOWER, abs=0.1)
    assert upper / IMU_TK_G == pytest.approx(UPPER, abs=0.1)
    offsets = fit.bias_g * counts + OFFSETS
    assert offsets == pytest.approx([33124.2, 33275.2, 32364.4], abs=0.6)
    below = t_lower[[1, 2, 2], [0, 0, 1]]
    # Poses are cut by the turns between them, rests by stillness: a little hand stays in poses.
    near = 1.0 if found_by == "rests" else 1.25
    assert below == pytest.approx([-0.00354989, -0.00890444, -0.0213032], abs=near * 4e-4)
    residuals = np.array([one.residual_g for one in fit.residuals if one.used]) * IMU_TK_G
    assert sum(not one.used for one in fit.residuals) == (0 if found_by == "rests" else 1)
    assert np.sqrt(np.mean(residuals**2)) < near * 1.1 * 0.00098
    if found_by == "rests":
        assert np.max(np.abs(residuals)) < 1.1 * 0.0021


def test_imu_tk_in_one_call_from_counts(outside_data: Find) -> None:
    """A nominal scale and a round zero stand for what an owner would know."""
    with gzip.open(outside_data("imu_tk/xsens_acc.mat.gz")) as file:
        accel = np.loadtxt(file)
    with gzip.open(outside_data("imu_tk/xsens_gyro.mat.gz")) as file:
        gyro = np.loadtxt(file)
    made = calibrate_arrays(
        accel[:, 0], accel[:, 1:], per_g=4070.0, zero=32768.0,
        gyro=gyro[:, 1:], per_dps=np.radians(4778.0), gyro_zero=32768.0,
    )  # fmt: skip
    assert made.fit.state is FitState.GOOD
    assert made.found_by == "rests"
    scale, t = made.triangular(lower=True, gravity=IMU_TK_G)
    assert scale == pytest.approx(LOWER, abs=0.1)
    assert made.bias == pytest.approx([33124.2, 33275.2, 32364.4], abs=0.6)
    assert t[[1, 2, 2], [0, 0, 1]] == pytest.approx(
        [-0.00354989, -0.00890444, -0.0213032], abs=4e-4
    )
    residuals = np.array([one.residual_g for one in made.fit.residuals if one.used]) * IMU_TK_G
    assert np.sqrt(np.mean(residuals**2)) < 1.1 * 0.00098
    assert np.max(np.abs(residuals)) < 1.1 * 0.0021
    assert made.gyro is not None and made.gyro.good
    part = accel[: len(accel) // 6]
    few = calibrate_arrays(part[:, 0], part[:, 1:], per_g=4070.0, zero=32768.0)
    assert not few.fit.is_calibration and few.fit.unsupported and few.fit.suggestions
    assert any("No calibration" in notice for notice in few.notices)


def test_the_two_conventions_differ_by_a_lean_of_y(rests: list[Pose]) -> None:
    """The fit does not fix how the chip is turned: 1.2 deg of lean of y between the two."""
    fit = fit_accelerometer(rests, STRAIGHT)
    back = np.linalg.inv(fit.matrix)
    ys = []
    for lower in (True, False):
        scale, t = triangular(fit.matrix, lower=lower)
        ys.append((t / scale) @ fit.matrix)
    turn = ys[0] @ np.linalg.inv(ys[1])
    assert turn @ turn.T == pytest.approx(np.eye(3), abs=1e-9)
    assert np.degrees(np.arccos(turn[1, 1])) == pytest.approx(1.2, abs=0.1)
    assert np.all(np.sqrt(np.diag(fit.covariance))[12:15] > np.radians(1.5))
    assert back.shape == (3, 3)


def test_gravity_lands_where_the_gyro_of_imu_tk_says(block: Block, poses: list[Pose]) -> None:
    fit = fit_accelerometer(poses)
    gyro = fit_gyro(turns_between(block, poses), fit)
    assert gyro.good
    assert gyro.axes == ("+x", "+y", "+z")
    assert gyro.unsupported == ()
    # Published: 0.52 deg rms, 3.5 uncalibrated.
    assert np.sqrt(np.mean(gyro.misfit_deg**2)) < 0.52
    assert gyro.uncorrected_misfit_deg == pytest.approx(3.5, abs=0.3)


@pytest.mark.parametrize(
    ("axes", "named"),
    [
        (np.diag([1.0, -1.0, 1.0]), ("+x", "-y", "+z")),
        (np.eye(3)[[1, 0, 2]], ("+y", "+x", "+z")),
        (-np.eye(3), ("-x", "-y", "-z")),
    ],
    ids=["y reversed", "x and y swapped", "all reversed"],
)
def test_reversed_and_swapped_axes_are_named(
    axes: np.ndarray, named: tuple[str, ...], block: Block, poses: list[Pose]
) -> None:
    assert block.gyro_dps is not None
    some = poses[10:26]
    other = dataclasses.replace(block, gyro_dps=block.gyro_dps @ axes.T)
    seen = [
        dataclasses.replace(p, gyro_dps=None if p.gyro_dps is None else axes @ p.gyro_dps)
        for p in some
    ]
    gyro = fit_gyro(turns_between(other, seen), fit_accelerometer(poses))
    assert gyro.axes == named
    assert "gyro's axes are not the accelerometer's" in gyro.reason
    assert np.sqrt(np.mean(gyro.misfit_deg**2)) < 0.6


def imucal_parts(find: Find) -> dict[str, np.ndarray]:
    """Return accelerometer and gyro readings, raw counts, of each labelled part."""
    path = find("imucal/annotated_session.csv")
    names = np.loadtxt(path, delimiter=",", skiprows=1, usecols=0, dtype=str)
    counts = np.loadtxt(path, delimiter=",", skiprows=1, usecols=range(2, 8))
    return {str(name): counts[names == name] for name in np.unique(names)}


IMUCAL_G, IMUCAL_COUNTS, IMUCAL_HZ = 9.81, 210.0, 204.8


def still_pose(counts: np.ndarray, at_s: float) -> Pose:
    accel = counts[:, :3] / (IMUCAL_COUNTS * IMUCAL_G)
    return Pose(
        accel.mean(axis=0),
        np.cov(accel.T) / len(accel),
        0.0,
        counts[:, 3:].mean(axis=0) / 16.4,
        None,
        at_s,
        at_s + len(counts) / IMUCAL_HZ,
    )


def test_six_labelled_positions_of_imucal(outside_data: Find) -> None:
    """Six positions settle bias and scale; what they leave open is named, so no calibration.

    Published: K_a and b_a in counts and counts per m/s2.
    """
    parts = imucal_parts(outside_data)
    still = [still_pose(parts[name], 10.0 * i) for i, name in enumerate(parts) if "rot" not in name]
    assert len(still) == 6
    wide = dataclasses.replace(STRAIGHT, bias_mg=(500.0,) * 3, scale_percent=20.0)
    fit = fit_accelerometer(still, wide)
    counts = IMUCAL_COUNTS * IMUCAL_G
    scale = np.linalg.norm(fit.matrix, axis=1) * IMUCAL_COUNTS
    assert scale == pytest.approx([208.545673, 208.001134, 214.784554], abs=0.1)
    assert fit.bias_g * counts == pytest.approx([-6.018868, -48.287874, -28.966366], abs=0.6)
    assert fit.state is FitState.ILL_CONDITIONED
    assert {"skew_xy", "skew_xz", "skew_yz"} <= set(fit.unsupported)


def test_three_full_turns_of_imucal_give_the_gyros_scale(outside_data: Find) -> None:
    """A turn through 360 deg about each axis; published K_g in counts per deg/s."""
    parts = imucal_parts(outside_data)
    still = [still_pose(parts[name], 10.0 * i) for i, name in enumerate(parts) if "rot" not in name]
    wide = dataclasses.replace(STRAIGHT, bias_mg=(500.0,) * 3, scale_percent=20.0)
    fit = fit_accelerometer(still, wide)
    rest_dps = np.mean([pose.gyro_dps for pose in still], axis=0)
    turns = []
    for name in ("x_rot", "y_rot", "z_rot"):
        counts = parts[name]
        # The parts are cut so closely that the pod turns at their ends already.
        ends = [
            dataclasses.replace(still_pose(some, 0.0), gyro_dps=rest_dps)
            for some in (counts[:60], counts[-60:])
        ]
        t_s = np.arange(len(counts)) / IMUCAL_HZ
        turns.append(FullTurn(GyroTurns(*ends, t_s, counts[:, 3:] / 16.4)))
    gyro = fit_gyro([], fit, full_turns=turns)
    scale = np.linalg.norm(gyro.matrix, axis=1) * 16.4
    assert scale == pytest.approx([16.677696, 16.187895, 16.253363], rel=1e-3)
    assert gyro.axes == ("+x", "+y", "+z")
    assert not [name for name in gyro.unsupported if name.startswith("scale")]
    assert "cross_xy" in gyro.unsupported


@pytest.mark.parametrize(
    "keep",
    [
        lambda u: u[:, 2] > 0.5,
        lambda u: np.abs(u[:, 0]) < 0.25,
        lambda u: np.arange(len(u)) < 8,
    ],
    ids=["z stays up", "x stays level", "eight poses"],
)
def test_part_of_imu_tk_is_no_calibration(keep, rests: list[Pose]) -> None:
    up = np.array([pose.accel_g for pose in rests])
    some = [pose for pose, kept in zip(rests, keep(up), strict=True) if kept]
    fit = fit_accelerometer(some)
    assert fit.state is FitState.ILL_CONDITIONED, fit.parameters
    assert fit.suggestions
