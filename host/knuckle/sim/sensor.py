"""From the pod's motion to raw counts: the chip with all its errors.

Model of the MPU-6050 data sheet rev 3.3, with an ADXL355 in place of its accelerometer if wanted:
reading = (I + scale + six cross-axis terms) applied to the truth in chip axes, plus bias, plus
noise; then the temperature's part, quantised and clipped.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from knuckle.model.block import FloatArray, IntArray
from knuckle.sim.case import Case, Stream
from knuckle.sim.motion import Motion
from knuckle.sim.range_weight import RangeWeight
from knuckle.sim.spec import Part
from knuckle.wire.messages import Channel, ChannelKind, Sensor

REFERENCE_C = 25.0
COUNTS_PER_C = 340.0
ROOM_COUNTS, ROOM_C = -521.0, 35.0
_TEMP_NOISE_C = 0.03
_FULL = 32768


def channels(case: Case) -> tuple[Channel, ...]:
    """Return the hello's table of channels."""
    s = case.scenario.sensor
    gyro = Channel(
        ChannelKind.GYRO,
        Sensor.MPU6050,
        axes=3,
        bits=16,
        scale=s.gyro_range_dps / _FULL,
        offset=0.0,
        full_scale=s.gyro_range_dps,
        noise_density=s.gyro_noise_dps,
    )
    accel, temperature = (_adxl355 if s.accelerometer is Part.ADXL355 else _mpu6050)(case)
    return (accel, gyro, temperature) if case.scenario.pod.gyro else (accel, temperature)


def _full_scale_g(case: Case, range_g: float) -> float:
    clipping = case.scenario.faults.clipping
    return min(range_g, clipping.limit_g) if clipping.on else range_g


def _mpu6050(case: Case) -> tuple[Channel, Channel]:
    s = case.scenario.sensor
    range_g = s.accelerometer_range_g
    accel = Channel(
        ChannelKind.ACCELEROMETER,
        Sensor.MPU6050,
        axes=3,
        bits=16,
        scale=range_g / _FULL,
        offset=0.0,
        full_scale=_full_scale_g(case, range_g),
        noise_density=s.accel_noise_ug * 1e-6,
    )
    temperature = Channel(
        ChannelKind.TEMPERATURE,
        Sensor.MPU6050,
        axes=1,
        bits=16,
        scale=1.0 / COUNTS_PER_C,
        offset=ROOM_C - ROOM_COUNTS / COUNTS_PER_C,
        full_scale=85.0,
        noise_density=0.0,
    )
    return accel, temperature


def _adxl355(case: Case) -> tuple[Channel, Channel]:
    """Return the rows of docs/protocol.md: 256000 counts/g, 1885 counts at 25 C, -9.05 a degree."""
    accel = Channel(
        ChannelKind.ACCELEROMETER,
        Sensor.ADXL355,
        axes=3,
        bits=20,
        scale=float(np.float32(1.0 / 256000.0)),
        offset=0.0,
        full_scale=_full_scale_g(case, 2.048),
        noise_density=case.scenario.sensor.accel_noise_ug * 1e-6,
    )
    temperature = Channel(
        ChannelKind.TEMPERATURE,
        Sensor.ADXL355,
        axes=1,
        bits=13,
        scale=float(np.float32(-1.0 / 9.05)),
        offset=float(np.float32(25.0 + 1885.0 / 9.05)),
        full_scale=125.0,
        noise_density=0.0,
    )
    return accel, temperature


class Signals(NamedTuple):
    """What the chip would read if it had neither steps nor ends."""

    accel_g: FloatArray
    """Shape (n, 3)."""
    gyro_dps: FloatArray | None
    """Shape (n, 3); None without a gyro."""
    temp_c: FloatArray
    """Shape (n,)."""


class Chip:
    """The sensor chip: keeps the walk of its zero rate between calls.

    Readings are the same however the times are divided into calls.
    """

    def __init__(self, case: Case) -> None:
        self._case = case
        self.channels = channels(case)
        self._rng = case.generator(Stream.NOISE)
        self._walk_dps = np.zeros(3)
        self._ranges = (RangeWeight(), RangeWeight())
        self._full = 1 << (self.channels[0].bits - 1)
        self._limit = self._full
        if case.scenario.faults.clipping.on:
            accel = self.channels[0]
            self._limit = round(accel.full_scale / accel.scale)

    def out_of_range(self, raw: IntArray, period_s: float) -> list[bool]:
        """Return, for accelerometer and gyro, whether they stand at the end of their range.

        Parameters
        ----------
        raw : ndarray, shape (n, axes of all channels)
            The readings that follow.
        period_s : float
            From one to the next.
        """
        rows = [(raw[:, :3], self._limit)]
        if self._case.scenario.pod.gyro:
            rows.append((raw[:, 3:6], _FULL))
        return [
            weight.take(np.any((read <= -limit) | (read >= limit - 1), axis=1), period_s)
            for weight, (read, limit) in zip(self._ranges, rows, strict=False)
        ]

    def read(self, t_s: FloatArray, motion: Motion, period_s: float) -> IntArray:
        """Return raw counts, shape (n, axes of all channels); parameters as for `signals`."""
        signals = self.signals(t_s, motion, period_s)
        parts = [_counts(signals.accel_g, self.channels[0], self._limit, self._full)]
        if signals.gyro_dps is not None:
            parts.append(_counts(signals.gyro_dps, self.channels[1], _FULL))
        parts.append(_counts(signals.temp_c[:, None], self.channels[-1], _FULL))
        return np.concatenate(parts, axis=1)

    def signals(self, t_s: FloatArray, motion: Motion, period_s: float) -> Signals:
        """Return readings with all errors of the chip, noise included, as real numbers.

        Parameters
        ----------
        t_s : ndarray, shape (n,)
            Time since boot, for the temperature.
        motion : Motion
            At those times.
        period_s : float
            From one raw reading to the next: sets the noise's bandwidth, its half.
        """
        chip, s = self._case.chip, self._case.scenario.sensor
        normal = self._rng.standard_normal((t_s.shape[0], 10))
        white = np.sqrt(0.5 / period_s)
        temp_c = s.temp_c + s.warm_up_c * (1.0 - np.exp(-t_s / s.warm_up_s))
        warmer = (temp_c - REFERENCE_C)[:, None]

        force = motion.up + motion.push_g
        accel = force @ chip.accel_matrix.T
        if s.nonlinearity_percent:
            accel += s.nonlinearity_percent / 100.0 / s.accelerometer_range_g * accel**2
        accel += chip.accel_bias_g + warmer * chip.accel_bias_per_c_g
        accel += warmer * chip.accel_scale_per_c * force
        accel += s.accel_noise_ug * 1e-6 * white * normal[:, :3]

        gyro = None
        if self._case.scenario.pod.gyro:
            walk = np.cumsum(s.gyro_bias_walk_dps * np.sqrt(period_s) * normal[:, 3:6], axis=0)
            walk += self._walk_dps
            if len(walk):
                self._walk_dps = walk[-1]
            gyro = np.degrees(motion.rate_rad_s) @ chip.gyro_matrix.T
            gyro += chip.gyro_bias_dps + warmer * chip.gyro_bias_per_c_dps + walk
            gyro += force @ chip.gyro_per_g_dps.T
            gyro += s.gyro_noise_dps * white * normal[:, 6:9]
        return Signals(accel, gyro, temp_c + _TEMP_NOISE_C * normal[:, 9])


def _counts(value: FloatArray, channel: Channel, limit: int, full: int = _FULL) -> IntArray:
    raw = np.rint((value - channel.offset) / channel.scale)
    return np.clip(raw, -limit, min(limit, full - 1)).astype(np.int64)
