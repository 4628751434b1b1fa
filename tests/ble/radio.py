"""A room with Bluetooth for tests: a private bus, the stand-in for bluetoothd, pods in reach."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Protocol

import pytest

HERE = Path(__file__).resolve().parent
ADDRESS = "5C:F3:70:8A:00:01"
BUS_CONFIG = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <type>system</type>
  <listen>unix:path={folder}/bus</listen>
  <auth>EXTERNAL</auth>
  <policy context="default">
    <allow user="*"/><allow own="*"/><allow send_type="method_call"/>
    <allow send_type="signal"/><allow receive_type="signal"/>
    <allow send_requested_reply="true"/><allow receive_requested_reply="true"/>
    {deny}
  </policy>
</busconfig>
"""
LONGEST_STEP_S = 0.1
DENY = '<deny send_destination="org.bluez"/>'


class Device(Protocol):
    """What speaks on a module's serial line."""

    def advance(self, to_s: float) -> bytes: ...

    def receive(self, data: bytes) -> None: ...


class SerialLine:
    """A pod on the serial line of a Bluetooth module, moved on in real time by a thread."""

    def __init__(self, device: Device, folder: Path, speed: float = 1.0) -> None:
        self.device = device
        self.path = str(folder / f"uart{id(self):x}")
        self._server = socket.socket(socket.AF_UNIX)
        self._server.bind(self.path)
        self._server.listen()
        self.now_s = 0.0
        self._speed = speed
        self._stop = threading.Event()
        self._going = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def start(self) -> None:
        """Let the pod's time run."""
        self._going.set()

    def close(self) -> None:
        self._stop.set()
        self._going.set()
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._thread.join(5)
        self._server.close()

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                line, _ = self._server.accept()
            except OSError:
                return
            line.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 2048)
            with line:
                self._serve(line)

    def _serve(self, line: socket.socket) -> None:
        line.settimeout(0.002)
        self._going.wait()
        before_s = time.monotonic()
        while not self._stop.is_set():
            now_s = time.monotonic()
            # Where the radio sets the pace the pod's time does not run away meanwhile.
            self.now_s += min((now_s - before_s) * self._speed, LONGEST_STEP_S)
            before_s = now_s
            out = self.device.advance(self.now_s)
            try:
                if out:
                    line.settimeout(5.0)
                    line.sendall(out)
                    line.settimeout(0.002)
                data = line.recv(4096)
            except TimeoutError:
                continue
            except OSError:
                return
            if not data:
                return
            self.device.receive(data)


class Radio:
    """The stand-in, seen from a test."""

    def __init__(self, folder: Path, *, deny: bool = False, daemon: bool = True) -> None:
        self.folder = folder
        (folder / "bus.conf").write_text(
            BUS_CONFIG.format(folder=folder, deny=DENY if deny else "")
        )
        self._bus = subprocess.Popen(
            ["dbus-daemon", f"--config-file={folder}/bus.conf", "--nofork", "--print-address"],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self._bus.stdout is not None
        self.bus_address = self._bus.stdout.readline().strip().partition(",")[0]
        self._daemon: subprocess.Popen[str] | None = None
        self._lines: list[SerialLine] = []
        if daemon:
            self.start_daemon()

    def start_daemon(self) -> None:
        """Start bluetoothd, as a service manager does."""
        self._daemon = subprocess.Popen(
            [sys.executable, str(HERE / "bluetoothd.py"), self.bus_address],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self._answer() == "ready"

    def kill_daemon(self) -> None:
        """Kill bluetoothd outright."""
        assert self._daemon is not None
        self._daemon.kill()
        self._daemon.wait(5)
        for pipe in (self._daemon.stdin, self._daemon.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()
        self._daemon = None

    def freeze_daemon(self) -> None:
        """Let bluetoothd hang."""
        assert self._daemon is not None
        self._daemon.send_signal(signal.SIGSTOP)

    def thaw_daemon(self) -> None:
        """Let bluetoothd go on."""
        assert self._daemon is not None
        self._daemon.send_signal(signal.SIGCONT)

    def do(self, what: str, **said: Any) -> Any:
        """Tell the stand-in something; see `bluetoothd.Daemon.command`."""
        assert self._daemon is not None and self._daemon.stdin is not None
        self._daemon.stdin.write(json.dumps({"do": what, **said}) + "\n")
        self._daemon.stdin.flush()
        return self._answer()

    def pod(
        self,
        device: Device,
        *,
        address: str = ADDRESS,
        speed: float = 1.0,
        start: bool = True,
        **said: Any,
    ) -> SerialLine:
        """Put a pod into the room, with a module on its serial line."""
        line = SerialLine(device, self.folder, speed)
        self._lines.append(line)
        self.do("device", address=address, uart=line.path, **said)
        if start:
            line.start()
        return line

    def close(self) -> None:
        if self._daemon is not None:
            self.thaw_daemon()
            self.kill_daemon()
        self._bus.kill()
        self._bus.wait(5)
        if self._bus.stdout is not None:
            self._bus.stdout.close()
        for line in self._lines:
            line.close()

    def _answer(self) -> Any:
        assert self._daemon is not None and self._daemon.stdout is not None
        return json.loads(self._daemon.stdout.readline())


needs_bus = pytest.mark.skipif(
    sys.platform != "linux" or shutil.which("dbus-daemon") is None,
    reason="dbus-daemon is missing",
)


@contextmanager
def radio(folder: Path, **options: Any) -> Iterator[Radio]:
    """Make a room whose bus this process takes for the system's."""
    made = Radio(folder, **options)
    # Other rooms, in other processes, have a device of the same address.
    own = {"DBUS_SYSTEM_BUS_ADDRESS": made.bus_address, "KNUCKLE_LOCKS": str(folder)}
    before = {name: os.environ.get(name) for name in own}
    os.environ.update(own)
    try:
        yield made
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
        made.close()
