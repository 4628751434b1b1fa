"""The shipped program when the bus is disturbed in the middle of a reading.

A chip is most likely to hang, or a wire to part, while bytes are on their way. A reading takes some
0.45 ms; each moment of it is tried.
"""

from __future__ import annotations

import random

import pytest

from bench.conftest import Wires
from bench.test_bench_faults import stands, streaming
from bench.test_bench_streaming import PERIOD_CYCLES, noisy_feed, reads_of
from bench.wired import Wired
from knuckle.bench.client import CLOCK_HZ
from knuckle.wire.messages import ChannelKind, Command, FaultCode, Sensor

TRUE_COUNTS = (0.1 * 16384, -0.2 * 16384, 0.97 * 16384)
"""What `noisy_feed` lets the accelerometer feel, at 16384 counts/g (data sheet rev 3.3)."""
NOISE_COUNTS = 6 * 0.004 * 16384
MOMENTS_US = range(0, 500, 25)
"""After a reading's START; a byte takes 22.5 us."""


def at_a_moment_of_a_reading(wired: Wired, moment_us: int) -> None:
    wired.bench.select_events("ba")
    wired.run(0.02)
    last = reads_of(wired.bench.events())[-1]
    wired.bench.select_events("")
    wired.run_to(last + 2 * PERIOD_CYCLES + moment_us * CLOCK_HZ // 1_000_000)


def assert_nothing_invented(wired: Wired) -> None:
    """Every number sent is one that the sensor has felt."""
    for tick, numbers in wired.samples():
        for number, true in zip(numbers[:3], TRUE_COUNTS, strict=True):
            assert number is None or abs(number - true) < NOISE_COUNTS, (tick, numbers)


def assert_whole_again(wired: Wired) -> None:
    wired.wait_for(lambda: not stands(wired, FaultCode.SENSOR_MISSING), 4.0)
    wired.run(1.0)
    assert None not in wired.samples()[-1][1]


def test_a_sensor_that_goes_while_it_is_read_gives_no_false_number(wires: Wires) -> None:
    wired = streaming(wires)
    for moment_us in MOMENTS_US:
        noisy_feed(wired, 5.0, moment_us)
        at_a_moment_of_a_reading(wired, moment_us)
        wired.bench.command("sensor", "mpu6050", "gone")
        wired.wait_for(lambda: stands(wired, FaultCode.SENSOR_MISSING), 1.0)
        wired.bench.command("sensor", "mpu6050", "back")
        assert_whole_again(wired)
    assert_nothing_invented(wired)
    assert wired.decoder.counts.lost_frames == 0


@pytest.mark.parametrize("pulses", [1, 9, "ever"])
def test_a_data_line_held_in_the_middle_of_a_reading_is_freed(
    pulses: int | str, wires: Wires
) -> None:
    wired = streaming(wires)
    for moment_us in MOMENTS_US:
        noisy_feed(wired, 8.0, moment_us)
        told = len(wired.faults(FaultCode.BUS))
        at_a_moment_of_a_reading(wired, moment_us)
        wired.bench.command("bus", "sda", pulses)
        wired.wait_for(lambda n=told: len(wired.faults(FaultCode.BUS)) > n, 2.0)  # type: ignore[misc]
        if pulses == "ever":
            wired.wait_for(lambda: stands(wired, FaultCode.SENSOR_MISSING), 2.0)
            wired.bench.command("bus", "free")
        assert_whole_again(wired)
        wired.wait_for(lambda: not stands(wired, FaultCode.BUS), 3.0)
    assert_nothing_invented(wired)


@pytest.mark.parametrize("line", [("sda", "ever"), ("scl",)])
def test_potentiometer_and_caliper_live_on_beside_a_dead_bus(
    line: tuple[str, ...], wires: Wires
) -> None:
    wired = wires()
    wired.bench.command("analog", 0, 2500, 4700, 3.0)
    wired.bench.command("caliper", "mm", 12345)
    wired.run(3.0)
    sensors = [row.sensor for row in wired.hello.channels if row.kind == ChannelKind.LINEAR]
    assert sensors == [Sensor.POTENTIOMETER, Sensor.CALIPER]
    wired.must(Command.START)
    noisy_feed(wired, 20.0, 3)
    wired.run(0.5)
    wired.bench.command("bus", *line)
    wired.wait_for(lambda: stands(wired, FaultCode.SENSOR_MISSING), 2.0)
    wired.run(0.5)
    before = len(wired.samples())
    wired.bench.command("caliper", "mm", 200)
    wired.run(4.0)
    alone = wired.samples()[before:]
    assert len(alone) > 700
    assert all(numbers[:7] == [None] * 7 for _, numbers in alone)
    assert all(abs((numbers[7] or 0) - 16 * 511.5) < 40 for _, numbers in alone)
    shown = [numbers[8] for _, numbers in alone]
    assert set(shown) == {1234500, 20000}, "what the caliper shows, in 0.0001 mm"
    assert shown[-1] == 20000
    told = {fault.channel for fault in wired.faults(FaultCode.SENSOR_MISSING) if fault.present}
    assert told == {0, 1, 2}
    wired.bench.command("bus", "free")
    assert_whole_again(wired)


@pytest.mark.parametrize("seed", range(3))
def test_whatever_befalls_the_bus_the_pod_comes_back_and_invents_nothing(
    seed: int, wires: Wires
) -> None:
    rng = random.Random(seed)
    wired = streaming(wires, seed=seed + 1)
    noisy_feed(wired, 60.0, seed)
    present = True
    for _ in range(40):
        match rng.randrange(5):
            case 0 | 1:
                present = not present
                wired.bench.command("sensor", "mpu6050", "back" if present else "gone")
            case 2:
                wired.bench.command("sensor", "mpu6050", "nack", rng.randrange(1, 5))
            case 3:
                wired.bench.command("bus", "sda", rng.randrange(1, 10))
            case _:
                wired.bench.command("sensor", "mpu6050", "identity", rng.choice((0x68, 0x70)))
        wired.run(rng.random())
    wired.bench.command("sensor", "mpu6050", "identity", 0x68)
    wired.bench.command("sensor", "mpu6050", "back")
    wired.run(3.0)
    assert_whole_again(wired)
    assert_nothing_invented(wired)
    wired.run(6.0)
    assert wired.status.faults == 1 << FaultCode.SETTINGS
    assert wired.status.dropped == 0
    assert wired.decoder.counts.lost_frames == 0


def test_another_part_put_in_while_streaming_is_told_and_the_right_one_taken_back(
    wires: Wires,
) -> None:
    wired = streaming(wires)
    wired.bench.command("sensor", "mpu6050", "gone")
    wired.wait_for(lambda: stands(wired, FaultCode.SENSOR_MISSING), 1.0)
    wired.bench.command("sensor", "mpu6050", "back")
    wired.bench.command("sensor", "mpu6050", "identity", 0x70)
    wired.wait_for(lambda: stands(wired, FaultCode.SENSOR_IDENTITY), 3.0)
    wired.run(0.5)
    assert wired.samples()[-1][1][:7] == [None] * 7
    wired.bench.command("sensor", "mpu6050", "identity", 0x68)
    wired.wait_for(lambda: not stands(wired, FaultCode.SENSOR_IDENTITY), 3.0)
    assert_whole_again(wired)
