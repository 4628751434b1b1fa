"""The bench from Python: one method a command, a deadline on every wait."""

from __future__ import annotations

import contextlib
import socket
import subprocess
import weakref
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import Final, NamedTuple, Self

import numpy as np

from knuckle.errors import LinkLost, LinkNotFound, LinkTimeout, UsageError
from knuckle.model.block import FloatArray

CLOCK_HZ: Final = 16_000_000
DEADLINE_S: Final = 10.0
"""For a command that takes no emulated time."""
SLOWEST: Final = 0.5
"""Emulated seconds a second that are waited for before the bench counts as hung."""
LONGEST_RUN: Final = CLOCK_HZ
"""Cycles asked for at once; bytes that the pod sends meanwhile are held by the bench."""
FEED_VALUES: Final = 7


class Event(NamedTuple):
    """Something that happened in the chip.

    `kind` is a letter of firmware/bench/events.h: ``b`` START on the bus, ``t`` tone...
    """

    kind: str
    cycle: int
    value: int


class Bench:
    """A running bench; time in it stands still between calls of `run_to` and `run_s`.

    Parameters
    ----------
    bench, elf : Path
        The bench's program and the board's.
    seed : int
        Of what is random in the chip: memory at power on, noise of analog inputs.
    without : iterable of str
        Remedies for the emulator's faults to leave out, by name.
    realtime : bool
        Let time go on by itself, as fast as the wall's.
    pty : bool
        Give the pod's line a pseudo-terminal; its name is `device`.

    Raises
    ------
    LinkNotFound
        If it cannot be started.
    """

    def __init__(
        self,
        bench: Path,
        elf: Path,
        *,
        seed: int = 1,
        without: Iterable[str] = (),
        realtime: bool = False,
        pty: bool = False,
    ) -> None:
        ours, theirs = socket.socketpair()
        command = [str(bench), "--elf", str(elf), "--control", str(theirs.fileno())]
        command += ["--seed", str(seed)]
        command += ["--realtime"] * realtime + ["--pty"] * pty
        for name in without:
            command += ["--without", name]
        try:
            self._process = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                pass_fds=[theirs.fileno()],
            )
        except OSError as error:
            ours.close()
            raise LinkNotFound(
                f"The bench {bench} cannot be started.",
                f"The system says: {error}.",
                "Build it anew: 'make -C firmware bench'.",
            ) from error
        finally:
            theirs.close()
        self._socket = ours
        self._received = bytearray()
        self._end = weakref.finalize(self, _end, self._process, ours)
        self.cycle = 0
        self.state = "running"
        self.device = self._start_up(elf)

    def _start_up(self, elf: Path) -> str:
        try:
            words = self._line(DEADLINE_S).split()
        except LinkLost as error:
            raise LinkNotFound(
                f"The bench did not start with {elf}.",
                error.cause,
                "Build both anew: 'make -C firmware bench board'.",
            ) from error
        return words[1] if words[1:] and words[1] != "-" else ""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the bench; harmless when it has ended."""
        self._end()

    @property
    def ended(self) -> bool:
        """Whether its process has ended, for whatever reason."""
        return self._process.poll() is not None

    @property
    def process_id(self) -> int:
        """Its process."""
        return self._process.pid

    # ---- commands ---------------------------------------------------------------------------

    def command(self, *words: object, deadline_s: float = DEADLINE_S) -> list[str]:
        """Send one command and return the words of its reply.

        Raises
        ------
        LinkLost
            If the bench has ended.
        LinkTimeout
            If it does not answer in time.
        UsageError
            If it does not take the command.
        """
        line = " ".join(str(word) for word in words)
        try:
            self._socket.settimeout(deadline_s)
            self._socket.sendall(line.encode() + b"\n")
        except TimeoutError as error:
            raise self._hung(deadline_s) from error
        except OSError as error:
            raise self._gone() from error
        verdict, *rest = self._line(deadline_s).split()
        if verdict != "ok":
            raise UsageError(f"The bench refuses '{line[:60]}': {' '.join(rest)}.")
        return rest

    def run_to(self, cycle: int) -> bytes:
        """Let the chip run until a cycle; return what the pod has sent in the meantime."""
        sent = bytearray()
        while self.cycle < cycle:
            piece = min(cycle - self.cycle, LONGEST_RUN)
            deadline_s = DEADLINE_S + piece / CLOCK_HZ / SLOWEST
            at, self.state, data = self.command("run_to", self.cycle + piece, deadline_s=deadline_s)
            self.cycle = int(at)
            sent += b"" if data == "-" else bytes.fromhex(data)
        return bytes(sent)

    def run_s(self, seconds: float) -> bytes:
        """Let the chip run for a time; return what the pod has sent in the meantime."""
        return self.run_to(self.cycle + round(seconds * CLOCK_HZ))

    def write(self, data: bytes) -> None:
        """Put bytes on the way to the pod."""
        for start in range(0, len(data), 4096):
            self.command("rx", data[start : start + 4096].hex())

    def feed(self, cycle: int, period_cycles: int, rows: FloatArray) -> None:
        """Tell what the sensors feel from a cycle on.

        Parameters
        ----------
        cycle, period_cycles : int
            When the first row comes into force, and how far the others follow.
        rows : ndarray, shape (n, 7)
            Acceleration x, y, z in g, temperature in degrees Celsius, rate of turn x, y, z in
            deg/s. The last row stays in force.
        """
        rows = np.ascontiguousarray(rows, dtype="<f4").reshape(-1, FEED_VALUES)
        for start in range(0, len(rows), 8192):
            part = rows[start : start + 8192]
            self.command("feed", cycle + start * period_cycles, period_cycles, part.tobytes().hex())

    def hold(self, accel_g: Iterable[float], temp_c: float, gyro_dps: Iterable[float]) -> None:
        """Let the sensors feel the same from now on."""
        self.command("feed", "hold", *accel_g, temp_c, *gyro_dps)

    def eeprom(self, at: int = 0, length: int = 1024) -> bytes:
        """Return bytes of the memory that outlives power."""
        return bytes.fromhex("".join(self.command("eeprom", "get", at, length)))

    def set_eeprom(self, at: int, data: bytes) -> None:
        """Change bytes of that memory behind the program's back."""
        self.command("eeprom", "set", at, data.hex())

    def select_events(self, kinds: str) -> None:
        """Note events of these kinds from now on (their letters), no others."""
        self.command("log", kinds)

    def events(self) -> list[Event]:
        """Return the events noted since the last call."""
        parts = (word.split(":") for word in self.command("events"))
        return [Event(kind, int(cycle), int(value)) for kind, cycle, value in parts]

    def stats(self) -> dict[str, str]:
        """Return counters and states by name; firmware/bench/README.md lists them."""
        return dict(word.split("=", 1) for word in self.command("stats"))

    def peek(self, address: int, length: int) -> bytes:
        """Return bytes of the chip's data space."""
        return bytes.fromhex("".join(self.command("peek", address, length)))

    def poke(self, address: int, data: bytes) -> None:
        """Change bytes of the chip's memory."""
        self.command("poke", address, data.hex())

    def symbol(self, name: str) -> int:
        """Return a data symbol's address in the chip's data space."""
        return int(self.command("symbol", name)[0]) & 0xFFFF

    # ---- the socket -------------------------------------------------------------------------

    def _line(self, deadline_s: float) -> str:
        while (end := self._received.find(b"\n")) < 0:
            try:
                self._socket.settimeout(deadline_s)
                piece = self._socket.recv(1 << 16)
            except TimeoutError as error:
                raise self._hung(deadline_s) from error
            except OSError as error:
                raise self._gone() from error
            if not piece:
                raise self._gone()
            self._received += piece
        line = self._received[:end].decode("ascii", "replace")
        del self._received[: end + 1]
        return line

    def _hung(self, deadline_s: float) -> LinkTimeout:
        self.close()
        return LinkTimeout(
            f"The emulated board did not answer within {deadline_s:.0f} s.",
            "The bench hangs, or the computer is very busy.",
            "Start again; if it comes again, build it anew: 'make -C firmware bench'.",
        )

    def _gone(self) -> LinkLost:
        said = ""
        with contextlib.suppress(subprocess.TimeoutExpired, OSError, ValueError):
            self._process.wait(1.0)
            if self._process.stderr is not None:
                said = self._process.stderr.read(2000).decode("utf-8", "replace").strip()
        self.close()
        ended = f"It ended with code {self._process.returncode}"
        return LinkLost(
            "The emulated board is gone.",
            f"{ended}: {said}." if said else f"{ended}; something stopped the bench.",
            "Start again; if it comes again, build it anew: 'make -C firmware bench'.",
        )


def _end(process: subprocess.Popen[bytes], ours: socket.socket) -> None:
    """Close the control socket, at which the bench ends by itself, and see to it that it does."""
    ours.close()
    try:
        process.wait(1.0)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    if process.stderr is not None:
        process.stderr.close()
