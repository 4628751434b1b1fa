"""A scripted pod that speaks the wire, and a stand-in for the link between it and a session."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from typing import Any

from knuckle.links.contract import Chunk
from knuckle.model.wheel import Wheel
from knuckle.run.events import RunEvent
from knuckle.run.podsession import PodSession
from knuckle.wire.codec import encode_message
from knuckle.wire.commands import (
    CommandDecoder,
    parse_set_rate,
    parse_settings_read,
    parse_settings_write,
)
from knuckle.wire.messages import (
    Ack,
    AckCode,
    Button,
    Channel,
    ChannelKind,
    ClockReply,
    Command,
    Hello,
    HostCommand,
    Message,
    ResetCause,
    SampleBatch,
    Sensor,
    SettingsData,
)
from knuckle.wire.settings import SettingsRecord

CHANNELS = (
    Channel(ChannelKind.ACCELEROMETER, Sensor.MPU6050, 3, 16, 1 / 16384, 0.0, 2.0, 4e-4),
    Channel(ChannelKind.GYRO, Sensor.MPU6050, 3, 16, 1 / 131, 0.0, 250.0, 5e-3),
)
TICK_HZ = 250_000
PERIOD = 2_500
IDENTITY = bytes(range(1, 9))
BLANK = b"\xff" * 256
BATCH = 5


class ScriptedPod:
    """A still pod at 100 Hz that does what it is told, with faults to switch on."""

    def __init__(
        self,
        settings: bytes | None = None,
        *,
        identity: bytes = IDENTITY,
        lasts_s: float = 1e9,
        seed: int = 1,
        moves: Callable[[float], bool] = lambda t_s: False,
    ) -> None:
        record = SettingsRecord(identity=identity, name="test pod")
        self.settings = bytearray(record.to_bytes() if settings is None else settings)
        self.lasts_s = lasts_s
        self.moves = moves
        self.obeyed: list[HostCommand] = []
        self.deaf_to: set[Command] = set()
        self.ignore_next: dict[Command, int] = {}
        self.refuses: dict[Command, AckCode] = {}
        self.channels = CHANNELS
        self.after_hello: tuple[Message, ...] = ()
        self.on_start: Callable[[], None] = lambda: None
        self.mute = False
        self.connected = True
        self.received = bytearray()
        self.now_s = 0.0
        self.streaming = False
        self._identity = identity
        self._decoder = CommandDecoder()
        self._out = bytearray()
        self._rng = random.Random(seed)
        self._averaging = 1
        self._boot(0.05, ResetCause.POWER_ON)

    @property
    def finished(self) -> bool:
        return self.now_s >= self.lasts_s

    def commands(self) -> list[Command]:
        return [Command(command.command) for command in self.obeyed]

    def restart(self, cause: ResetCause = ResetCause.WATCHDOG) -> None:
        self._boot(self.now_s + 0.5, cause)

    def press(self) -> None:
        self.say(Button(self._tick(self.now_s), True))

    def say(self, message: Message | bytes) -> None:
        data = message if isinstance(message, bytes) else encode_message(message)
        if not self.mute:
            self._out += data

    def say_hello(self) -> None:
        for message in (self.hello(), *self.after_hello):
            self.say(message)

    def advance(self, to_s: float) -> bytes:
        while True:
            at_s = min(self._hello_at_s, self._batch_at_s())
            if at_s > to_s:
                break
            self.now_s = max(self.now_s, at_s)
            if at_s == self._hello_at_s:
                self.say_hello()
                self._hello_at_s += 5.0 if self.streaming else 1.0
            else:
                self._send_batch()
        self.now_s = max(self.now_s, to_s)
        out = bytes(self._out)
        self._out.clear()
        return out if self.connected else b""

    def receive(self, data: bytes) -> None:
        self.received += data
        self._decoder.receive_data(data)
        while (command := self._decoder.next_event()) is not None:
            self._obey(command)

    def hello(self) -> Hello:
        return Hello(
            protocol=1,
            hardware="scripted",
            firmware=(1, 2, 3),
            identity=self._identity,
            name="test pod",
            reset_cause=self._cause,
            streaming=self.streaming,
            tick_hz=TICK_HZ,
            raw_period_ticks=PERIOD,
            averaging=self._averaging,
            least_averaging=1,
            channels=self.channels,
        )

    def _boot(self, at_s: float, cause: ResetCause) -> None:
        self._boot_s = self._hello_at_s = at_s
        self._cause = cause
        self.streaming = False
        self._sequence = 0

    def _tick(self, at_s: float) -> int:
        return max(0, round((at_s - self._boot_s) * TICK_HZ)) % 2**32

    def start(self) -> None:
        self.streaming = True
        self._start_s, self._taken = self.now_s, 0

    def _batch_at_s(self) -> float:
        if not self.streaming:
            return float("inf")
        raws = self._taken + BATCH * self._averaging
        return self._start_s + raws * PERIOD / TICK_HZ

    def _send_batch(self) -> None:
        first = self._taken
        sums = bytearray()
        for sample in range(BATCH):
            t_s = self._start_s + (first + sample * self._averaging) * PERIOD / TICK_HZ
            for axis in range(3 * len(self.channels)):
                level = 16384 if axis == 2 else 0
                noise = 300.0 if self.moves(t_s) else 6.0
                reading = round(self._averaging * (level + self._rng.gauss(0.0, noise)))
                width = 2 if self._averaging == 1 else 3
                sums += reading.to_bytes(width, "little", signed=True)
        tick = (self._tick(self._start_s) + first * PERIOD) % 2**32
        self.say(SampleBatch(self._sequence, tick, self._averaging, BATCH, bytes(sums)))
        self._sequence = (self._sequence + 1) % 2**16
        self._taken += BATCH * self._averaging

    def _obey(self, command: HostCommand) -> None:
        kind = Command(command.command)
        if kind in self.deaf_to:
            return
        if self.ignore_next.get(kind, 0):
            self.ignore_next[kind] -= 1
            return
        self.obeyed.append(command)
        if kind in self.refuses:
            self.say(Ack(command.token, kind, self.refuses[kind]))
            return
        match kind:
            case Command.HELLO:
                self.say(self.hello())
                return
            case Command.START:
                self.on_start()
                self.say(Ack(command.token, kind, AckCode.OK))
                if not self.streaming:
                    self.start()
                self.say_hello()
                return
            case Command.STOP:
                self.streaming = False
                self._hello_at_s = self.now_s + 1.0
            case Command.SET_RATE:
                wanted = parse_set_rate(command.payload)
                assert wanted is not None
                self._averaging = wanted.averaging
            case Command.SETTINGS_READ:
                read = parse_settings_read(command.payload)
                assert read is not None
                piece = bytes(self.settings[read.offset : read.offset + read.length])
                self.say(SettingsData(command.token, read.offset, piece))
                return
            case Command.SETTINGS_WRITE:
                write = parse_settings_write(command.payload)
                assert write is not None
                self.settings[write.offset : write.offset + len(write.data)] = write.data
            case Command.CLOCK:
                self.say(ClockReply(command.token, self._tick(self.now_s)))
                return
            case _:
                pass
        self.say(Ack(command.token, kind, AckCode.OK))


class Bench:
    """A session joined to a pod without any link: 20 ms a step, all chunks on record."""

    def __init__(self, pod: Any, session: PodSession | None = None, **options: Any) -> None:
        self.pod = pod
        self.session = session or PodSession(Wheel.LF, **options)
        self.events: list[RunEvent] = []
        self.chunks: list[Chunk] = []
        self.now_s = 0.0
        self.events += self.session.opened(0.0)

    def run(self, seconds: float) -> list[RunEvent]:
        """Let that much time go by; return what was told in it."""
        told: list[RunEvent] = []
        end_s = self.now_s + seconds
        while self.now_s < end_s - 1e-9:
            self.now_s = round((self.now_s + 0.02) / 0.02) * 0.02
            chunk = Chunk(self.now_s, self.pod.advance(self.now_s))
            if chunk.data:
                self.chunks.append(chunk)
            new = self.session.receive(chunk)
            told += new
            self.events += new
            self.pod.receive(self.session.take_outgoing())
        return told


def of_kind(events: Iterable[RunEvent], *kinds: type[RunEvent]) -> list[Any]:
    return [event for event in events if isinstance(event, kinds)]
