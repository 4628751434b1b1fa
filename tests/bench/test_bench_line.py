"""The shipped program at the end of a bad line, a slow one, and one full of commands."""

from __future__ import annotations

import itertools
import random

import pytest

from bench.conftest import Wires
from bench.test_bench_faults import streaming, with_potentiometer
from bench.test_bench_memory import write_record
from bench.test_bench_streaming import noisy_feed
from knuckle.wire.decoder import PodDecoder
from knuckle.wire.framing import encode_frame
from knuckle.wire.messages import (
    Ack,
    Command,
    Cue,
    Hello,
    Message,
    ResetCause,
    SampleBatch,
    SettingsData,
    Status,
)
from knuckle.wire.settings import SettingsRecord


class BadLine:
    """Flips or drops one byte in a hundred, and keeps what was sent and what came whole."""

    def __init__(self, way: str) -> None:
        self.rng = random.Random(way)
        self.way = way
        self.sent = PodDecoder()
        self.whole = PodDecoder()
        self._frame = bytearray()
        self._good = True

    def __call__(self, data: bytes) -> bytes:
        self.sent.receive_data(data)
        out = bytearray()
        for byte in data:
            hit = self.rng.random() < 0.01
            if not hit:
                out.append(byte)
            elif self.way == "flipped":
                out.append(byte ^ 1 << self.rng.randrange(8))
            self._note(byte, hit)
        return bytes(out)

    def _note(self, byte: int, hit: bool) -> None:
        self._good &= not hit
        if byte != 0:
            self._frame.append(byte)
            return
        if self._frame and self._good:
            self.whole.receive_data(b"\0" + self._frame + b"\0")
        self._frame.clear()
        self._good = not hit


def telling(messages: list[Message]) -> list[Message]:
    return [m for m in messages if isinstance(m, SampleBatch | Status | Hello)]


@pytest.mark.parametrize("way", ["flipped", "dropped"])
def test_every_frame_that_comes_whole_through_a_bad_line_is_read_and_no_other(
    way: str, wires: Wires
) -> None:
    wired = wires()
    line = BadLine(way)
    with_potentiometer(wired)
    wired.run(0.2)  # nothing is under way
    wired.messages.clear()
    wired.from_pod = line
    for _ in range(10):
        if isinstance(reply := wired.ask(Command.START), Ack) and reply.code == 0:
            break
    noisy_feed(wired, 40.0, 6)
    wired.run(30.0)
    read = telling(wired.messages)
    sent = telling(list(line.sent.events()))
    whole = telling(list(line.whole.events()))
    # 300 frames of some 250 bytes, each of which comes whole with 0.99^250 = 8 %.
    assert 10 <= len(whole) < len(sent) / 2
    assert [m for m in whole if m not in read] == []
    assert [m for m in read if m not in sent] == []
    counts = wired.decoder.counts
    assert counts.bad_crc + counts.bad_cobs + counts.too_long > 100
    batches = [m for m in read if isinstance(m, SampleBatch)]
    sequences = [m.sequence for m in batches]
    missing = sum((b - a - 1) % 65536 for a, b in itertools.pairwise(sequences))
    assert counts.lost_frames == missing > 100, "what was lost is known"
    wired.from_pod = lambda data: data
    wired.run(1.0)
    wired.must(Command.STATUS)
    assert (wired.status.dropped, wired.status.overruns) == (0, 0)


def test_a_hundred_kilobytes_of_random_well_formed_commands_starve_no_sample(wires: Wires) -> None:
    wired = streaming(wires)
    noisy_feed(wired, 40.0, 4)
    rng = random.Random(1)
    stops_or_rates = (Command.STOP, Command.SET_RATE)
    others = [number for number in range(0x41, 0x80) if number not in stops_or_rates]
    before = len(wired.samples())
    begun = wired.bench.cycle
    total = 0
    while total < 100_000:
        length = rng.choice((0, 0, 1, 3, 6, rng.randrange(140)))
        frame = encode_frame(rng.choice(others), rng.randbytes(1 + length))
        wired.write(frame)
        total += len(frame)
        wired.run(len(frame) / 11520)
    wired.run(1.0)
    seconds = (wired.bench.cycle - begun) / 16e6
    assert len(wired.samples()) - before == pytest.approx(200 * seconds, abs=50)
    assert {b - a for a, b in itertools.pairwise(tick for tick, _ in wired.samples())} == {1250}
    assert (wired.status.dropped, wired.status.overruns) == (0, 0)
    assert wired.status.bad_frames > 100, "what came while a command waited is counted"
    assert wired.decoder.counts.lost_frames == 0
    assert wired.hello.reset_cause is ResetCause.POWER_ON
    assert len([m for m in wired.messages if isinstance(m, Ack) and m.code != 0]) > 100
    assert wired.ask(Command.CLOCK) is not None


@pytest.mark.parametrize("sensors", ["mpu6050", "both"])
def test_a_line_of_9600_baud_carries_every_sample(sensors: str, wires: Wires) -> None:
    wired = wires()
    if sensors == "both":
        wired.bench.command("sensor", "adxl355", "back")
    wired.bench.command("analog", 0, 2500, 4700, 3.0)
    wired.bench.command("caliper", "mm", 100)
    wired.run(3.0)
    write_record(wired, SettingsRecord(b"\x01" * 8, "slow", 9600, None).to_bytes())
    wired.bench.command("reset", "external")
    wired.bench.command("baud", 9600)
    wired.messages.clear()
    wired.run(4.0)
    hello = wired.hello
    assert hello.averaging == hello.least_averaging > 1
    wired.must(Command.START)
    noisy_feed(wired, 70.0, 5)
    answered = 0
    for i in range(60):
        wired.run(0.7)
        answered += wired.ask(Command.CLOCK, within_s=0.5) is not None
        if i % 10 == 0:
            wired.must(Command.CUE, bytes((Cue.TAKEN,)))
            assert isinstance(wired.ask(Command.SETTINGS_READ, b"\x00\x00\x20"), SettingsData)
    assert answered == 60
    assert (wired.status.dropped, wired.status.overruns, wired.status.bad_frames) == (0, 0, 0)
    counts = wired.decoder.counts
    assert (counts.lost_frames, counts.bad_crc, counts.bad_cobs) == (0, 0, 0)
    step = hello.averaging * hello.raw_period_ticks
    assert {b - a for a, b in itertools.pairwise(tick for tick, _ in wired.samples())} == {step}
    assert len(wired.samples()) > 30 * 250_000 / step
