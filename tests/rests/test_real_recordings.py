"""The detector on recordings of real sensors (see SOURCES.md beside the data)."""

from __future__ import annotations

import gzip
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from knuckle.model.block import Block
from knuckle.rests.detector import RestDetector, find_rests

Find = Callable[[str], Path]

# Factory sheet of the imu_tk unit: counts per m/s2 and offsets; its g (check values of the data).
COUNTS = np.array([415.0, 413.0, 415.0])
OFFSETS = np.array([33123.0, 33276.0, 32360.0])
IMU_TK_G = 9.81744
# The gyro's scale that the method's published program starts from, counts per rad/s.
GYRO_COUNTS = 4778.0


def block_of(t_s: np.ndarray, accel_g: np.ndarray, gyro_dps: np.ndarray) -> Block:
    n = len(t_s)
    return Block(
        t_s=t_s,
        accel_g=accel_g,
        gyro_dps=gyro_dps,
        temp_c=None,
        linear_mm=None,
        lost_before=np.zeros(n, dtype=np.int64),
        stretch=np.zeros(n, dtype=np.int64),
        clipped=np.zeros(n, dtype=np.bool_),
        rate_hz=100.0,
    )


def imu_tk(find: Find) -> Block:
    with gzip.open(find("imu_tk/xsens_acc.mat.gz")) as file:
        accel = np.loadtxt(file)
    with gzip.open(find("imu_tk/xsens_gyro.mat.gz")) as file:
        gyro = np.loadtxt(file)
    return block_of(
        accel[:, 0],
        (accel[:, 1:] - OFFSETS) / COUNTS / IMU_TK_G,
        np.degrees((gyro[:, 1:] - 32768.0) / GYRO_COUNTS),
    )


@pytest.mark.parametrize("has_gyro", [True, False])
def test_every_hold_of_imu_tk_is_found(outside_data: Find, has_gyro: bool) -> None:
    """38 hand-held holds; the published program finds 37 to 42 depending on its threshold."""
    block = imu_tk(outside_data)
    if not has_gyro:
        block = replace(block, gyro_dps=None)
    holds = np.loadtxt(outside_data("imu_tk/xsens_holds_mean.csv"), delimiter=",", skiprows=1)
    rests = find_rests(block)
    assert len(holds) == 38
    assert len(rests) <= 40
    longest: dict[int, int] = {}
    for i, rest in enumerate(rests):
        inside = [
            k
            for k, (start, end) in enumerate(holds[:, :2])
            if min(rest.end, end) - max(rest.first, start) > 0.7 * (rest.end - rest.first)
        ]
        assert len(inside) == 1, (rest.first, rest.end)
        k = inside[0]
        assert rest.first >= holds[k, 0] - 100
        assert rest.end <= holds[k, 1] + 60
        if k not in longest or rest.count > rests[longest[k]].count:
            longest[k] = i
    assert len(longest) == 38
    apart_g = np.array(
        [
            (rests[i].accel_g * IMU_TK_G * COUNTS + OFFSETS - holds[k, 2:5]) / COUNTS / IMU_TK_G
            for k, i in longest.items()
        ]
    )
    # The holds' means take in the hand's settling; the rests leave it out.
    assert np.abs(apart_g).max() < 1.5e-3
    assert np.sqrt(np.mean(apart_g**2)) < 0.25e-3


@pytest.mark.parametrize("has_gyro", [True, False])
def test_still_mpu6050_is_one_rest(outside_data: Find, has_gyro: bool) -> None:
    """7.5 min at rest; standard deviations in counts and whiteness from the check values."""
    with gzip.open(outside_data("mpu6050_static/static_7min.csv.gz")) as file:
        counts = np.loadtxt(file, delimiter=",", skiprows=5)
    t_s = np.arange(len(counts)) / 100.0
    block = block_of(t_s, counts[:, :3] / 16384.0, counts[:, 3:] / 131.0)
    if not has_gyro:
        block = replace(block, gyro_dps=None)
    detector = RestDetector(100.0, has_gyro)
    events = detector.push(block) + detector.finish()
    assert [e.kind for e in events] == ["ready", "ended"]
    assert events[0].at_s < 1.5
    (rest,) = detector.rests()
    assert rest.count == len(counts)
    assert np.all(rest.effective_count > 0.95 * rest.count)
    sigma = np.sqrt(np.diag(rest.accel_cov_g2) * rest.effective_count) * 16384.0
    assert sigma == pytest.approx([53.407, 49.359, 75.409], abs=0.002)
    if has_gyro:
        assert rest.gyro_cov_dps2 is not None
        sigma = np.sqrt(np.diag(rest.gyro_cov_dps2) * rest.count) * 131.0
        assert sigma == pytest.approx([9.775, 14.565, 12.256], rel=0.05)
