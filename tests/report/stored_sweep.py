"""A store with a run whose raw bytes are a made sweep, as a pod would send it."""

from __future__ import annotations

import random
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from knuckle.model.block import Block
from knuckle.store.database import Store
from knuckle.wire.codec import encode_message
from knuckle.wire.messages import (
    Channel,
    ChannelKind,
    Hello,
    ResetCause,
    SampleBatch,
    Sensor,
)
from report.made_sweep import made_block, made_outcome

STARTED = datetime(2026, 3, 1, 12, 0, 0, tzinfo=UTC)
ACCEL_SCALE = 2.0**-14
GYRO_SCALE = 1.0 / 131.0

HELLO = Hello(
    protocol=1,
    hardware="bench",
    firmware=(1, 2, 3),
    identity=bytes(range(8)),
    name="left pod",
    reset_cause=ResetCause.POWER_ON,
    streaming=True,
    tick_hz=1_000_000,
    raw_period_ticks=10_000,
    averaging=1,
    least_averaging=1,
    channels=(
        Channel(ChannelKind.ACCELEROMETER, Sensor.MPU6050, 3, 16, ACCEL_SCALE, 0.0, 2.0, 4e-4),
        Channel(ChannelKind.GYRO, Sensor.MPU6050, 3, 16, GYRO_SCALE, 0.0, 250.0, 5e-3),
    ),
)


def wire_bytes(block: Block, *, lost_batch: int | None = None) -> bytes:
    """The block as a pod with an MPU-6050 would send it, ten samples a frame."""
    assert block.gyro_dps is not None
    counts = np.concatenate(
        [np.rint(block.accel_g / ACCEL_SCALE), np.rint(block.gyro_dps / GYRO_SCALE)], axis=1
    ).astype("<i2")
    frames = [encode_message(HELLO)]
    for sequence, first in enumerate(range(0, len(block), 10)):
        if sequence == lost_batch:
            continue
        part = counts[first : first + 10]
        batch = SampleBatch(sequence, first * 10_000, 1, len(part), part.tobytes())
        frames.append(encode_message(batch))
    return b"".join(frames)


def fill(store: Store, *, seed: int = 3, lost_batch: int | None = None) -> int:
    """Store a sweep, cut into chunks at random, with its outcome and a note."""
    data = wire_bytes(made_block(), lost_batch=lost_batch)
    cuts = random.Random(seed)
    run = store.begin_run("sweep", ["LF"], "0.1.0", {"seed": 7, "brake": "on"}, started_utc=STARTED)
    store.describe_stream(run, 0, address="sim:car", hello=HELLO)
    place, arrival_s = 0, 100.0
    while place < len(data):
        length = cuts.randint(1, 700)
        store.add_chunk(run, 0, arrival_s, data[place : place + length])
        place += length
        arrival_s += 0.07
    store.add_result(run, made_outcome(), method="sweep-1", program_version="0.1.0")
    store.add_note(run, "before the bushes were changed")
    store.finish_run(run)
    return run


def filled_store(path: Path) -> Path:
    with Store(path, utc_now=lambda: STARTED) as store:
        fill(store)
    return path
