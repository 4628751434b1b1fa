"""How a simulated pod's bytes reach the program: through a real pseudo-terminal, or in memory."""

from __future__ import annotations

import os
from typing import Any, Final, Protocol

from knuckle.errors import LinkLost

PIECE: Final = 512
"""Bytes put into a pseudo-terminal at once; its buffer holds some thousand."""
TIMEOUT_S: Final = 2.0


class Pipe(Protocol):
    """Two directions of bytes, both delivered before the call returns."""

    def to_host(self, data: bytes) -> bytes:
        """Carry what the pod transmits; return what the program reads."""
        ...

    def to_pod(self, data: bytes) -> bytes:
        """Carry what the program writes; return what the pod reads."""
        ...

    def close(self) -> None:
        """Let go of what the pipe holds."""
        ...


class MemoryPipe:
    """Bytes handed over as they are."""

    def to_host(self, data: bytes) -> bytes:
        """Return the bytes."""
        return data

    def to_pod(self, data: bytes) -> bytes:
        """Return the bytes."""
        return data

    def close(self) -> None:
        """Do nothing: there is nothing to let go of."""


class PtyPipe:
    """Bytes through a pseudo-terminal that pyserial holds open as it would a pod's port.

    Raises
    ------
    OSError
        If the system has no pseudo-terminals (left).
    """

    def __init__(self) -> None:
        import serial

        if not hasattr(os, "openpty"):
            raise OSError("this system has no pseudo-terminals")
        self._pod_end, far_end = os.openpty()
        try:
            self.device = os.ttyname(far_end)
            self._port: Any = serial.Serial(
                self.device, 115200, timeout=TIMEOUT_S, write_timeout=TIMEOUT_S, exclusive=True
            )
        except BaseException:
            os.close(self._pod_end)
            raise
        finally:
            os.close(far_end)

    def to_host(self, data: bytes) -> bytes:
        """Write at the pod's end, read at the port; no byte is left under way."""
        arrived = bytearray()
        try:
            for start in range(0, len(data), PIECE):
                piece = data[start : start + PIECE]
                os.write(self._pod_end, piece)
                arrived += self._port.read(len(piece))
        except (OSError, TypeError) as error:
            raise _broken(self.device) from error
        if len(arrived) != len(data):
            raise _broken(self.device)
        return bytes(arrived)

    def to_pod(self, data: bytes) -> bytes:
        """Write at the port, read at the pod's end; no byte is left under way."""
        arrived = bytearray()
        try:
            for start in range(0, len(data), PIECE):
                piece = data[start : start + PIECE]
                self._port.write(piece)
                end = len(arrived) + len(piece)
                while len(arrived) < end:
                    arrived += os.read(self._pod_end, end - len(arrived))
        except (OSError, TypeError) as error:
            raise _broken(self.device) from error
        return bytes(arrived)

    def close(self) -> None:
        """Close both ends."""
        self._port.close()
        os.close(self._pod_end)


def open_pipe(transport: str) -> Pipe:
    """Return a pipe of the kind asked for: ``pty``, ``memory``, or ``auto`` for the first there is.

    Raises
    ------
    OSError
        If a pseudo-terminal is asked for and there is none.
    """
    if transport == "memory":
        return MemoryPipe()
    try:
        return PtyPipe()
    except OSError:
        if transport == "auto":
            return MemoryPipe()
        raise


def _broken(device: str) -> LinkLost:
    return LinkLost(
        f"The pseudo-terminal {device} broke.",
        "Another program opened or closed it.",
        "Start again, or put transport=memory into the address.",
    )
