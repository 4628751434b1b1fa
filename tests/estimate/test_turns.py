"""The gyro's turn between rests."""

import dataclasses

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from knuckle.estimate.turns import turn_between, turns_between
from knuckle.model.block import Block
from knuckle.model.rest import Rest

RATE_HZ = 100.0
BIAS = np.array([3.0, -2.0, 1.0])


def rest(first, end, stretch=0):
    return Rest(
        first / RATE_HZ, (end - 1) / RATE_HZ, first, end, stretch, end - first, np.ones(3),
        np.array([0.0, 0.0, 1.0]), np.eye(3) * 1e-8, BIAS, np.eye(3) * 1e-6,
        None, None, None, False, 0, True,
    )  # fmt: skip


def block(rate_dps, lost=None):
    n = rate_dps.shape[0]
    t = np.arange(n) / RATE_HZ
    zero = np.zeros(n, dtype=int)
    accel = np.tile([0.0, 0.0, 1.0], (n, 1))
    return Block(t, accel, rate_dps + BIAS, None, None, zero, zero, zero.astype(bool), RATE_HZ)


@pytest.fixture
def move():
    """Two moves about changing axes between three rests."""
    n = 900
    phase = np.clip((np.arange(n) - 200) / 300, 0, 1)[:, None]
    shape = np.sin(np.pi * phase) ** 2
    rate = shape * (np.array([5.0, -3.0, 14.0]) + phase * np.array([2.0, 6.0, -4.0]))
    return block(rate), [rest(0, 190), rest(510, 880)]


def test_it_is_the_rotation_of_the_body(move):
    samples, rests = move
    turn = turn_between(samples, rests, 0, 1)
    rate = np.radians(samples.gyro_dps[189:511] - BIAS)
    pose = Rotation.identity()
    for step in (rate[:-1] + rate[1:]) / 2 / RATE_HZ:
        pose = pose * Rotation.from_rotvec(step)
    np.testing.assert_allclose(turn.rotation_rad, pose.as_rotvec(), atol=1e-12)


def test_a_restart_or_a_long_gap_gives_no_turn(move):
    samples, rests = move
    other = [rests[0], dataclasses.replace(rests[1], stretch=1)]
    assert turns_between(samples, other) == []
    t = samples.t_s.copy()
    t[350:] += 0.3
    assert turns_between(dataclasses.replace(samples, t_s=t), rests) == []


def test_a_short_gap_is_bridged_and_widens_the_turn(move):
    samples, rests = move
    whole = turn_between(samples, rests, 0, 1)
    keep = np.ones(len(samples), dtype=bool)
    keep[340:355] = False
    short = dataclasses.replace(
        samples,
        t_s=samples.t_s[keep],
        accel_g=samples.accel_g[keep],
        gyro_dps=samples.gyro_dps[keep],
        lost_before=samples.lost_before[keep],
        stretch=samples.stretch[keep],
        clipped=samples.clipped[keep],
    )
    later = dataclasses.replace(rests[1], first=495, end=865)
    bridged = turn_between(short, [rests[0], later], 0, 1)
    np.testing.assert_allclose(bridged.rotation_rad, whole.rotation_rad, atol=np.radians(0.1))
    assert np.all(np.diag(bridged.covariance_rad2) > 5 * np.diag(whole.covariance_rad2))


def test_without_gyro_there_is_no_turn(move):
    samples, rests = move
    assert turns_between(dataclasses.replace(samples, gyro_dps=None), rests) == []
