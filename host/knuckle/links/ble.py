"""A pod over Bluetooth LE: found, connected, kept, and looked for again when it is gone."""

from __future__ import annotations

import asyncio
import contextlib
import random
from collections import deque
from collections.abc import AsyncGenerator, Coroutine
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Final, Self, TypeVar

from knuckle.errors import LinkBusy, LinkError, LinkLost, LinkTimeout, LinkUnavailable
from knuckle.links.address import Address, read_options
from knuckle.links.ble_errors import (
    connection_lost,
    held_here,
    mapped,
    no_connection,
    no_uart,
    not_seen,
    several_seen,
    too_slow,
)
from knuckle.links.ble_lock import DeviceLock
from knuckle.links.ble_radio import prepare_system, scan
from knuckle.links.ble_uart import BleDevice, UartService, usable_service
from knuckle.links.bounded import BrokenOffError, within
from knuckle.links.clocks import WallClock
from knuckle.links.contract import Chunk, Clock
from knuckle.model.wheel import Wheel

PIECE: Final = 20
"""Bytes written at once: what the smallest packet carries, and the most that modules take."""
SILENT_CHUNK_S: Final = 0.05
LONGEST_BACKLOG: Final = 50_000
"""Packets waiting for the loop; more means that the program hangs, and the link is given up."""

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class BleLimits:
    """How long each step may take, in s of wall time.

    Attributes
    ----------
    scan_s : float
        Looking for the pod.
    settle_s : float
        Looking on after the first that fits, where none is named: there may be a second.
    same_name_s : float
        Looking on after the named one was seen for the first time: another may be named so.
    connect_s, subscribe_s, write_s, disconnect_s : float
    silence_s : float
        Without any byte before the connection counts as dead: a pod says hello every 5 s at
        least, and a connection whose service has died tells nothing.
    first_tries, later_tries : int
        To connect, each time the link is entered.
    pause_s : float
        Before the second try; doubled for each further one, drawn from half of it to all.
    """

    scan_s: float = 10.0
    settle_s: float = 3.0
    same_name_s: float = 0.5
    connect_s: float = 10.0
    subscribe_s: float = 5.0
    write_s: float = 2.0
    disconnect_s: float = 5.0
    silence_s: float = 8.0
    first_tries: int = 3
    later_tries: int = 1
    pause_s: float = 0.5


class BleLink:
    """A pod's serial line over Bluetooth LE.

    Entering looks for the pod, connects and subscribes, in several tries. Entering again, after
    it was lost, connects to the same device, and scans anew where that fails. Connecting does
    not restart a pod; it says hello once a second while it does not stream.

    Parameters
    ----------
    target : str
        Name or address of the pod; empty for the only one there is.
    adapter : str
        On Linux which adapter, such as ``hci1``.
    clock : Clock, optional
        Stamps arrivals and measures pauses; the wall's if not given.
    limits : BleLimits, optional
    rng : random.Random, optional
        Draws the pauses' jitter.
    device : BleDevice, optional
        As a scan has found it: then the first entering need not scan.
    """

    reconnects = True
    throughput_is_known = False

    def __init__(
        self,
        target: str = "",
        *,
        adapter: str = "",
        clock: Clock | None = None,
        limits: BleLimits | None = None,
        rng: random.Random | None = None,
        device: BleDevice | None = None,
    ) -> None:
        self.address = f"ble:{target}" + (f"?adapter={adapter}" if adapter else "")
        self.clock: Clock = clock if clock is not None else WallClock()
        self.device = device
        self._target = target
        self._adapter = adapter
        self._limits = limits if limits is not None else BleLimits()
        self._rng = rng if rng is not None else random.Random()
        self._seen_now = device is not None
        self._was_open = False
        self._failed = False
        self._passed_over: set[str] = set()
        self._client: Any = None
        self._service: UartService | None = None
        self._write_to: Any = None
        self._with_response = False
        self._line = _Line()
        self._writing = asyncio.Lock()
        self._lock: DeviceLock | None = None

    @classmethod
    def from_address(
        cls, address: Address, *, wheel: Wheel | None, purpose: str, **options: Any
    ) -> BleLink:
        """Return the link for ``ble:NAME?adapter=hci1``.

        Raises
        ------
        UsageError
            If an option is unknown or cannot be read.
        """
        inner = frozenset({"clock", "limits", "rng", "device"})
        return cls(
            address.place.strip(), **read_options(address, {"adapter": _adapter}, options, inner)
        )

    async def __aenter__(self) -> Self:
        prepare_system()
        tries = self._limits.later_tries if self._was_open else self._limits.first_tries
        for left in reversed(range(tries)):
            try:
                await self._open()
            except (LinkBusy, LinkLost, LinkTimeout):
                self._failed = True
                await self._close()
                if not left:
                    raise
            except BaseException:
                await self._close()
                raise
            else:
                self._was_open, self._failed = True, False
                return self
            longest_s = self._limits.pause_s * 2.0 ** (tries - 1 - left)
            await self.clock.sleep(longest_s * self._rng.uniform(0.5, 1.0))
        raise connection_lost(self.device)

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self._close()

    async def chunks(self) -> AsyncGenerator[Chunk, None]:
        """Yield what arrives, stamped on arrival; an empty chunk for each silent 0.05 s.

        Raises
        ------
        LinkLost
            When the connection is gone, or nothing has come for so long that it must be.
        """
        line, clock = self._line, self.clock
        last_data_s: float | None = None
        while True:
            if line.arrived:
                chunk = line.arrived.popleft()
                last_data_s = chunk.arrival_s
                yield chunk
                continue
            if line.gone.is_set():
                raise self._lost()
            line.news.clear()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(SILENT_CHUNK_S):
                    await line.news.wait()
            if line.arrived or line.gone.is_set():
                continue
            now_s = clock.now_s()
            if last_data_s is not None and now_s - last_data_s > self._limits.silence_s:
                line.end(f"nothing has come for {now_s - last_data_s:.1f} s")
                continue
            yield Chunk(now_s, b"")

    async def write(self, data: bytes) -> None:
        """Send bytes, 20 at a time.

        Raises
        ------
        LinkTimeout
            If the connection does not take them in time.
        LinkLost
            If it is gone.
        """
        async with self._writing:
            if self._client is None or self._line.gone.is_set():
                raise self._lost()
            if data:
                await self._step(
                    self._write_pieces(data), self._limits.write_s, "writing to the pod"
                )

    def pass_over(self) -> None:
        """Try another device on the next entering: another pod answered from this one."""
        if self.device is not None:
            self._passed_over.add(self.device.address)
        self.device = None

    def description(self) -> str:
        """Return device, strength of signal and service."""
        device = str(self.device) if self.device is not None else self._target or "to be found"
        service = f", {self._service.words}" if self._service is not None else ""
        return f"Bluetooth LE {device}{service}".replace("\n", " ")

    # ---- opening

    async def _open(self) -> None:
        """Find, connect, subscribe."""
        if self.device is None:
            self.device = await self._find()
            self._seen_now = True
        device = self.device
        try:
            await self._connect(device)
        except LinkError:
            self.device = None  # what the system knows of it may be out of date: scan anew
            raise
        finally:
            self._seen_now = False

    async def _connect(self, device: BleDevice) -> None:
        from bleak import BleakClient

        lock = self._lock = DeviceLock(device.address)
        if not lock.take():
            raise held_here(device)
        line = self._line = _Line()
        options: dict[str, Any] = {"winrt": {"use_cached_services": False}}
        if self._adapter:
            options["bluez"] = {"adapter": self._adapter}
        client = BleakClient(
            device.handle,
            disconnected_callback=lambda _client: line.end(""),
            timeout=self._limits.connect_s,
            **options,
        )
        self._client = client
        try:
            await within(self._limits.connect_s, client.connect())
            found = usable_service(client.services)
        except TimeoutError as error:
            raise no_connection(device, freshly_seen=self._seen_now) from error
        except Exception as error:
            raise mapped(error, device, freshly_seen=self._seen_now) from error
        if found is None:
            raise no_uart(device)
        self._service, notify, self._write_to = found
        properties = set(self._write_to.properties)
        self._with_response = "write-without-response" not in properties
        clock = self.clock

        def on_bytes(_from: Any, data: bytearray) -> None:
            line.take(Chunk(clock.now_s(), bytes(data)))

        work, limit_s = client.start_notify(notify, on_bytes), self._limits.subscribe_s
        # Where the service has died the library believes in its connections still.
        await self._step(work, limit_s, "subscribing", LinkUnavailable)

    async def _find(self) -> BleDevice:
        """Return the device that is meant, by listening for it."""

        def fitting(devices: dict[str, BleDevice]) -> list[BleDevice]:
            return [
                device
                for device in devices.values()
                if device.answers_to(self._target) and device.address not in self._passed_over
            ]

        limits = self._limits
        how: dict[str, Any] = {
            "adapter": self._adapter,
            "connected": not self._was_open and not self._failed,
        }
        before = self.device
        if self._target:
            how["after_s"] = limits.same_name_s if before is None else 0.0
            devices = await scan(limits.scan_s, enough=lambda seen: bool(fitting(seen)), **how)
        else:
            devices = await scan(limits.settle_s, **how)
            if not fitting(devices):
                more = await scan(
                    max(0.0, limits.scan_s - limits.settle_s),
                    enough=lambda seen: bool(fitting(seen)),
                    **how,
                )
                devices = {**devices, **more}
        found = fitting(devices)
        if not found:
            self._passed_over.clear()
            others = [device for device in devices.values() if device.may_be_pod]
            raise not_seen(self._target, others, limits.scan_s)
        if len(found) > 1 and (before is None or not self._target):
            raise several_seen(self._target, found)
        known = "" if before is None else before.address
        return max(found, key=lambda one: (one.address == known, one.rssi_dbm or -200))

    # ---- open

    async def _write_pieces(self, data: bytes) -> None:
        for start in range(0, len(data), PIECE):
            await self._client.write_gatt_char(
                self._write_to, data[start : start + PIECE], response=self._with_response
            )

    async def _step(
        self, work: Coroutine[Any, Any, T], limit_s: float, what: str, *plain: type[LinkError]
    ) -> T:
        """Do something over the connection; end it where it fails."""
        try:
            return await within(limit_s, work, self._line.gone)
        except BrokenOffError as error:
            raise self._lost() from error
        except TimeoutError as error:
            self._line.end(f"{what} took longer than {limit_s:g} s")
            raise too_slow(self.device, what, limit_s) from error
        except Exception as error:
            told = mapped(error, self.device, freshly_seen=False)
            # After a loss the library complains that it knows no services.
            known = isinstance(told, (LinkBusy, LinkLost, *plain))
            failed = told if known else self._lost(str(error))
            self._line.end(str(error))
            raise failed from error

    def _lost(self, said: str = "") -> LinkLost:
        return connection_lost(self.device, self._line.why or said)

    async def _close(self) -> None:
        """Let go of the connection, also of one that is lost: else a file is left open."""
        client, self._client = self._client, None
        self._line.end("it was closed")
        lock, self._lock = self._lock, None
        try:
            if client is not None:
                with contextlib.suppress(Exception):  # what is gone cannot be closed in order
                    await within(self._limits.disconnect_s, client.disconnect())
        finally:
            if lock is not None:
                lock.release()


class _Line:
    """What one connection has brought, and whether it is still there."""

    def __init__(self) -> None:
        self.arrived: deque[Chunk] = deque()
        self.news = asyncio.Event()
        self.gone = asyncio.Event()
        self.why = ""

    def take(self, chunk: Chunk) -> None:
        if self.gone.is_set():
            return
        self.arrived.append(chunk)
        if len(self.arrived) > LONGEST_BACKLOG:
            self.end("the program did not take the bytes for minutes")
        self.news.set()

    def end(self, why: str) -> None:
        if not self.gone.is_set():
            self.why = why
        self.gone.set()
        self.news.set()


def _adapter(typed: str) -> str:
    if not typed.isalnum():
        raise ValueError("the name of an adapter is expected, such as hci0")
    return typed
