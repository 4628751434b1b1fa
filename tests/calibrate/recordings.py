"""Recordings of real sensors as blocks, in g by the nominal scale (see SOURCES.md of the data)."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path

from knuckle.calibrate.pose import Pose
from knuckle.estimate.data_sheets import MPU6050_ACCELEROMETER
from knuckle.model.rest import Rest

Find = Callable[[str], Path]

STRAIGHT = dataclasses.replace(MPU6050_ACCELEROMETER, nonlinearity_percent=0.0)
"""The published fits know no nonlinearity."""


def pose_of(rest: Rest) -> Pose:
    """Return a rest as a pose."""
    return Pose(
        rest.accel_g,
        rest.accel_cov_g2,
        0.0,
        rest.gyro_dps,
        rest.temp_c,
        rest.start_s,
        rest.end_s,
        rest.stretch,
        rest.clipped,
    )
