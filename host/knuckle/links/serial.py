"""A pod on a serial port, USB or other."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import AsyncGenerator, Callable
from types import TracebackType
from typing import Any, Final, Self, TypeVar

from knuckle.errors import LinkError, LinkTimeout
from knuckle.links.address import Address, read_options, whole_number
from knuckle.links.clocks import WallClock
from knuckle.links.contract import Chunk, Clock
from knuckle.links.ports import UsbPort, likely_homes, usb_ports
from knuckle.links.serial_errors import (
    connection_lost,
    listed,
    opening_failed,
    port_not_found,
)
from knuckle.model.wheel import Wheel

DEFAULT_BAUD: Final = 115200
READ_TIMEOUT_S: Final = 0.05
WRITE_TIMEOUT_S: Final = 1.0
OPEN_TIMEOUT_S: Final = 5.0
LONGEST_BACKLOG: Final = 20_000
"""Chunks waiting for the loop; more means that the program hangs, and the link is given up."""

T = TypeVar("T")


async def _in_own_thread(work: Callable[[], T], deadline_s: float, what: str) -> T:
    """Run blocking work in a thread of its own, which a hang cannot drag the program into.

    Raises
    ------
    LinkTimeout
        If it is not done in time.
    """
    loop = asyncio.get_running_loop()
    done: asyncio.Future[T] = loop.create_future()

    def settle(result: T | None, error: BaseException | None) -> None:
        if done.done():
            close = getattr(result, "close", None)
            if close is not None:  # a port that opened after all, too late
                close()
        elif error is not None:
            done.set_exception(error)
        else:
            done.set_result(result)  # type: ignore[arg-type]  # T where no error

    def run() -> None:
        result: T | None = None
        error: BaseException | None = None
        try:
            result = work()
        except BaseException as caught:
            error = caught
        with contextlib.suppress(RuntimeError):  # the loop has closed: nobody waits any more
            loop.call_soon_threadsafe(settle, result, error)

    threading.Thread(target=run, name=f"knuckle {what}", daemon=True).start()
    try:
        return await asyncio.wait_for(done, deadline_s)
    except TimeoutError as error:
        raise LinkTimeout(
            f"{what[:1].upper()}{what[1:]} did not finish within {deadline_s:g} s.",
            "The device or its driver hangs.",
            "Unplug the pod, plug it in again and try once more.",
        ) from error


class SerialLink:
    """A serial port, read by a thread that stamps each piece as it arrives.

    Entering opens the port for this program alone; most boards restart at that, so the pod's
    hello is to be expected within about four seconds. Entering again, after the port was
    lost, looks the same adapter up under whatever name it has now.

    Parameters
    ----------
    port : str
        Name of the port; empty for the only USB-serial port there is.
    baud : int
        Bits a second.
    clock : Clock, optional
        Stamps arrivals; the wall's if not given.
    list_ports : callable, optional
        Lists the USB-serial ports.
    """

    reconnects = True

    def __init__(
        self,
        port: str,
        *,
        baud: int = DEFAULT_BAUD,
        clock: Clock | None = None,
        list_ports: Callable[[], list[UsbPort]] = usb_ports,
    ) -> None:
        self.address = f"serial:{port}"
        self.clock: Clock = clock if clock is not None else WallClock()
        self.device = port
        self._asked_port = port
        self._baud = baud
        self._list_ports = list_ports
        self._usb: UsbPort | None = None
        self._was_open = False
        self._passed_over: set[str] = set()
        self._serial: Any = None
        self._reader: threading.Thread | None = None
        self._closing = threading.Event()
        self._arrived: asyncio.Queue[Chunk | LinkError] = asyncio.Queue()
        self._writing = asyncio.Lock()

    @classmethod
    def from_address(
        cls, address: Address, *, wheel: Wheel | None, purpose: str, **options: Any
    ) -> SerialLink:
        """Return the link for ``serial:PORT?baud=9600``.

        Raises
        ------
        UsageError
            If an option is unknown or cannot be read.
        """
        inner = frozenset({"clock", "list_ports"})
        return cls(address.place, **read_options(address, {"baud": _baud}, options, inner))

    async def __aenter__(self) -> Self:
        self.device, self._usb = await _in_own_thread(
            self._find_port, OPEN_TIMEOUT_S, "listing the serial ports"
        )
        self._serial = await _in_own_thread(
            self._open, OPEN_TIMEOUT_S, f"opening the port {self.device}"
        )
        self._was_open = True
        self._closing = threading.Event()
        self._arrived = asyncio.Queue()
        self._reader = threading.Thread(
            target=self._read_on,
            args=(self._serial, self._closing, self._arrived, asyncio.get_running_loop()),
            name=f"knuckle reads {self.device}",
            daemon=True,
        )
        self._reader.start()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._closing.set()
        port, reader = self._serial, self._reader
        self._serial = self._reader = None
        if port is None:
            return

        def close() -> None:
            with contextlib.suppress(Exception):  # a port that is gone cannot be closed in order
                port.cancel_read()
            if reader is not None:
                reader.join(1.0)
            with contextlib.suppress(Exception):
                port.close()

        with contextlib.suppress(LinkTimeout):
            await _in_own_thread(close, 2.0, f"closing {self.device}")

    async def chunks(self) -> AsyncGenerator[Chunk, None]:
        """Yield what arrives, stamped on arrival; an empty chunk for each silent 0.05 s.

        Raises
        ------
        LinkLost
            When the port is gone.
        """
        while True:
            arrived = await self._arrived.get()
            if isinstance(arrived, LinkError):
                raise arrived
            yield arrived

    async def write(self, data: bytes) -> None:
        """Send bytes.

        Raises
        ------
        LinkTimeout
            If the port does not take them in time.
        LinkLost
            If it is gone.
        """
        port = self._serial
        if port is None:
            raise connection_lost(self.device)
        async with self._writing:
            await _in_own_thread(
                lambda: self._write_now(port, data), 2 * WRITE_TIMEOUT_S, "writing to the pod"
            )

    def pass_over(self) -> None:
        """Try another port on the next entering: another pod answered on this one."""
        self._passed_over.add(self.device)

    def description(self) -> str:
        """Return port, product and speed."""
        name = f" ({self._usb.name})" if self._usb is not None and self._usb.name else ""
        return f"serial port {self.device or 'to be found'}{name} at {self._baud} baud"

    def _find_port(self) -> tuple[str, UsbPort | None]:
        """Return the port to open now and its USB facts."""
        ports = self._list_ports()
        device = self.device if self._was_open else self._asked_port
        if self._was_open:
            homes = likely_homes(self._usb, device, ports)
            untried = [home for home in homes if home not in self._passed_over]
            if not untried:
                self._passed_over.clear()
                raise port_not_found(device, ports)
            device = untried[0]
        elif not device:
            if not ports:
                raise port_not_found(device, ports)
            if len(ports) > 1:
                failed = port_not_found("", ports)
                failed.what = "Several ports could be the pod's."
                failed.cause = "'serial:' without a port means the only one there is."
                failed.next_step = f"Name one of them: {listed(ports)}."
                raise failed
            device = ports[0].device
        return device, next((port for port in ports if port.device == device), self._usb)

    def _open(self) -> Any:
        import serial

        try:
            return serial.Serial(
                self.device,
                self._baud,
                timeout=READ_TIMEOUT_S,
                write_timeout=WRITE_TIMEOUT_S,
                exclusive=True,
            )
        except (OSError, ValueError) as error:
            raise opening_failed(self.device, error, self._list_ports()) from error

    def _write_now(self, port: Any, data: bytes) -> None:
        import serial

        try:
            port.write(data)
        except serial.SerialTimeoutException as error:
            raise LinkTimeout(
                f"{self.device} took no bytes for {WRITE_TIMEOUT_S:g} s.",
                "The pod or its adapter hangs.",
                "Unplug the pod and plug it in again.",
            ) from error
        except (OSError, TypeError, ValueError) as error:
            raise connection_lost(self.device, error) from error

    def _read_on(
        self,
        port: Any,
        closing: threading.Event,
        arrived: asyncio.Queue[Chunk | LinkError],
        loop: asyncio.AbstractEventLoop,
    ) -> None:
        """Read in a thread until the port is closed or gone; block, never poll."""
        outcome: Chunk | LinkError
        while not closing.is_set():
            try:
                data = port.read(1)
                arrival_s = self.clock.now_s()
                if data:
                    data += port.read(port.in_waiting)
                outcome = Chunk(arrival_s, data)
            except Exception as error:
                # Unplugging is a different exception on each system (OSError, TypeError on a
                # file number gone, termios.error): all mean the same.
                outcome = connection_lost(self.device, error)
                outcome.__cause__ = error
            if arrived.qsize() > LONGEST_BACKLOG:
                outcome = connection_lost(self.device)
                outcome.cause = "The program did not take the bytes for minutes."
            if closing.is_set():
                return
            try:
                loop.call_soon_threadsafe(arrived.put_nowait, outcome)
            except RuntimeError:  # the loop has closed: nobody waits any more
                return
            if isinstance(outcome, LinkError):
                return


def _baud(typed: str) -> int:
    value = whole_number(typed)
    if not 300 <= value <= 4_000_000:
        raise ValueError("a baud rate lies between 300 and 4000000")
    return value
