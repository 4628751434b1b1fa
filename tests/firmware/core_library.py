"""The core on a simulated board, as the shared library gives it: several boards at once."""

from __future__ import annotations

import functools
import re
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

import cffi
import pytest

from firmware.board_program import FIRMWARE, make, need
from knuckle.wire.commands import encode_command
from knuckle.wire.decoder import PodDecoder
from knuckle.wire.messages import Command, Message, ResetCause

HEADERS: Final = (FIRMWARE / "ports/simulated/sim.h", FIRMWARE / "library/parts.h")
_DECLARATIONS = re.compile(
    r"/\* begin of the declarations \*/(.*?)/\* end of the declarations \*/", re.DOTALL
)
MS: Final = 1_000_000
S: Final = 1_000_000_000


def declarations(header: Path) -> str:
    """Return what stands between the marks of a header."""
    found = _DECLARATIONS.search(header.read_text(encoding="utf-8"))
    assert found, f"no marks in {header}"
    return found.group(1)


@functools.cache
def core() -> tuple[Any, Any]:
    """Build the library if need be; return cffi's interface and the library."""
    need("make", "cc")
    done = make("library")
    if done.returncode != 0:
        pytest.fail(done.stdout + done.stderr)
    ffi = cffi.FFI()
    for header in HEADERS:
        ffi.cdef(declarations(header))
    return ffi, ffi.dlopen(str(FIRMWARE / "build" / "libknuckle.so"))


class Board:
    """One simulated board and the decoder of what it sends.

    Parameters
    ----------
    tick_hz : int
    first_tick : int
    kept : bytes, optional
        Its kept memory, 1024 bytes; erased if not given.
    mpu6050, adxl355 : bool
        Whether that sensor is on the bus.
    """

    def __init__(
        self,
        *,
        tick_hz: int = 250_000,
        first_tick: int = 0,
        kept: bytes | None = None,
        mpu6050: bool = True,
        adxl355: bool = False,
    ) -> None:
        self.ffi, self.lib = core()
        self._board = self.lib.sim_new(tick_hz, first_tick)
        assert self._board != self.ffi.NULL
        self.tick_hz = tick_hz
        self.decoder = PodDecoder()
        self.bytes = 0
        self._token = 0
        if kept is not None:
            self.ffi.memmove(self.lib.sim_kept(self._board), kept, 1024)
        self.motion()
        self.noise()
        self.connect("MPU6050", mpu6050)
        self.connect("ADXL355", adxl355)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        self.lib.sim_free(self._board)

    def start(self, cause: ResetCause = ResetCause.POWER_ON) -> None:
        self.lib.sim_start(self._board, int(cause))

    def stop(self, torn: int = 0xFF) -> None:
        self.lib.sim_stop(self._board, torn)

    def run_ns(self, ns: int) -> None:
        self.lib.sim_run(self._board, int(ns))

    def run(self, seconds: float) -> list[Message]:
        """Let time pass; return the messages that came meanwhile."""
        messages: list[Message] = []
        left = round(seconds * S)
        while left > 0:
            piece = min(left, S)
            self.run_ns(piece)
            left -= piece
            messages += self.messages()
        return messages

    def skip(self, seconds: float) -> None:
        self.lib.sim_skip(self._board, round(seconds * S))

    @property
    def now_ns(self) -> int:
        return int(self.lib.sim_now_ns(self._board))

    @property
    def tick(self) -> int:
        return int(self.lib.sim_tick(self._board))

    def fetch(self) -> bytes:
        """Return the bytes that have come from the pod."""
        room = self.ffi.new("uint8_t[]", 65536)
        pieces = []
        while count := self.lib.sim_fetch(self._board, room, len(room)):
            pieces.append(bytes(self.ffi.buffer(room, count)))
        data = b"".join(pieces)
        self.bytes += len(data)
        return data

    def messages(self) -> list[Message]:
        self.decoder.receive_data(self.fetch())
        return list(iter(self.decoder.next_event, None))

    def send(self, data: bytes) -> int:
        return int(self.lib.sim_send(self._board, data, len(data)))

    def ask(self, command: Command, payload: bytes = b"", *, within: float = 0.3) -> list[Message]:
        """Send a command; return all that came in the time after it."""
        self._token = self._token % 255 + 1
        self.send(encode_command(command, self._token, payload))
        return self.run(within)

    @property
    def token(self) -> int:
        """The last command's."""
        return self._token

    def get(self, name: str) -> float:
        return float(self.lib.sim_get(self._board, self._number(name)))

    def set(self, name: str, to: float) -> None:
        assert self.lib.sim_set(self._board, self._number(name), to) == 0, f"{name} is read only"

    def _number(self, name: str) -> int:
        return int(getattr(self.lib, f"SIM_{name}"))

    @property
    def kept(self) -> bytes:
        return bytes(self.ffi.buffer(self.lib.sim_kept(self._board), 1024))

    def connect(self, part: str, connected: bool = True) -> None:
        self.lib.sim_connect(self._board, self._number(part), int(connected))

    def motion(
        self,
        g: tuple[float, float, float] = (0.0, 0.0, 1.0),
        dps: tuple[float, float, float] = (0.0, 0.0, 0.0),
        celsius: float = 25.0,
    ) -> None:
        self.lib.sim_motion(self._board, g, dps, celsius)

    def noise(self, mpu_g: float = 3.3e-3, mpu_dps: float = 0.042, adxl_g: float = 2.5e-4) -> None:
        self.lib.sim_noise(self._board, self.lib.SIM_MPU6050, mpu_g, mpu_dps, 1)
        self.lib.sim_noise(self._board, self.lib.SIM_ADXL355, adxl_g, 0.0, 2)

    def freeze(self, part: str, frozen: bool = True) -> None:
        self.lib.sim_freeze(self._board, self._number(part), int(frozen))

    def nack(self, part: str, later: int, byte: int) -> None:
        self.lib.sim_nack(self._board, self._number(part), later, byte)

    def self_test_answer(self, part: str, axis: int, answer: float) -> None:
        self.lib.sim_self_test_answer(self._board, self._number(part), axis, answer)

    def register(self, part: str, at: int) -> int:
        return int(self.lib.sim_register(self._board, self._number(part), at))

    def set_register(self, part: str, at: int, value: int) -> None:
        self.lib.sim_set_register(self._board, self._number(part), at, value)

    def edge(self, data: int) -> None:
        self.lib.sim_edge(self._board, data)


def of_type(messages: list[Message], *kinds: type) -> list[Any]:
    """Return the messages of these types."""
    return [message for message in messages if isinstance(message, kinds)]
