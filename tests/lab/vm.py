"""The lab's machine: a real kernel, bus and bluetoothd in QEMU, reached over TCP."""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import subprocess
import tempfile
import time
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from lab.image import LabError, build_image

BOOT_S: Final = 120.0
ORDER_S: Final = 20.0


class Machine:
    """A machine that runs from entering to leaving.

    Attributes
    ----------
    hci : Path
        Socket on which its kernel speaks HCI to its adapter.
    bus : str
        Address of its system bus, for ``DBUS_SYSTEM_BUS_ADDRESS``.
    boot_s : float
        How long it took to come up, set by `wait_until_up`.

    Raises
    ------
    LabError
        If it cannot be built or does not come up.
    """

    def __init__(self) -> None:
        self._kernel, self._image = build_image()
        self._folder = Path(tempfile.mkdtemp(prefix="knuckle-lab-"))
        self.hci = self._folder / "hci"
        self._orders_path = self._folder / "orders"
        self._log = self._folder / "console"
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self._port = probe.getsockname()[1]
        self.bus = f"tcp:host=127.0.0.1,port={self._port}"
        self._process: subprocess.Popen[bytes] | None = None
        self._orders: socket.socket | None = None
        self._received = b""
        self._started_s = 0.0
        self.boot_s = 0.0

    def __enter__(self) -> Self:
        command = [
            "setpriv",
            "--pdeathsig",
            "TERM",
            "qemu-system-x86_64",
            "-accel",
            "tcg",
            "-m",
            "256",
            "-nodefaults",
        ]
        command += ["-no-user-config", "-display", "none", "-no-reboot"]
        command += ["-kernel", str(self._kernel), "-initrd", str(self._image)]
        command += ["-append", f"console=ttyS0 quiet panic=-1 lab_uid={os.getuid()}"]
        command += ["-serial", f"file:{self._log}"]
        command += ["-netdev", f"user,id=net,hostfwd=tcp:127.0.0.1:{self._port}-:7000"]
        command += ["-device", "virtio-net-pci,netdev=net", "-device", "virtio-rng-pci"]
        command += ["-device", "virtio-serial-pci"]
        for name, path in (("hci", self.hci), ("orders", self._orders_path)):
            command += ["-chardev", f"socket,id={name},path={path},server=on,wait=off"]
            command += ["-device", f"virtconsole,chardev={name}"]
        self._started_s = time.monotonic()
        with (self._folder / "qemu").open("wb") as said:
            self._process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stderr=said)
        try:
            self._orders = self._connect()
        except BaseException:
            self._end()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._end()

    def wait_until_up(self) -> None:
        """Wait until bus and daemon run in it; its adapter must be attached by then."""
        if self._line(BOOT_S) != "ready":
            raise LabError(f"the machine said something else than 'ready'; {self._last_words()}")
        self.boot_s = time.monotonic() - self._started_s

    def order(self, line: str) -> str:
        """Run a line of shell in the machine; return what it printed.

        Raises
        ------
        LabError
            If it fails or does not end.
        """
        assert self._orders is not None
        self._orders.sendall(line.encode() + b"\n")
        said: list[str] = []
        while not (word := self._line(ORDER_S)).startswith("done "):
            said.append(word)
        if word != "done 0":
            raise LabError(f"'{line}' in the machine: {' '.join(said)[-300:]}")
        return "\n".join(said)

    def kill_daemon(self) -> None:
        """End bluetoothd outright, as a crash would."""
        self.order("kill -9 $bluetoothd; wait $bluetoothd; true")

    def start_daemon(self) -> None:
        """Start bluetoothd."""
        self.order("start_bluetoothd")

    def _connect(self) -> socket.socket:
        end_s = time.monotonic() + 10.0
        while time.monotonic() < end_s:
            if self._process is not None and self._process.poll() is not None:
                break
            sock = socket.socket(socket.AF_UNIX)
            try:
                sock.connect(str(self._orders_path))
            except OSError:
                sock.close()
                time.sleep(0.05)
            else:
                return sock
        raise LabError("QEMU did not start")

    def _line(self, within_s: float) -> str:
        assert self._orders is not None
        end_s = time.monotonic() + within_s
        while b"\n" not in self._received:
            self._orders.settimeout(max(0.01, end_s - time.monotonic()))
            try:
                data = self._orders.recv(4096)
            except TimeoutError:
                data = b""
            if not data:
                raise LabError(f"the machine says nothing; {self._last_words()}")
            self._received += data
        line, _, self._received = self._received.partition(b"\n")
        return line.decode(errors="replace").strip()

    def _last_words(self) -> str:
        with contextlib.suppress(OSError):
            return f"its console ends: {self._log.read_text(errors='replace')[-500:]}"
        return "its console is empty"

    def _end(self) -> None:
        if self._orders is not None:
            self._orders.close()
        if self._process is not None:
            self._process.terminate()
            try:
                self._process.wait(5.0)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
        shutil.rmtree(self._folder, ignore_errors=True)
