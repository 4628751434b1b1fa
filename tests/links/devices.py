"""Devices for the tests of links: scripted bytes, in memory or at the far end of a pty."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Protocol


class Device(Protocol):
    """What can be put at the far end of a pseudo-terminal."""

    def advance(self, to_s: float) -> bytes: ...

    def receive(self, data: bytes) -> None: ...


class ScriptedBytes:
    """A device that transmits given pieces, one each 0.1 s, and notes what it receives."""

    def __init__(self, pieces: Sequence[bytes], cut_at_s: float | None = None) -> None:
        self.received = bytearray()
        self._pieces = list(pieces)
        self._sent = 0
        self._now_s = 0.0
        self._cut_at_s = cut_at_s
        self.cut_for_s = 1.0

    @property
    def finished(self) -> bool:
        return self._now_s >= 0.1 * (len(self._pieces) + 5)

    @property
    def connected(self) -> bool:
        cut = self._cut_at_s
        return cut is None or not cut <= self._now_s < cut + self.cut_for_s

    def advance(self, to_s: float) -> bytes:
        self._now_s = to_s
        out = b""
        while self._sent < len(self._pieces) and to_s >= 0.1 * (self._sent + 1) - 1e-9:
            out += self._pieces[self._sent]
            self._sent += 1
        return out

    def receive(self, data: bytes) -> None:
        self.received += data


class PtyDevice:
    """A device at the far end of a pseudo-terminal, moved on in real time by a thread."""

    def __init__(self, device: Device, speed: float = 1.0) -> None:
        self.device = device
        self._master, far_end = os.openpty()
        self.name = os.ttyname(far_end)
        # Raw from the start, as a serial port is: no echo of what the device sends.
        import tty

        tty.setraw(far_end)
        self._far_end = far_end
        os.set_blocking(self._master, False)
        self._going = threading.Event()
        self._stop = threading.Event()
        self._speed = speed
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def start(self) -> None:
        """Let the device's time run (a board starts when its port is opened)."""
        self._going.set()

    def unplug(self) -> None:
        """Take the device away."""
        if self._stop.is_set():
            return
        self._stop.set()
        self._going.set()
        self._thread.join(5)
        os.close(self._master)
        os.close(self._far_end)

    def _run(self) -> None:
        self._going.wait()
        began_s = time.monotonic()
        while not self._stop.is_set():
            out = self.device.advance((time.monotonic() - began_s) * self._speed)
            while out and not self._stop.is_set():
                try:
                    out = out[os.write(self._master, out) :]
                except BlockingIOError:
                    time.sleep(0.002)
            try:
                self.device.receive(os.read(self._master, 4096))
            except (BlockingIOError, OSError):
                time.sleep(0.002)


@contextmanager
def at_pty(device: Device, speed: float = 1.0) -> Iterator[PtyDevice]:
    """Put a device at the far end of a pseudo-terminal."""
    pty = PtyDevice(device, speed)
    try:
        yield pty
    finally:
        pty.unplug()
