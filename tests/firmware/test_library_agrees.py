"""The firmware and the host's simulated pod, two writings of one protocol, answer alike."""

from __future__ import annotations

import dataclasses
import random
from collections.abc import Iterator

import pytest

from firmware.core_library import Board
from knuckle.sim.pod import SimulatedPod
from knuckle.sim.scenario import load
from knuckle.wire import commands
from knuckle.wire.codec import encode_message
from knuckle.wire.commands import encode_command
from knuckle.wire.decoder import PodDecoder
from knuckle.wire.messages import (
    Ack,
    AckCode,
    ClockReply,
    Command,
    Hello,
    Message,
    SelfTestReply,
    SettingsData,
    Status,
)
from knuckle.wire.settings import SettingsRecord

AFTER_S = {Command.SELF_TEST: 2.0, Command.SETTINGS_WRITE: 0.8}


def record(rng: random.Random) -> bytes:
    name = "".join(rng.choice("abc é") for _ in range(rng.randrange(9))).strip()
    kept = SettingsRecord(identity=rng.randbytes(8), name=name)
    return dataclasses.replace(kept, baud=115200).to_bytes()


def whole_writes(data: bytes, piece: int) -> Iterator[tuple[int, bytes]]:
    for offset in range(0, 256, piece):
        yield Command.SETTINGS_WRITE, commands.settings_write(offset, data[offset : offset + piece])


def script(rng: random.Random) -> Iterator[tuple[int, bytes]]:
    """Commands as a host, and as something that is none, would send them; not streaming."""
    yield from whole_writes(record(rng), 128)
    for _ in range(60):
        kind = rng.randrange(9)
        if kind == 0:
            yield rng.choice([0x4B, 0x55, 0x7F]), rng.randbytes(rng.randrange(6))
        elif kind == 1:  # any length
            yield rng.choice(list(Command)), rng.randbytes(rng.randrange(132))
        elif kind == 2:
            offset, length = rng.choice([0, 1, 100, 128, 255, 256, 65535]), rng.randrange(0, 256)
            yield Command.SETTINGS_READ, offset.to_bytes(2, "little") + bytes([length])
        elif kind == 3:
            good = record(rng)
            if rng.random() < 0.5:
                spoilt = bytearray(good)
                spoilt[rng.randrange(256)] ^= 1 << rng.randrange(8)
                yield from whole_writes(bytes(spoilt), rng.choice([64, 128]))
            yield from whole_writes(good, rng.choice([50, 64, 100, 128]))
        elif kind == 4:
            yield Command.CUE, bytes([rng.choice([0, 3, 8, 9, 255])])
        elif kind == 5:  # the line carries 1; more is the host's to ask for
            yield Command.SET_RATE, commands.set_rate(0, rng.choice([0, 1, 2, 7, 400, 4097, 65535]))
        elif kind == 6:
            yield Command.SET_RATE, commands.set_rate(rng.choice([1, 2, 249]), 1)
        else:
            yield rng.choice([Command.HELLO, Command.STATUS, Command.CLOCK, Command.STOP]), b""


def answer(messages: list[Message], token: int) -> list[object]:
    """Return what of the answer does not depend on clocks and cases."""
    told: list[object] = []
    for message in messages:
        match message:
            case Ack() | SettingsData() if message.token == token:
                told.append(message)
            case ClockReply() if message.token == token:
                told.append("clock")
            case SelfTestReply() if message.token == token:
                told.append((len(message.verdicts), set(message.verdicts)))
    return told


def hello_after(messages: list[Message]) -> tuple[object, ...] | None:
    hellos = [message for message in messages if isinstance(message, Hello)]
    if not hellos:
        return None
    last = hellos[-1]
    rows = [(row.kind, row.axes, row.bits) for row in last.channels]
    return last.name, last.identity, last.averaging, last.least_averaging, last.streaming, rows


@pytest.mark.parametrize("seed", range(6))
def test_both_pods_answer_alike(seed: int) -> None:
    rng = random.Random(seed)
    scenario = load("fine", purpose="watch", **{"pod.tick_hz": 250_000, "pod.raw_rate_hz": 200.0})
    simulated, decoder = SimulatedPod(scenario, 1), PodDecoder()
    seen: set[AckCode] = set()
    with Board(adxl355=True) as board:
        board.start()
        board.run(2.0)
        simulated.advance(2.0)
        for token, (command, payload) in enumerate(script(rng), 1):
            data = encode_command(command, token % 256, payload)
            after_s = AFTER_S.get(command, 0.1)
            board.send(data)
            from_firmware = board.run(after_s)
            simulated.receive(data)
            decoder.receive_data(simulated.advance(simulated.now_s + after_s))
            from_simulated = list(iter(decoder.next_event, None))
            what = f"{command:02X} {payload.hex()}"
            told = answer(from_firmware, token % 256)
            assert told == answer(from_simulated, token % 256), what
            assert told, what
            seen |= {AckCode(ack.code) for ack in told if isinstance(ack, Ack)}
            if command in (Command.HELLO, Command.SET_RATE) and AckCode.OK in seen:
                firmware, host = hello_after(from_firmware), hello_after(from_simulated)
                if firmware is not None and host is not None:
                    assert firmware == host, what
    assert len(seen) >= 5


def test_every_frame_is_as_the_host_would_have_written_it() -> None:
    """Byte for byte: C writes, the host decodes and encodes anew."""
    with Board(adxl355=True) as board:
        board.set("ANALOG_CONNECTED", 1)
        board.set("ANALOG_COUNTS", 511.5)
        board.set("CALIPER_HZ", 8)
        board.start()
        sent = b""
        for command in (*Command, Command.START):
            payload = {Command.CUE: b"\x02", Command.SETTINGS_READ: b"\0\0\x80"}.get(command, b"")
            board.send(encode_command(command, 9, payload))
            board.run_ns(2_500_000_000)
            sent += board.fetch()
        board.set("BUTTON", 1)
        board.connect("MPU6050", False)
        board.run_ns(3_000_000_000)
        sent += board.fetch()
    decoder = PodDecoder()
    decoder.receive_data(sent)
    again = list(iter(decoder.next_event, None))
    assert decoder.counts.discarded_bytes == 0
    assert b"".join(map(encode_message, again)) == sent
    assert len({type(message) for message in again}) >= 8
    assert any(isinstance(message, Status) for message in again)
