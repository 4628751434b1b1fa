"""Samples without some of their channels: what enters a block, and what a linear block."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from knuckle.model.block import Block, concatenate
from knuckle.model.linear import LinearBlock, concatenate_linear, linear_of
from knuckle.timebase.assembler import RESTART_PAUSE_S, BlockAssembler
from knuckle.wire.messages import (
    Channel,
    ChannelKind,
    Hello,
    Message,
    ResetCause,
    SampleBatch,
    Sensor,
    TextHeader,
    TextSample,
)
from knuckle.wire.text import TextLines

TICK_HZ = 1_000_000
PERIOD = 10_000
ACCEL = Channel(ChannelKind.ACCELEROMETER, Sensor.ADXL355, 3, 20, 1 / 256000, 0.0, 2.048, 2e-5)
GYRO = Channel(ChannelKind.GYRO, Sensor.MPU6050, 3, 16, 1 / 131, 0.0, 250.0, 0.005)
TEMP = Channel(ChannelKind.TEMPERATURE, Sensor.ADXL355, 1, 13, -1 / 9.05, 233.287, 125.0, 0.0)
POT = Channel(ChannelKind.LINEAR, Sensor.POTENTIOMETER, 1, 15, 100 / 16384, 0.0, 100.0, 0.0)
CALIPER = Channel(ChannelKind.LINEAR, Sensor.CALIPER, 1, 24, 0.0001, 0.0, 838.8607, 0.0)
TABLE = (ACCEL, GYRO, TEMP, POT, CALIPER)
WIDTHS = {ACCEL: 3, GYRO: 2, TEMP: 2, POT: 2, CALIPER: 3}


def hello(channels: tuple[Channel, ...] = TABLE, streaming: bool = True) -> Hello:
    return Hello(
        1, "test", (1, 0, 0), bytes(8), "pod", ResetCause.POWER_ON, streaming, TICK_HZ,
        PERIOD, 1, 1, channels,
    )  # fmt: skip


VALUES = {ACCEL: (0, 0, 256000), GYRO: (131, 0, 0), TEMP: (1885,), POT: (8192,), CALIPER: (12345,)}


def batch(
    sequence: int,
    tick: int,
    samples: int = 5,
    mask: int | None = None,
    table: tuple[Channel, ...] = TABLE,
) -> SampleBatch:
    sent = [row for i, row in enumerate(table) if mask is None or mask >> i & 1]
    one = b"".join(
        value.to_bytes(WIDTHS[row], "little", signed=True) for row in sent for value in VALUES[row]
    )
    return SampleBatch(sequence, tick % 2**32, 1, samples, one * samples, mask)


def run(*masks: int | None) -> list[Message]:
    """Return frames of five samples without a gap, of these masks."""
    return [batch(i, i * 5 * PERIOD, mask=mask) for i, mask in enumerate(masks)]


def test_without_accelerometer_samples_are_lost_to_the_block_but_not_to_the_lengths():
    found = BlockAssembler().assemble([hello(), *run(None, 0x18, None)])
    block, linear = found.block, found.linear
    assert block is not None
    assert linear is not None
    assert len(block) == 10
    assert block.lost_before.tolist() == [0] * 5 + [5] + [0] * 4
    assert block.stretch.tolist() == [0] * 10
    np.testing.assert_allclose(block.t_s[5], 0.10)
    assert len(linear) == 15
    assert not linear.lost_before.any()
    np.testing.assert_allclose(linear.t_s, np.arange(15) * 0.01)
    np.testing.assert_allclose(linear.linear_mm, [[50.0, 1.2345]] * 15, rtol=1e-6)
    assert np.isfinite(block.accel_g).all()
    assert block.gyro_dps is not None
    assert np.isfinite(block.gyro_dps).all()


def test_an_accelerometer_away_for_long_begins_a_stretch_of_the_block_alone():
    found = BlockAssembler().assemble([hello(), *run(None, *([0x18] * 6), None)])
    assert found.block is not None
    assert found.linear is not None
    assert found.block.stretch.tolist() == [0] * 5 + [1] * 5
    assert found.block.lost_before[5] == 30
    assert not found.linear.stretch.any()


def test_lengths_away_for_long_begin_a_stretch_of_the_lengths_alone():
    found = BlockAssembler().assemble([hello(), *run(None, *([0x07] * 6), None)])
    block, linear = found.block, found.linear
    assert block is not None
    assert linear is not None
    assert len(block) == 40
    assert not block.stretch.any()
    assert block.linear_mm is not None
    assert np.isnan(block.linear_mm[5:35]).all()
    assert linear.stretch.tolist() == [0] * 5 + [1] * 5
    assert linear.lost_before[5] == 30
    assert np.isfinite(linear.linear_mm).all()


def test_one_of_two_lengths_away_is_nan():
    found = BlockAssembler().assemble([hello(), *run(None, 0x0F, 0x17)])
    assert found.linear is not None
    missing = np.isnan(found.linear.linear_mm).tolist()
    assert missing == [[False, False]] * 5 + [[False, True]] * 5 + [[True, False]] * 5


def test_a_missing_temperature_is_nan_in_the_block():
    block = BlockAssembler().push_many([hello(), *run(None, 0x1B)])
    assert block is not None
    assert block.temp_c is not None
    assert np.isfinite(block.temp_c[:5]).all()
    assert np.isnan(block.temp_c[5:]).all()


def test_a_recording_that_began_with_a_gyro_keeps_to_samples_with_a_gyro():
    block = BlockAssembler().push_many([hello(), *run(None, 0x1D, None)])
    assert block is not None
    assert block.gyro_dps is not None
    assert block.lost_before.tolist() == [0] * 5 + [5] + [0] * 4


def test_a_recording_that_began_without_a_gyro_stays_without_one():
    block = BlockAssembler().push_many([hello(), *run(0x1D, None)])
    assert block is not None
    assert block.gyro_dps is None
    assert not block.lost_before.any()
    assert len(block) == 10


def test_a_pod_of_lengths_alone():
    table = (POT, CALIPER)
    frames = [batch(i, i * 5 * PERIOD, table=table) for i in range(3)]
    assembler = BlockAssembler()
    found = assembler.assemble([hello(table), *frames])
    assert found.block is None
    assert found.linear is not None
    assert len(found.linear) == 15
    assert assembler.skipped_batches == 0
    assert assembler.linear_names == ("potentiometer", "caliper")


def test_a_table_that_changed_between_stop_and_start_keeps_time_and_columns():
    only = (CALIPER,)
    messages = [
        hello(),
        batch(0, 0),
        hello(only, streaming=False),
        hello(only),
        batch(1, 10 * PERIOD, table=only),
        hello(streaming=False),
        hello(),
        batch(2, 20 * PERIOD),
    ]
    assembler = BlockAssembler()
    found = assembler.assemble(messages)
    block, linear = found.block, found.linear
    assert block is not None
    assert linear is not None
    assert assembler.restarts == 0
    np.testing.assert_allclose(linear.t_s[[0, 5, 10]], [0.0, 0.1, 0.2])
    assert linear.stretch.tolist() == [0] * 5 + [1] * 5 + [2] * 5
    assert np.isnan(linear.linear_mm[5:10, 0]).all()
    np.testing.assert_allclose(linear.linear_mm[:, 1], 1.2345, rtol=1e-6)
    assert block.stretch.tolist() == [0] * 5 + [1] * 5
    np.testing.assert_allclose(block.t_s[5], 0.2)


def test_a_restart_with_another_table():
    other = (ACCEL, TEMP, CALIPER)
    messages = [
        hello(), *run(None, None), hello(other, streaming=False), hello(other),
        batch(0, 900, table=other), hello(streaming=False), hello(), batch(0, 500),
    ]  # fmt: skip
    assembler = BlockAssembler()
    found = assembler.assemble(messages)
    block, linear = found.block, found.linear
    assert block is not None
    assert linear is not None
    assert assembler.restarts == 2
    # The gyro was gone in between: those samples are the lengths' alone.
    assert len(block) == 15
    assert len(linear) == 20
    np.testing.assert_allclose(linear.t_s[10], 0.09 + RESTART_PAUSE_S)
    assert linear.stretch.tolist() == [0] * 10 + [1] * 5 + [2] * 5
    assert block.stretch.tolist() == [0] * 10 + [1] * 5
    assert np.all(np.diff(block.t_s) > 0)


def same(one: Block | LinearBlock, other: Block | LinearBlock) -> None:
    for field in dataclasses.fields(one):
        a, b = getattr(one, field.name), getattr(other, field.name)
        np.testing.assert_array_equal(a, b, err_msg=field.name)


@pytest.mark.parametrize("seed", range(6))
def test_same_arrays_however_cut(seed: int):
    rng = np.random.default_rng(seed)
    table = TABLE
    messages: list[Message] = [hello()]
    tick = 2**32 - 40 * PERIOD
    for i in range(80):
        full = (1 << len(table)) - 1
        mask = None if rng.uniform() < 0.6 else int(rng.integers(1, full + 1))
        samples = int(rng.integers(1, 8))
        messages.append(batch(i, tick, samples, mask, table))
        tick += samples * PERIOD
        if rng.uniform() < 0.1:
            tick += int(rng.integers(1, 60)) * PERIOD
        if rng.uniform() < 0.05:
            table = TABLE if table is not TABLE else (ACCEL, GYRO, CALIPER)
            messages += [hello(table, streaming=False), hello(table)]
    whole = BlockAssembler().assemble(messages)
    single = BlockAssembler()
    parts = [single.assemble([message]) for message in messages]
    assert whole.block is not None
    assert whole.linear is not None
    same(whole.block, concatenate([p.block for p in parts if p.block is not None]))
    same(whole.linear, concatenate_linear([p.linear for p in parts if p.linear is not None]))
    assert np.isfinite(whole.block.accel_g).all()
    assert not np.isnan(whole.linear.linear_mm).all(axis=1).any()


def test_text_lines_of_lengths_alone_and_a_header_that_changes():
    head = TextHeader(("t_s", "linear_mm", "linear2_mm"), ())
    rows: list[Message] = [TextSample((i * 0.02, 10.0 + i, 20.0)) for i in range(30)]
    more = TextHeader(("t_s", "ax_g", "ay_g", "az_g", "linear2_mm"), ())
    rows += [more, *(TextSample((i * 0.02, 0.0, 0.0, 1.0, 21.0)) for i in range(30, 60))]
    found = BlockAssembler().assemble([head, *rows])
    assert found.block is not None
    assert found.linear is not None
    assert len(found.block) == 30
    assert len(found.linear) == 60
    np.testing.assert_allclose(found.linear.t_s, np.arange(60) * 0.02)
    assert np.isnan(found.linear.linear_mm[30:, 0]).all()
    assert found.linear.linear_mm[45, 1] == 21.0
    assert not found.linear.lost_before.any()
    np.testing.assert_allclose(found.block.t_s[0], 0.6)


def test_text_lines_with_empty_cells():
    lines = TextLines()
    text = b"t_s,ax_g,ay_g,az_g,temp_c,linear_mm\n"
    text += b"".join(
        b"%.2f,0,0,1,%s,%s\n" % (i / 50, b"" if i == 3 else b"21", b"" if i in (5, 6) else b"9")
        for i in range(40)
    )
    text += b"0.80,,0,1,21,9\n"
    found = BlockAssembler().assemble(lines.feed(text))
    assert lines.counts.bad_lines == 1
    assert found.block is not None
    assert found.linear is not None
    assert np.flatnonzero(np.isnan(found.block.temp_c)).tolist() == [3]
    assert len(found.block) == 40
    assert len(found.linear) == 38
    assert found.linear.lost_before[5] == 2


def test_the_linear_part_of_a_block():
    block = BlockAssembler().push_many([hello(), *run(0x07, None, 0x07, None)])
    assert block is not None
    linear = linear_of(block)
    assert linear is not None
    assert len(linear) == 10
    assert linear.lost_before.tolist() == [0, 0, 0, 0, 0, 5, 0, 0, 0, 0]
    assert not linear.stretch.any()
    block = BlockAssembler().push_many([hello(), *run(None, *([0x07] * 6), None)])
    assert block is not None
    same(
        linear_of(block),
        BlockAssembler().assemble([hello(), *run(None, *([0x07] * 6), None)]).linear,
    )
    assert linear_of(dataclasses.replace(block, linear_mm=None)) is None
