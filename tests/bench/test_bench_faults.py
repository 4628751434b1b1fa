"""The shipped program when things fail: after each the true state is told, and it recovers."""

from __future__ import annotations

import random

import pytest

from bench.conftest import Wires
from bench.test_bench_streaming import noisy_feed, with_potentiometer
from bench.wired import Wired
from knuckle.wire.messages import (
    Ack,
    AckCode,
    ChannelKind,
    Command,
    FaultCode,
    Hello,
    ResetCause,
    SampleBatch,
)

POD = 255


def stands(wired: Wired, code: FaultCode) -> bool:
    told = wired.faults(code)
    return bool(told) and told[-1].present


def kinds(wired: Wired) -> list[int]:
    return [row.kind for row in wired.hello.channels]


def streaming(wires: Wires, **options: object) -> Wired:
    wired = wires(**options)
    with_potentiometer(wired)
    wired.must(Command.START)
    noisy_feed(wired, 60.0, 3)
    wired.run(0.5)
    return wired


def test_no_sensor_at_boot_is_told_until_one_comes(wires: Wires) -> None:
    wired = wires()
    wired.bench.command("sensor", "mpu6050", "gone")
    wired.run(3.0)
    assert wired.hello.channels == ()
    assert stands(wired, FaultCode.SENSOR_MISSING)
    assert wired.faults(FaultCode.SENSOR_MISSING)[-1].channel == POD
    reply = wired.ask(Command.START)
    assert isinstance(reply, Ack)
    assert reply.code == AckCode.BUSY
    wired.bench.command("sensor", "mpu6050", "back")
    wired.wait_for(lambda: bool(wired.hello.channels), 3.0)
    assert not stands(wired, FaultCode.SENSOR_MISSING)
    wired.must(Command.START)
    wired.run(1.0)
    assert wired.all(SampleBatch)


def test_another_part_is_told(wires: Wires) -> None:
    wired = wires()
    wired.bench.command("sensor", "mpu6050", "identity", 0x70)
    wired.run(3.0)
    assert wired.hello.channels == ()
    assert stands(wired, FaultCode.SENSOR_IDENTITY)


def test_a_sensor_that_vanishes_leaves_its_readings_out_and_comes_back(wires: Wires) -> None:
    wired = streaming(wires)
    wired.bench.command("sensor", "mpu6050", "gone")
    wired.wait_for(lambda: stands(wired, FaultCode.SENSOR_MISSING), 1.0)
    before = len(wired.samples())
    wired.run(3.0)
    alone = wired.samples()[before + 20 :]
    assert len(alone) > 400
    assert all(numbers[:7] == [None] * 7 for _, numbers in alone)
    assert all(numbers[7] is not None for _, numbers in alone)
    wired.bench.command("sensor", "mpu6050", "back")
    wired.wait_for(lambda: not stands(wired, FaultCode.SENSOR_MISSING), 3.0)
    before = len(wired.samples())
    wired.run(1.0)
    whole = wired.samples()[before:]
    assert len(whole) > 150
    # Up to two frames of 0.2 s were on their way.
    assert all(None not in numbers for _, numbers in whole[80:])
    assert whole[-1][1][2] == pytest.approx(0.97 * 16384, abs=0.03 * 16384)


def test_a_held_data_line_is_freed_and_told(wires: Wires) -> None:
    wired = streaming(wires)
    wired.bench.command("bus", "sda", 5)
    wired.wait_for(lambda: stands(wired, FaultCode.BUS), 2.0)
    wired.wait_for(lambda: not stands(wired, FaultCode.BUS), 4.0)
    before = len(wired.samples())
    wired.run(1.0)
    assert len(wired.samples()) - before > 150
    assert not stands(wired, FaultCode.SENSOR_MISSING)


@pytest.mark.parametrize("line", [("sda", "ever"), ("scl",)])
def test_a_bus_stuck_for_good_is_told_and_the_linear_sensor_lives_on(
    line: tuple[str, ...], wires: Wires
) -> None:
    wired = streaming(wires)
    wired.bench.command("bus", *line)
    wired.wait_for(lambda: stands(wired, FaultCode.SENSOR_MISSING), 2.0)
    before = len(wired.samples())
    wired.run(4.0)
    alone = wired.samples()[before + 20 :]
    assert len(alone) > 500
    assert all(n[:7] == [None] * 7 and n[7] is not None for _, n in alone)
    assert stands(wired, FaultCode.SENSOR_MISSING)
    wired.bench.command("bus", "free")
    wired.wait_for(lambda: not stands(wired, FaultCode.SENSOR_MISSING), 4.0)


@pytest.mark.parametrize("way", ["flipped", "dropped"])
def test_commands_come_through_a_line_that_spoils_one_byte_in_a_hundred(
    way: str, wires: Wires
) -> None:
    rng = random.Random(way)

    def spoil(data: bytes) -> bytes:
        out = bytearray()
        for byte in data:
            if rng.random() >= 0.01:
                out.append(byte)
            elif way == "flipped":
                out.append(byte ^ 1 << rng.randrange(8))
        return bytes(out)

    wired = wires()
    wired.from_pod = wired.to_pod = spoil
    wired.run(3.0)
    answered = 0
    for _ in range(60):
        answered += wired.ask(Command.CLOCK, within_s=0.3) is not None
    # A command of 7 bytes and its reply of 11 arrive whole with 0.99^18 = 83 %.
    assert 35 <= answered <= 60
    for _ in range(10):
        if isinstance(reply := wired.ask(Command.START), Ack) and reply.code == AckCode.OK:
            break
    wired.from_pod = wired.to_pod = lambda data: data
    wired.run(1.0)
    wired.must(Command.STATUS)
    assert wired.hello.reset_cause is ResetCause.POWER_ON
    assert (wired.status.dropped, wired.status.overruns) == (0, 0)


def test_a_hundred_kilobytes_of_noise_change_nothing(wires: Wires) -> None:
    wired = streaming(wires)
    rng = random.Random(7)
    for _ in range(100):
        wired.bench.write(rng.randbytes(1000))
        wired.run(0.1)
    wired.run(1.0)
    assert wired.ask(Command.CLOCK) is not None
    assert wired.hello.reset_cause is ResetCause.POWER_ON
    assert len(wired.all(Hello)) < 40
    assert wired.status.bad_frames > 300
    assert (wired.status.dropped, wired.status.overruns) == (0, 0)
    assert wired.decoder.counts.lost_frames == 0


@pytest.mark.parametrize(
    ("how", "cause"),
    [
        (("reset", "external"), ResetCause.EXTERNAL),
        (("reset", "brownout"), ResetCause.BROWN_OUT),
        (("reset", "watchdog"), ResetCause.WATCHDOG),
        (("hang", "main"), ResetCause.WATCHDOG),
        (("hang", "deaf"), ResetCause.WATCHDOG),
    ],
)
def test_a_restart_tells_its_cause_and_is_ready_again(
    how: tuple[str, str], cause: ResetCause, wires: Wires
) -> None:
    wired = streaming(wires)
    hellos = len(wired.all(Hello))
    wired.bench.command(*how)
    wired.wait_for(lambda: len(wired.all(Hello)) > hellos and wired.hello.reset_cause == cause, 5.0)
    assert not wired.hello.streaming
    wired.wait_for(lambda: ChannelKind.ACCELEROMETER in kinds(wired), 4.0)
    wired.must(Command.START)
    before = len(wired.samples())
    wired.run(1.0)
    assert len(wired.samples()) - before > 150


def test_power_that_comes_back_finds_the_pod_as_new(wires: Wires) -> None:
    wired = streaming(wires)
    wired.bench.command("power", "off")
    assert wired.run(0.5) == []
    wired.bench.command("power", "on")
    wired.run(3.0)
    assert wired.hello.reset_cause is ResetCause.POWER_ON
    assert not wired.hello.streaming
    assert ChannelKind.ACCELEROMETER in kinds(wired)
