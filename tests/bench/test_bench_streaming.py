"""The shipped program streaming, judged in cycles and counts."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from bench.conftest import Wires
from bench.wired import TICK_CYCLES, Wired
from knuckle.bench.client import CLOCK_HZ, Event
from knuckle.wire.commands import set_rate
from knuckle.wire.messages import (
    Ack,
    AckCode,
    ChannelKind,
    ClockReply,
    Command,
    Hello,
    SampleBatch,
)

PERIOD_CYCLES = CLOCK_HZ // 200
TCCR1B = 0x81
LATEST_CYCLES = 25 * 16
"""A reading starts within 25 us of its due time."""
ENTRY_CYCLES = 8
"""What the emulator leaves out: 4 cycles of an interrupt's entry, 4 more from sleep."""


def with_potentiometer(wired: Wired, noise_mv: float = 3.0) -> None:
    wired.bench.command("analog", 0, 2500, 4700, noise_mv)
    wired.run(3.0)
    kinds = [row.kind for row in wired.hello.channels]
    assert kinds == [
        ChannelKind.ACCELEROMETER,
        ChannelKind.GYRO,
        ChannelKind.TEMPERATURE,
        ChannelKind.LINEAR,
    ]


def noisy_feed(wired: Wired, seconds: float, seed: int) -> None:
    """So that no reading repeats for a second, as a real chip's never does."""
    rng = np.random.default_rng(seed)
    rows = np.tile([0.1, -0.2, 0.97, 24.0, 1.0, -2.0, 0.5], (round(seconds * 50), 1))
    rows[:, :3] += 0.004 * rng.standard_normal((len(rows), 3))
    wired.bench.feed(wired.bench.cycle, CLOCK_HZ // 50, rows)


def reads_of(events: list[Event]) -> list[int]:
    """Return the cycles at which readings start: a START to the MPU-6050 for writing.

    The program also looks for the other sensor now and then.
    """
    starts = []
    for before, after in itertools.pairwise(events):
        if (before.kind, before.value, after.kind, after.value) == ("b", 0, "a", 0x68 << 1):
            starts.append(before.cycle)
    return starts


def gaps(wired: Wired) -> list[int]:
    ticks = [tick for tick, _ in wired.samples()]
    return [b - a for a, b in itertools.pairwise(ticks)]


def test_ten_minutes_at_200_hz_lose_nothing(wires: Wires) -> None:
    wired = wires()
    with_potentiometer(wired)
    wired.must(Command.START)
    for minute in range(10):
        noisy_feed(wired, 60.0, minute)
        wired.run(60.0)
    wired.must(Command.STOP)
    counts = wired.decoder.counts
    assert (counts.bad_crc, counts.bad_cobs, counts.too_long, counts.malformed) == (0, 0, 0, 0)
    assert counts.lost_frames == 0
    status = wired.status
    assert (status.dropped, status.overruns, status.bus_errors, status.bad_frames) == (0, 0, 0, 0)
    sequences = [batch.sequence for batch in wired.all(SampleBatch)]
    assert [(b - a) % 65536 for a, b in itertools.pairwise(sequences)] == [1] * (len(sequences) - 1)
    samples = wired.samples()
    assert len(samples) == pytest.approx(600 * 200, abs=30)
    assert all(None not in numbers for _, numbers in samples)
    assert max(abs(gap - 1250) for gap in gaps(wired)) <= 1
    assert sum(gaps(wired)) == pytest.approx(1250 * (len(samples) - 1), abs=1)
    readings = np.array([numbers[7] for _, numbers in samples])
    assert readings.mean() == pytest.approx(16 * 511.5, abs=0.5)


def test_the_period_is_exact_when_idle(wires: Wires) -> None:
    wired = wires()
    wired.run(3.0)
    wired.must(Command.START)
    noisy_feed(wired, 20.0, 1)
    wired.run(2.0)
    wired.bench.select_events("ba")
    wired.run(16.0)
    starts = reads_of(wired.bench.events())
    assert len(starts) == pytest.approx(3200, abs=1)
    # A turn of the loop that waits for the tick takes a dozen cycles: nothing that adds up.
    away = [start - starts[0] - i * PERIOD_CYCLES for i, start in enumerate(starts)]
    assert max(away) - min(away) <= 16
    assert set(gaps(wired)) == {1250}
    assert wired.status.overruns == 0


@pytest.mark.parametrize("chatter_hz", [0, 3_000, 40_000, 200_000])
@pytest.mark.parametrize("commands_hz", [240, 1200])  # 1200: all that the line carries
def test_readings_start_in_time_under_a_flood_of_commands(
    chatter_hz: int, commands_hz: int, wires: Wires
) -> None:
    wired = wires()
    with_potentiometer(wired)
    wired.must(Command.START)
    noisy_feed(wired, 20.0, 2)
    wired.run(1.0)
    if chatter_hz:
        wired.bench.command("caliper", "chatter", chatter_hz)
    wired.bench.select_events("ba")
    first_cycle = wired.bench.cycle
    before = len(wired.samples())
    for _ in range(5 * commands_hz):
        wired.send(Command.CLOCK)
        wired.run(1 / commands_hz)
    wired.run(0.5)
    assert wired.all(ClockReply)
    starts = reads_of(wired.bench.events())
    samples = wired.samples()[before:]
    assert (wired.status.overruns, wired.status.dropped) == (0, 0)
    assert wired.decoder.counts.lost_frames == 0
    assert max(abs(gap - 1250) for gap in gaps(wired)) <= 7
    # Due times lie on a grid of the period; the earliest start of all is the nearest to it.
    phase = min(start % PERIOD_CYCLES for start in starts if start > first_cycle)
    late = [(start - phase) % PERIOD_CYCLES for start in starts]
    assert max(late) + ENTRY_CYCLES <= LATEST_CYCLES
    # Each sample's tick is that of its reading's start, to one count: START and tick differ by
    # the same (when timer 1 began to count), but for one count.
    ticks = np.array(sorted(tick for tick, _ in samples))
    own = [ticks[np.argmin(abs(ticks * TICK_CYCLES - start))] for start in starts[5:-60]]
    away = [start - tick * TICK_CYCLES for start, tick in zip(starts[5:-60], own, strict=True)]
    assert len(set(own)) == len(own) > 900
    assert max(away) - min(away) <= TICK_CYCLES


def test_the_fastest_rate_with_everything_connected_loses_nothing(wires: Wires) -> None:
    wired = wires()
    wired.bench.command("sensor", "adxl355", "back")
    wired.bench.command("caliper", "mm", 100)
    wired.bench.command("analog", 0, 2500, 4700, 3.0)
    wired.run(3.0)
    assert len(wired.hello.channels) == 5
    refused = wired.ask(Command.SET_RATE, set_rate(799, 1))
    assert isinstance(refused, Ack)
    assert refused.code == AckCode.BAD_VALUE
    wired.ask(Command.SET_RATE, set_rate(800, 1))  # 312.5 a second
    wired.run(1.0)
    wired.must(Command.START)
    noisy_feed(wired, 30.0, 2)
    wired.run(10.0)
    asked = (Command.HELLO, Command.CLOCK, Command.SETTINGS_READ, Command.STATUS)
    for i in range(1000):
        command = asked[i % 4]
        wired.send(command, b"\x00\x00\x80" if command == Command.SETTINGS_READ else b"")
        wired.run(0.01)
    assert wired.hello.raw_period_ticks == 800
    assert (wired.status.overruns, wired.status.dropped) == (0, 0)
    assert wired.decoder.counts.lost_frames == 0
    assert set(gaps(wired)) == {800 * wired.hello.averaging}


def test_ticks_wrap_without_a_trace(wires: Wires) -> None:
    wired = wires()
    # As if the pod had run for 4 h 46 min: the upper half of the tick (overflows, in
    # ports/atmega328p/clock.c) is set once timer 1 runs, before anything goes by it.
    while not wired.bench.peek(TCCR1B, 1)[0]:
        wired.run_to(wired.bench.cycle + 32)
    wired.bench.poke(wired.bench.symbol("overflows"), (0xFFEF).to_bytes(2, "little"))
    wired.run(2.0)
    wired.must(Command.START)
    noisy_feed(wired, 10.0, 5)
    wired.run(5.0)
    ticks = [tick for tick, _ in wired.samples()]
    assert ticks[0] > 2**32 - 12 * 65536
    assert ticks[-1] < 4 * 250_000
    assert {(b - a) % 2**32 for a, b in itertools.pairwise(ticks)} <= {1249, 1250, 1251}
    assert (wired.status.overruns, wired.status.dropped) == (0, 0)
    assert wired.decoder.counts.lost_frames == 0
    assert len(wired.all(Hello)) <= 6
