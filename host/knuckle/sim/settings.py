"""The settings record that a simulated pod carries: name, identity, calibration."""

from __future__ import annotations

from typing import cast

import numpy as np

from knuckle.errors import PodError
from knuckle.model.block import FloatArray
from knuckle.sim.case import Case, Stream, off_diagonal
from knuckle.sim.sensor import REFERENCE_C
from knuckle.wire.commands import (
    LONGEST_SETTINGS_PIECE,
    parse_settings_read,
    parse_settings_write,
)
from knuckle.wire.messages import AckCode
from knuckle.wire.settings import Matrix, SettingsRecord, StoredCalibration, Vector

_DAMAGED_AT = 100
CALIBRATED_ON = 1767225600
"""2026-01-01 00:00 UTC: when every simulated pod was calibrated."""


class SettingsMemory:
    """The pod's memory of its settings, read and written piece by piece.

    The identity follows from the seed.

    Attributes
    ----------
    record : SettingsRecord
        The settings in force.
    damaged : bool
        Whether what is kept makes no record.
    """

    def __init__(self, case: Case) -> None:
        identity = case.generator(Stream.CASE, 1).bytes(8)
        pod = case.scenario.pod
        self.record = SettingsRecord(identity, pod.name, pod.baud, _calibration(case))
        self._bytes = bytearray(self.record.to_bytes())
        self.damaged = case.scenario.faults.settings_lost.on
        if self.damaged:
            self._bytes[_DAMAGED_AT] ^= 0x10
            self.record = SettingsRecord()

    def read(self, payload: bytes) -> tuple[int, bytes] | AckCode:
        """Answer a SETTINGS_READ: offset and bytes, or what is wrong with it."""
        wanted = parse_settings_read(payload)
        if wanted is None:
            return AckCode.BAD_LENGTH
        end = wanted.offset + wanted.length
        if not 1 <= wanted.length <= LONGEST_SETTINGS_PIECE or end > len(self._bytes):
            return AckCode.BAD_VALUE
        return wanted.offset, bytes(self._bytes[wanted.offset : end])

    def write(self, payload: bytes) -> AckCode:
        """Carry out a SETTINGS_WRITE; the record is taken into use with its last byte."""
        wanted = parse_settings_write(payload)
        if wanted is None:
            return AckCode.BAD_LENGTH
        end = wanted.offset + len(wanted.data)
        if end > len(self._bytes):
            return AckCode.BAD_VALUE
        self._bytes[wanted.offset : end] = wanted.data
        if end == len(self._bytes):
            try:
                self.record = SettingsRecord.from_bytes(bytes(self._bytes))
            except PodError:
                return AckCode.SETTINGS_FAULT
            self.damaged = False
        return AckCode.OK


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
