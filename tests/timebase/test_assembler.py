"""Messages to blocks: ticks, gaps, restarts, chunking."""

from __future__ import annotations

import struct
from dataclasses import fields

import numpy as np
import pytest

from knuckle.model.block import Block, concatenate
from knuckle.timebase.assembler import RESTART_PAUSE_S, BlockAssembler
from knuckle.timebase.text_rows import RATE_FROM
from knuckle.wire.messages import (
    Channel,
    ChannelKind,
    Hello,
    Message,
    ResetCause,
    SampleBatch,
    Sensor,
    Status,
    TextHeader,
    TextSample,
)

TICK_HZ = 1_000_000
PERIOD = 10_000
CHANNELS = (
    Channel(ChannelKind.ACCELEROMETER, Sensor.MPU6050, 3, 16, 1 / 16384, 0.0, 2.0, 400e-6),
    Channel(ChannelKind.GYRO, Sensor.MPU6050, 3, 16, 1 / 131, 0.0, 250.0, 0.005),
    Channel(ChannelKind.TEMPERATURE, Sensor.MPU6050, 1, 16, 1 / 340, 36.53, 85.0, 0.0),
)


def hello(streaming: bool = True, raw_period: int = PERIOD, averaging: int = 1) -> Hello:
    return Hello(
        1, "test", (1, 0, 0), bytes(8), "pod", ResetCause.POWER_ON, streaming, TICK_HZ,
        raw_period, averaging, 1, CHANNELS,
    )  # fmt: skip


def batch(sequence: int, tick: int, samples: int, averaging: int = 1) -> SampleBatch:
    width = "h" if averaging == 1 else "i"
    pad = 16384 * averaging
    rows = [
        struct.pack("<7h", j, -j, pad, sequence % 100, 0, 0, 0)
        if width == "h"
        else b"".join(v.to_bytes(3, "little", signed=True) for v in (j, -j, pad, 7, 0, 0, 0))
        for j in range(samples)
    ]
    return SampleBatch(sequence, tick % 2**32, averaging, samples, b"".join(rows))


def stream(first_tick: int, batches: int, samples: int = 5, sequence: int = 0) -> list[Message]:
    return [batch(sequence + i, first_tick + i * samples * PERIOD, samples) for i in range(batches)]


def same(a: Block, b: Block) -> None:
    for field in fields(Block):
        one, two = getattr(a, field.name), getattr(b, field.name)
        if isinstance(one, np.ndarray):
            assert one.dtype == two.dtype
            assert np.array_equal(one, two), field.name
        else:
            assert one == two, field.name


def test_time_starts_at_zero_and_runs_in_ticks() -> None:
    block = BlockAssembler().push_many([hello(), *stream(123_456, 4)])
    assert block is not None
    assert block.rate_hz == 100.0
    assert np.array_equal(block.t_s, np.arange(20) * PERIOD / TICK_HZ)
    assert not block.lost_before.any()
    assert not block.stretch.any()
    assert np.allclose(block.accel_g[:5, 0], np.arange(5) / 16384)


def test_counter_wraps_without_a_trace() -> None:
    block = BlockAssembler().push_many([hello(), *stream(2**32 - 7 * PERIOD, 4)])
    assert block is not None
    assert np.allclose(np.diff(block.t_s), 0.01, atol=1e-12)
    assert not block.stretch.any()


def test_long_recording_wraps_many_times() -> None:
    step = 2**31 // PERIOD - 7
    messages: list[Message] = [hello()]
    messages += [batch(i, i * step * PERIOD, 1) for i in range(9)]
    block = BlockAssembler().push_many(messages)
    assert block is not None
    assert block.t_s[-1] == pytest.approx(8 * step * 0.01)
    assert block.stretch.tolist() == list(range(9))


def test_short_gap_is_marked_long_gap_starts_a_stretch() -> None:
    messages = [hello(), batch(0, 0, 5), batch(4, 25 * PERIOD, 5), batch(9, 60 * PERIOD, 5)]
    block = BlockAssembler().push_many(messages)
    assert block is not None
    assert block.lost_before.tolist() == [0] * 5 + [20] + [0] * 4 + [30] + [0] * 4
    assert block.stretch.tolist() == [0] * 10 + [1] * 5
    assert block.t_s[10] == pytest.approx(0.6)


def test_gap_of_exactly_a_quarter_second_is_bridged() -> None:
    block = BlockAssembler().push_many([hello(), batch(0, 0, 5), batch(1, 30 * PERIOD, 5)])
    assert block is not None
    assert block.lost_before[5] == 25
    assert not block.stretch.any()


def test_restart_continues_behind_the_old_time() -> None:
    assembler = BlockAssembler()
    block = assembler.push_many([hello(), *stream(5_000_000, 2), hello(False), *stream(900, 2)])
    assert block is not None
    assert assembler.restarts == 1
    assert block.stretch.tolist() == [0] * 10 + [1] * 10
    assert block.t_s[10] == pytest.approx(0.09 + RESTART_PAUSE_S)
    assert np.all(np.diff(block.t_s) > 0)


def test_restart_that_looks_like_a_pause_is_told_by_the_frame_count() -> None:
    messages = [hello(), *stream(3_000_000_000, 2), hello(False), *stream(1_000_000, 2)]
    assembler = BlockAssembler()
    block = assembler.push_many(messages)
    assert block is not None
    assert assembler.restarts == 1
    assert block.t_s[10] - block.t_s[9] == pytest.approx(RESTART_PAUSE_S)


def test_averaged_samples_stand_at_the_centre_of_their_window() -> None:
    messages = [hello(), batch(0, 0, 4), batch(1, 4 * PERIOD, 3, averaging=4)]
    block = BlockAssembler().push_many(messages)
    assert block is not None
    # Windows of 10 ms end at 40 ms; windows of 40 ms follow: centres 5, 15 .. then 60, 100 ms.
    assert np.allclose(block.t_s, [0.0, 0.01, 0.02, 0.03, 0.055, 0.095, 0.135])
    assert block.stretch.tolist() == [0] * 4 + [1] * 3
    assert np.allclose(block.accel_g[4:, 2], 1.0)


@pytest.mark.parametrize("seed", range(5))
def test_same_block_however_cut(seed: int) -> None:
    rng = np.random.default_rng(seed)
    messages: list[Message] = [hello()]
    tick = 2**32 - 40 * PERIOD
    for i in range(60):
        samples = int(rng.integers(1, 8))
        messages.append(batch(i, tick, samples))
        tick += samples * PERIOD
        if rng.uniform() < 0.1:
            tick += int(rng.integers(1, 60)) * PERIOD
        if rng.uniform() < 0.1:
            messages += [Status(tick % 2**32, 0, 0, 0, 0, 0), hello()]
        if rng.uniform() < 0.04:
            messages.append(hello(False))
            tick = 77
    whole = BlockAssembler().push_many(messages)
    single = BlockAssembler()
    parts = [block for m in messages if (block := single.push(m)) is not None]
    assert whole is not None
    same(whole, concatenate(parts))


def test_batches_that_do_not_fit_are_skipped_and_counted() -> None:
    assembler = BlockAssembler()
    assert assembler.push(batch(0, 0, 5)) is None
    assembler.push(hello())
    assert assembler.push(SampleBatch(1, 0, 1, 5, b"short")) is None
    assert assembler.skipped_batches == 2
    assert assembler.push(batch(2, 0, 5)) is not None


def text(rows: int, start_s: float = 12.0, step_s: float = 0.02) -> list[Message]:
    head = TextHeader(("t_s", "ax_g", "ay_g", "az_g"), (("accelerometer_range_g", "2"),))
    return [head, *(TextSample((start_s + j * step_s, 0.0, 0.0, 1.0)) for j in range(rows))]


def test_text_samples_wait_until_their_rate_is_known() -> None:
    assembler = BlockAssembler()
    blocks = [assembler.push(m) for m in text(RATE_FROM + 3)]
    assert all(b is None for b in blocks[:RATE_FROM])
    first = blocks[RATE_FROM]
    assert first is not None
    assert len(first) == RATE_FROM
    assert first.rate_hz == pytest.approx(50.0)
    assert first.t_s[0] == 0.0
    assert first.gyro_dps is None
    assert all(b is not None and len(b) == 1 for b in blocks[RATE_FROM + 1 :])


def test_text_gaps_restarts_and_clipping() -> None:
    messages = text(30)
    messages.append(TextSample((12.0 + 0.02 * 34, 0.0, 0.0, 1.999)))
    messages.append(TextSample((13.5, 0.0, 0.0, 1.0)))
    messages.append(TextSample((0.1, 0.0, 0.0, 1.0)))
    assembler = BlockAssembler()
    block = assembler.push_many(messages)
    assert block is not None
    assert block.lost_before[30] == 4
    assert block.stretch[-4:].tolist() == [0, 0, 1, 2]
    assert block.clipped.tolist() == [False] * 30 + [True, False, False]
    assert block.t_s[-1] == pytest.approx(1.5 + RESTART_PAUSE_S)
    assert assembler.restarts == 1
