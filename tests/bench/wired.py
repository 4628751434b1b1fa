"""A pod on the bench at the end of its line: bytes in, messages out, commands by hand."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import TypeVar

from knuckle.bench.client import CLOCK_HZ, Bench
from knuckle.wire.commands import encode_command
from knuckle.wire.decoder import PodDecoder
from knuckle.wire.messages import (
    Ack,
    Channel,
    Command,
    Fault,
    FaultCode,
    Hello,
    Message,
    SampleBatch,
    Status,
    sample_width,
)

M = TypeVar("M")
TICK_CYCLES = 64
"""A tick is 4 us."""
STEP_S = 0.01


class PowerLostError(Exception):
    """The moment has come at which power was to go."""


class Wired:
    """The shipped program, read message by message.

    `disturb` sees the bytes on their way in each direction and returns what arrives.
    """

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.messages: list[Message] = []
        self.decoder = PodDecoder()
        self.from_pod: Callable[[bytes], bytes] = lambda data: data
        self.to_pod: Callable[[bytes], bytes] = lambda data: data
        self.power_ends_at: int | None = None
        self._tokens = itertools.count(1)
        bench.command("baud", 115200)
        bench.hold((0.1, -0.2, 0.97), 24.0, (1.0, -2.0, 0.5))

    # ---- time and bytes ---------------------------------------------------------------------

    def run(self, seconds: float) -> list[Message]:
        """Let time go by; return the messages that came."""
        return self.run_to(self.bench.cycle + round(seconds * CLOCK_HZ))

    def run_to(self, cycle: int) -> list[Message]:
        ends_at = self.power_ends_at
        lost = ends_at is not None and cycle >= ends_at
        self.decoder.receive_data(self.from_pod(self.bench.run_to(ends_at if lost else cycle)))
        if lost:
            self.power_ends_at = None
            self.bench.command("power", "off")
            raise PowerLostError
        came = list(self.decoder.events())
        self.messages += came
        return came

    def write(self, data: bytes) -> None:
        self.bench.write(self.to_pod(data))

    # ---- commands ---------------------------------------------------------------------------

    def send(self, command: Command, payload: bytes = b"") -> int:
        """Send a command; return its token."""
        token = next(self._tokens) % 256
        self.write(encode_command(command, token, payload))
        return token

    def ask(self, command: Command, payload: bytes = b"", within_s: float = 1.0) -> Message | None:
        """Send a command and return its reply, or None."""
        token = self.send(command, payload)
        for _ in range(round(within_s / STEP_S)):
            for message in self.run(STEP_S):
                if getattr(message, "token", None) == token:
                    return message
        return None

    def must(self, command: Command, payload: bytes = b"") -> None:
        """Send a command that is acknowledged with OK."""
        reply = self.ask(command, payload)
        assert isinstance(reply, Ack), reply
        assert reply.code == 0, reply

    # ---- what came --------------------------------------------------------------------------

    def all(self, kind: type[M]) -> list[M]:
        return [message for message in self.messages if isinstance(message, kind)]

    @property
    def hello(self) -> Hello:
        return self.all(Hello)[-1]

    @property
    def status(self) -> Status:
        return self.all(Status)[-1]

    def faults(self, code: FaultCode) -> list[Fault]:
        return [fault for fault in self.all(Fault) if fault.code == code]

    def wait_for(self, seen: Callable[[], bool], within_s: float) -> None:
        for _ in range(round(within_s / STEP_S)):
            if seen():
                return
            self.run(STEP_S)
        raise AssertionError("it did not come")

    def samples(self) -> list[tuple[int, list[int | None]]]:
        """Return (tick, numbers of each axis) of every sample; None where a row was left out."""
        found: list[tuple[int, list[int | None]]] = []
        hello: Hello | None = None
        for message in self.messages:
            if isinstance(message, Hello):
                hello = message
            elif isinstance(message, SampleBatch):
                assert hello is not None
                found += _numbers(message, hello)
        return found


def _numbers(batch: SampleBatch, hello: Hello) -> list[tuple[int, list[int | None]]]:
    rows = hello.channels
    sent = [batch.mask is None or bool(batch.mask >> i & 1) for i in range(len(rows))]
    at, found = 0, list[tuple[int, list[int | None]]]()
    for sample in range(batch.samples):
        numbers: list[int | None] = []
        for row, there in zip(rows, sent, strict=True):
            for _ in range(row.axes):
                numbers.append(_number(batch, at, row) if there else None)
                at += _width(batch, row) if there else 0
        tick = batch.tick + sample * batch.averaging * hello.raw_period_ticks
        found.append((tick % 2**32, numbers))
    assert at == len(batch.payload)
    return found


def _width(batch: SampleBatch, row: Channel) -> int:
    return sample_width(row.bits, batch.averaging)


def _number(batch: SampleBatch, at: int, row: Channel) -> int:
    return int.from_bytes(batch.payload[at : at + _width(batch, row)], "little", signed=True)
