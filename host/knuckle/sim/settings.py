"""The settings record that a simulated pod carries: name, identity, calibration."""

from __future__ import annotations

from typing import cast

import numpy as np

from knuckle.model.block import FloatArray
from knuckle.sim.case import Case, Stream, generator, off_diagonal
from knuckle.sim.sensor import REFERENCE_C
from knuckle.wire.settings import Matrix, SettingsRecord, StoredCalibration, Vector

CALIBRATED_ON = 1767225600
"""2026-01-01 00:00 UTC: when every simulated pod was calibrated."""


def stored_settings(case: Case) -> bytes:
    """Return the record as bytes; the identity follows from the seed."""
    identity = generator(case.seed, Stream.CASE, 1).bytes(8)
    pod = case.scenario.pod
    return SettingsRecord(identity, pod.name, pod.baud, _calibration(case)).to_bytes()


def _calibration(case: Case) -> StoredCalibration | None:
    stored, c = case.stored, case.scenario.calibration
    if stored is None:
        return None
    return StoredCalibration(
        accel_bias_g=_vector(stored.accel_bias_g),
        accel_matrix=_matrix(stored.accel_matrix),
        accel_bias_u_g=(c.accel_bias_sigma_g,) * 3,
        accel_matrix_u=_matrix(_uncertain(c.accel_scale_sigma, c.accel_cross_sigma)),
        gyro_matrix=_matrix(stored.gyro_matrix),
        gyro_matrix_u=_matrix(_uncertain(c.gyro_scale_sigma, c.gyro_cross_sigma)),
        temp_c=REFERENCE_C,
        date=CALIBRATED_ON,
        turn_u_deg=c.turn_sigma_deg,
    )


def _uncertain(scale: float, cross: float) -> FloatArray:
    return scale * np.eye(3) + off_diagonal(np.full(6, cross))


def _vector(values: FloatArray) -> Vector:
    return cast(Vector, tuple(float(v) for v in values))


def _matrix(values: FloatArray) -> Matrix:
    return cast(Matrix, tuple(_vector(row) for row in values))
