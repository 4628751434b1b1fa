"""The whole lab: machine, module, and what is at its serial line."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import subprocess
import sys
import threading
import time
import tty
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from dbus_fast import Message, MessageType, Variant
from dbus_fast.aio import MessageBus

from lab.image import LabError
from lab.vm import Machine

TESTS: Final = Path(__file__).resolve().parents[1]
NAME: Final = "knuckle1"
ADAPTER: Final = "/org/bluez/hci0"
ADAPTER_WITHIN_S: Final = 30.0


class Child:
    """A program of the lab that takes orders by the line and answers in JSON."""

    def __init__(self, module: str, *words: str) -> None:
        path = os.pathsep.join([str(TESTS), str(TESTS.parent / "host")])
        self._asking = threading.Lock()
        self._process = subprocess.Popen(
            [sys.executable, "-m", module, *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=os.environ | {"PYTHONPATH": path},
        )
        self.said = self._answer()

    def order(self, line: str) -> dict[str, Any]:
        """Give an order; return the answer."""
        assert self._process.stdin is not None
        with self._asking:
            self._process.stdin.write(line.encode() + b"\n")
            self._process.stdin.flush()
            return self._answer()

    def end(self) -> dict[str, Any]:
        """Let it end; return its last words, if any."""
        assert self._process.stdin is not None and self._process.stdout is not None
        with contextlib.suppress(OSError):
            self._process.stdin.close()
        try:
            self._process.wait(5.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
        last = self._process.stdout.read().decode().strip()
        self._process.stdout.close()
        return dict(json.loads(last)) if last else {}

    def _answer(self) -> dict[str, Any]:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line:
            raise LabError(f"{self._process.args} has ended")
        return dict(json.loads(line))


class Rig:
    """The lab from entering to leaving.

    Parameters
    ----------
    service : str
        ``module`` or ``uart``.
    mtu : int
    address, purpose : str
        An ``avr:`` address, and what it is opened for: the emulated board. Without, the line is a
        bare pseudo-terminal: `send`, `received`.
    """

    def __init__(
        self, *, service: str = "module", mtu: int = 23, address: str = "", purpose: str = "sweep"
    ) -> None:
        self._kind = service, str(mtu)
        self._board_words = address, purpose
        self.machine = Machine()
        self.board: Child | None = None
        self.module: Child
        self._line = -1
        self.truth: dict[str, float] = {}

    def __enter__(self) -> Self:
        self._open = contextlib.ExitStack()
        with contextlib.ExitStack() as open_:
            open_.enter_context(self.machine)
            if self._board_words[0]:
                line = self._start_board()
                open_.callback(self._end_board)
            else:
                self._line, far = os.openpty()
                open_.callback(os.close, self._line)
                open_.callback(os.close, far)
                tty.setraw(far)
                line = os.ttyname(far)
            service, mtu = self._kind
            words = ["--hci", str(self.machine.hci), "--line", line, "--service", service]
            self.module = Child("lab.peripheral", *words, "--mtu", mtu, "--name", NAME)
            open_.callback(self.module.end)
            self.machine.wait_until_up()
            self.machine.order("start_adapter")
            os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = self.machine.bus
            asyncio.run(self._wait_for_adapter())
            self._open = open_.pop_all()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._open.close()

    def new_board(self) -> None:
        """Put another pod, on a car that stands straight ahead, at the module's line."""
        self._end_board()
        self.module.order(f"line {self._start_board()}")

    def _start_board(self) -> str:
        self.board = Child("lab.board", *self._board_words)
        self.truth = self.board.said["truth"]
        return str(self.board.said["line"])

    def _end_board(self) -> None:
        if self.board is not None:
            self.board.end()
            self.board = None

    # ---- the world of `lab.stages` ----------------------------------------------------------

    async def send(self, data: bytes) -> None:
        """Put bytes on the bare line, from the pod's side."""
        os.write(self._line, data)

    async def counts(self) -> dict[str, Any]:
        """Return what the module has counted."""
        return await asyncio.to_thread(self.module.order, "counts")

    async def drop(self) -> None:
        """Let the module end the connection."""
        await asyncio.to_thread(self.module.order, "drop")

    async def lose(self) -> None:
        """Let the module be out of reach for a moment."""
        await asyncio.to_thread(self.module.order, "lose")

    async def away(self, away: bool) -> None:
        """Let the module be out of reach from now on, or not."""
        await asyncio.to_thread(self.module.order, "away" if away else "back")

    async def lose_when_connected(self) -> None:
        """Let the module be out of reach for a moment as soon as it is connected."""
        await asyncio.to_thread(self.module.order, "lose_when_connected")

    async def forget(self, path: str) -> None:
        """Let bluetoothd forget the module."""
        await self._ask("RemoveDevice", "o", [path], "org.bluez.Adapter1")

    async def plug(self, there: bool) -> None:
        """Unplug the adapter, or plug it in."""
        if there:
            await asyncio.to_thread(self.machine.order, "start_adapter")
            await self._wait_for_adapter()
        else:
            await asyncio.to_thread(self.machine.order, "stop_adapter")

    async def kill_daemon(self) -> None:
        """End bluetoothd outright."""
        await asyncio.to_thread(self.machine.kill_daemon)

    async def start_daemon(self) -> None:
        """Start bluetoothd, and wait until its adapter is on."""
        await asyncio.to_thread(self.machine.start_daemon)
        await self._wait_for_adapter()

    async def power(self, on: bool) -> None:
        """Switch the adapter, by way of bluetoothd."""
        said = await self._ask("Set", "ssv", ["org.bluez.Adapter1", "Powered", Variant("b", on)])
        if said.message_type is not MessageType.METHOD_RETURN:
            raise LabError(f"the adapter cannot be switched: {said.error_name} {said.body}")

    async def _wait_for_adapter(self) -> None:
        end_s = time.monotonic() + ADAPTER_WITHIN_S
        while time.monotonic() < end_s:
            with contextlib.suppress(OSError, EOFError):  # the bus is not reached at once
                said = await self._ask("Get", "ss", ["org.bluez.Adapter1", "Powered"])
                if said.message_type is MessageType.METHOD_RETURN and said.body[0].value:
                    return
            await asyncio.sleep(0.2)
        raise LabError(f"no adapter came up: {self.machine.order('dmesg | tail -5')}")

    async def _ask(
        self,
        member: str,
        signature: str,
        body: list[Any],
        interface: str = "org.freedesktop.DBus.Properties",
        path: str = ADAPTER,
    ) -> Message:
        bus = await MessageBus(bus_address=self.machine.bus).connect()
        try:
            said = await bus.call(
                Message(
                    destination="org.bluez",
                    path=path,
                    interface=interface,
                    member=member,
                    signature=signature,
                    body=body,
                )
            )
        finally:
            bus.disconnect()
        assert said is not None
        return said
