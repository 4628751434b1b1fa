"""Samples while a sensor is away: what is there lives on, nothing stands in for the rest."""

from __future__ import annotations

import itertools

import pytest

from firmware.core_library import Board, of_type
from knuckle.wire import commands
from knuckle.wire.budget import sample_bytes, samples_per_frame
from knuckle.wire.messages import (
    Channel,
    Command,
    Hello,
    Message,
    SampleBatch,
    Status,
    sample_width,
)

PERIOD = 1250
COUNTS = 300.0


def streaming(averaging: int = 1, **how: bool) -> tuple[Board, Hello]:
    """Return a streaming board with an MPU-6050 and a potentiometer, and its table."""
    board = Board(**how)
    board.set("ANALOG_CONNECTED", 1)
    board.set("ANALOG_COUNTS", COUNTS)
    board.start()
    board.run(1.5)
    board.ask(Command.SET_RATE, commands.set_rate(0, averaging))
    hello = of_type(board.ask(Command.START, within=1.0), Hello)[-1]
    assert hello.averaging == averaging
    return board, hello


def rows_of(batch: SampleBatch, hello: Hello) -> list[Channel]:
    mask = batch.mask if batch.mask is not None else (1 << len(hello.channels)) - 1
    return [channel for row, channel in enumerate(hello.channels) if mask >> row & 1]


def numbers(batch: SampleBatch, hello: Hello) -> list[list[int]]:
    """Return each sample's sums, row by row; check that the bytes are those of the rows."""
    widths = [
        width
        for channel in rows_of(batch, hello)
        for width in [sample_width(channel.bits, batch.averaging)] * channel.axes
    ]
    assert len(batch.payload) == sum(widths) * batch.samples
    data, samples = batch.payload, []
    for _ in range(batch.samples):
        sample = []
        for width in widths:
            sample.append(int.from_bytes(data[:width], "little", signed=True))
            data = data[width:]
        samples.append(sample)
    return samples


def assert_contiguous(messages: list[Message], missing: int = 0) -> None:
    batches = of_type(messages, SampleBatch)
    for before, after in itertools.pairwise(batches):
        assert (after.sequence - before.sequence) % 2**16 == 1, "both types count together"
    step = batches[0].averaging * PERIOD
    ticks = [(b.tick + i * step) for b in batches for i in range(b.samples)]
    gaps = [b - a for a, b in itertools.pairwise(ticks)]
    assert gaps.count(step) == len(gaps) - missing, sorted(set(gaps))


@pytest.mark.parametrize("averaging", [1, 4, 20])
def test_the_potentiometer_lives_on(averaging: int) -> None:
    board, hello = streaming(averaging)
    with board:
        messages = board.run(0.5)
        board.connect("MPU6050", False)
        away = board.run(2.0)
        messages += away
        board.connect("MPU6050")
        messages += board.run(2.0)
        assert_contiguous(messages)
        batches = of_type(messages, SampleBatch)
        masks = [mask for mask, _ in itertools.groupby(b.mask for b in batches)]
        assert masks == [None, 0b1000, None]
        for batch in batches:
            for sample in numbers(batch, hello):
                assert sample[-1] == pytest.approx(COUNTS * 16 * averaging, abs=averaging)
        steady = of_type(away, SampleBatch)[2:]
        channels = (hello.channels[3],)
        for batch in steady:
            size = sample_bytes(channels, averaging)
            room = 237 // size
            fits = samples_per_frame(channels, averaging, PERIOD, hello.tick_hz)
            assert batch.samples == min(room, fits)


def test_one_reading_that_fails_takes_its_rows_out_of_its_sample_only() -> None:
    averaging = 5
    board, hello = streaming(averaging)
    with board:
        board.run(0.5)
        board.nack("MPU6050", 7, 1)
        messages = board.run(1.0)
        assert_contiguous(messages)
        partial = [b for b in of_type(messages, SampleBatch) if b.mask is not None]
        assert [(b.mask, b.samples) for b in partial] == [(0b1000, 1)]
        (sample,) = numbers(partial[0], hello)
        assert sample == [pytest.approx(COUNTS * 16 * averaging, abs=averaging)]


def test_a_potentiometer_that_is_unplugged() -> None:
    board, hello = streaming()
    with board:
        board.run(0.5)
        board.set("ANALOG_CONNECTED", 0)
        messages = board.run(3.0)
        batches = of_type(messages, SampleBatch)
        assert batches[-1].mask == 0b0111
        assert len(numbers(batches[-1], hello)[0]) == 7
        board.set("ANALOG_CONNECTED", 1)
        messages += board.run(3.0)
        assert of_type(messages, SampleBatch)[-1].mask is None
        assert_contiguous(messages)


def test_a_caliper_that_is_switched_off() -> None:
    board = Board()
    with board:
        board.set("CALIPER_HZ", 10)
        board.set("CALIPER_COUNTS", -1234)
        board.start()
        board.run(2.5)
        hello = of_type(board.ask(Command.START, within=1.0), Hello)[-1]
        whole = of_type(board.run(1.0), SampleBatch)
        assert {sample[-1] for b in whole for sample in numbers(b, hello)} == {-123400}
        board.set("CALIPER_HZ", 0)
        at = board.tick
        messages = board.run(3.0)
        assert_contiguous(messages)
        away = [b for b in of_type(messages, SampleBatch) if b.mask is not None]
        assert {b.mask for b in away} == {0b0111}
        since_s = (away[0].tick - at) / hello.tick_hz
        assert 0.85 <= since_s <= 1.02, "a second after its last packet"
        board.set("CALIPER_HZ", 10)
        assert of_type(board.run(2.0), SampleBatch)[-1].mask is None


def test_with_two_sensors_each_lives_on_without_the_other() -> None:
    board, hello = streaming(adxl355=True)
    with board:
        assert [channel.sensor.name for channel in hello.channels] == [
            "ADXL355",
            "MPU6050",
            "ADXL355",
            "POTENTIOMETER",
        ]
        board.connect("ADXL355", False)
        assert of_type(board.run(1.0), SampleBatch)[-1].mask == 0b1010
        board.connect("MPU6050", False)
        assert of_type(board.run(1.0), SampleBatch)[-1].mask == 0b1000
        board.connect("ADXL355")
        assert of_type(board.run(2.5), SampleBatch)[-1].mask == 0b1101
        board.connect("MPU6050")
        assert of_type(board.run(2.5), SampleBatch)[-1].mask is None


def test_while_everything_is_away_no_samples_come_but_status_does() -> None:
    with Board() as board:
        board.start()
        board.run(1.5)
        board.ask(Command.START, within=0.5)
        board.connect("MPU6050", False)
        board.run(0.3)
        messages = board.run(5.0)
        assert of_type(messages, SampleBatch) == []
        assert 4 <= len(of_type(messages, Status)) <= 6
        assert all(hello.streaming for hello in of_type(messages, Hello))
        board.connect("MPU6050")
        assert len(of_type(board.run(3.0), SampleBatch)) > 5


def test_a_bus_held_for_good_leaves_the_other_channels_alive() -> None:
    board, hello = streaming()
    with board:
        board.set("SDA_STUCK", 255)
        board.run(0.5)
        messages = board.run(10.0)
        batches = of_type(messages, SampleBatch)
        assert {b.mask for b in batches} == {0b1000}
        assert sum(b.samples for b in batches) >= 1990
        assert_contiguous(messages)
        board.set("SDA_STUCK", 0)
        assert of_type(board.run(3.0), SampleBatch)[-1].mask is None
        assert hello.channels


@pytest.mark.parametrize("stuck", [False, True])
def test_a_sensor_comes_back_at_the_highest_rate_too(stuck: bool) -> None:
    """The conversions of the potentiometer take most of each period: the bus is free meanwhile."""
    board, _ = streaming()
    with board:
        board.ask(Command.SET_RATE, commands.set_rate(800, 1), within=1.5)
        if stuck:
            board.set("SDA_STUCK", 9)
        else:
            board.connect("MPU6050", False)
        away = of_type(board.run(0.5), SampleBatch)
        assert stuck or away[-1].mask == 0b1000
        board.connect("MPU6050")
        assert of_type(board.run(3.0), SampleBatch)[-1].mask is None
