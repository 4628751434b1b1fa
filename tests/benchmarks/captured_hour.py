"""A raw capture of any length, its frames encoded from a wheel on paper."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from analysis.wheel_on_paper import Wheel, record
from knuckle.store.capture import CapturedStream, CaptureWriter
from knuckle.wire.codec import encode_message
from knuckle.wire.messages import Channel, ChannelKind, Hello, ResetCause, SampleBatch, Sensor

TICK_HZ = 1_000_000
PER_FRAME = 5
G_PER_COUNT, DPS_PER_COUNT = 1 / 16384, 1 / 131


def hello(rate_hz: int) -> Hello:
    """Return the hello of a six-axis pod."""
    part = Sensor.MPU6050
    return Hello(
        protocol=1,
        hardware="bench",
        firmware=(1, 0, 0),
        identity=bytes(range(1, 9)),
        name="hour",
        reset_cause=ResetCause.POWER_ON,
        streaming=True,
        tick_hz=TICK_HZ,
        raw_period_ticks=TICK_HZ // rate_hz,
        averaging=1,
        least_averaging=1,
        channels=(
            Channel(ChannelKind.ACCELEROMETER, part, 3, 16, G_PER_COUNT, 0.0, 2.0, 400e-6),
            Channel(ChannelKind.GYRO, part, 3, 16, DPS_PER_COUNT, 0.0, 250.0, 0.005),
        ),
    )


def steer_deg(rate_hz: int, seconds: int) -> np.ndarray:
    """Return steer over time: a sweep a minute, resting at straight ahead and at each lock."""
    t = np.arange(seconds * rate_hz) / rate_hz
    wave = 20 * np.clip(2.5 * np.sin(2 * np.pi * t / 60), -1, 1)
    wave[np.abs(np.sin(2 * np.pi * t / 60)) < 0.2] = 0.0
    smooth = np.ones(rate_hz) / rate_hz
    return np.convolve(np.pad(wave, rate_hz, mode="edge"), smooth, "same")[rate_hz:-rate_hz]


def write_hour(path: Path, rate_hz: int, seconds: int) -> int:
    """Write a capture; returns the number of samples."""
    columns = record(
        Wheel("LF", rate_hz=rate_hz), steer_deg(rate_hz, seconds), np.random.default_rng(1)
    )
    accel = np.stack([columns[n] for n in ("ax_g", "ay_g", "az_g")], axis=1) / G_PER_COUNT
    gyro = np.stack([columns[n] for n in ("gx_dps", "gy_dps", "gz_dps")], axis=1) / DPS_PER_COUNT
    counts = np.round(np.hstack([accel, gyro])).astype("<i2")
    period = TICK_HZ // rate_hz
    stream = CapturedStream(wheel="LF", address="bench:")
    began = datetime(2026, 1, 1, tzinfo=UTC)
    with CaptureWriter(path, [stream], started_utc=began) as capture:
        capture.write(0, 0.0, encode_message(hello(rate_hz)))
        for k, first in enumerate(range(0, counts.shape[0] - PER_FRAME + 1, PER_FRAME)):
            payload = counts[first : first + PER_FRAME].tobytes()
            tick = first * period % 2**32
            batch = SampleBatch(k % 65536, tick, 1, PER_FRAME, payload)
            capture.write(0, first / rate_hz, encode_message(batch))
    return counts.shape[0]
