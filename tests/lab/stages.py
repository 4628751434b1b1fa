"""A plain bleak client through every stage of a connection, whatever daemon is behind the bus.

The same script runs against the real bluetoothd (`tests/lab/bluetooth.py --record`) and against the
stand-in of the tests; what passes on the bus is to be the same.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from pathlib import Path
from typing import Any, Final, Protocol

from bleak import BleakClient, BleakScanner
from bleak.exc import BleakError
from dbus_fast import BusType, Message, Variant
from dbus_fast.aio import MessageBus

from lab.monitor import Monitor, settled

TRACES: Final = Path(__file__).parent / "trace"
NOTHING: Final = "(nothing)"
ON_LINE: Final = tuple(
    f"GattCharacteristic1.{member}" for member in ("StartNotify", "WriteValue", "ReadValue")
)
WAIT_S: Final = 20.0


class World(Protocol):
    """What happens round the client."""

    async def send(self, data: bytes) -> None:
        """Let the pod send bytes."""
        ...

    async def lose(self) -> None:
        """Let the pod be out of reach for a moment."""
        ...

    async def away(self, away: bool) -> None:
        """Let the pod be out of reach from now on, or not."""
        ...

    async def forget(self, path: str) -> None:
        """Let the daemon forget the pod, given its object."""
        ...

    async def lose_when_connected(self) -> None:
        """Let the pod be out of reach for a moment as soon as it is connected."""
        ...

    async def power(self, on: bool) -> None:
        """Switch the adapter."""
        ...

    async def plug(self, there: bool) -> None:
        """Unplug the adapter, or plug it in."""
        ...

    async def kill_daemon(self) -> None:
        """End the daemon outright."""
        ...

    async def start_daemon(self) -> None:
        """Start it again."""
        ...


async def all_stages(
    monitor: Monitor,
    world: World,
    name: str,
    *,
    quiet_s: float = 0.7,
    in_vain_s: float = 10.0,
    awaited: Mapping[str, int] | None = None,
) -> dict[str, list[str]]:
    """Go through the stages; return what passed in each.

    Parameters
    ----------
    monitor : Monitor
    world : World
    name : str
        Of the pod.
    quiet_s : float
        A stage is over when nothing has passed for so long.
    in_vain_s : float
        How long to try to connect to a pod out of reach.
    awaited : mapping of str to int, optional
        Lines without which a stage is not over, if they come at all.
    """
    lines_of = awaited if awaited is not None else {}
    passed: dict[str, list[str]] = {}

    @contextlib.asynccontextmanager
    async def stage(title: str) -> AsyncIterator[None]:
        if monitor.lines:
            await settled(monitor, quiet_s)
            monitor.take_lines()
        yield
        await settled(monitor, quiet_s, lines_of.get(title, 0))
        passed[title] = monitor.take_lines()

    heard = bytearray()
    device: Any = None
    async with stage("scan"):
        device = await BleakScanner.find_device_by_name(name, timeout=WAIT_S)
        assert device is not None
    client = BleakClient(device)
    async with stage("connect"):
        await client.connect(timeout=WAIT_S)
    async with stage("connect_again_while_connected"):
        await _fails(client.connect(timeout=WAIT_S))
    notify, write = _line(client)
    async with stage("subscribe"):
        await client.start_notify(notify, lambda _, data: heard.extend(data))
    async with stage("subscribe_again"):
        await _fails(client.start_notify(notify, lambda _, data: heard.extend(data)))
    async with stage("notify"):
        for piece in (b"one", b"two", b"three"):
            await world.send(piece)
            await asyncio.sleep(0.1)
    assert bytes(heard).startswith(b"one"), heard
    async with stage("write"):
        await client.write_gatt_char(write, b"hello", response=False)
    async with stage("calls_while_connected"):
        await _ask(device, "Device1.Connect", "Adapter1.StopDiscovery")
    async with stage("unsubscribe"):
        await client.stop_notify(notify)
    async with stage("disconnect"):
        await client.disconnect()
    async with stage("calls_while_not_connected"):
        await _ask(device, "Device1.Disconnect", *ON_LINE, char=notify.obj[0])
    async with stage("connect_known"):
        client = BleakClient(device)
        await client.connect(timeout=WAIT_S)
    notify, write = _line(client)
    await client.start_notify(notify, lambda _, data: None)
    async with stage("disconnect_while_subscribed"):
        await client.disconnect()

    client = await _up(device)
    async with stage("loss"):
        await world.lose()
        await _until(lambda: not client.is_connected)
    async with stage("write_after_loss"):
        await _fails(client.write_gatt_char(write, b"hello", response=False))
    async with stage("disconnect_after_loss"):
        await client.disconnect()

    await world.away(True)
    async with stage("connect_out_of_reach"):
        client = BleakClient(device)
        await _fails(client.connect(timeout=in_vain_s))
    await world.away(False)
    async with stage("forgotten"):
        await world.forget(device.details["path"])
    async with stage("connect_forgotten"):
        client = BleakClient(device)
        await _fails(client.connect(timeout=WAIT_S))
    device = await BleakScanner.find_device_by_name(name, timeout=WAIT_S)

    client = await _up(device)
    async with stage("adapter_off"):
        await world.power(False)
        await _until(lambda: not client.is_connected)
    async with stage("disconnect_adapter_off"):
        await client.disconnect()
    async with stage("scan_adapter_off"):
        await _fails(_scan(1.0))
    async with stage("connect_adapter_off"):
        await _fails(client.connect(timeout=WAIT_S))
    async with stage("calls_adapter_off"):
        words = "Device1.Disconnect", "Adapter1.StartDiscovery", "Adapter1.StopDiscovery"
        await _ask(device, *words, *ON_LINE, char=notify.obj[0])
    async with stage("adapter_on"):
        await world.power(True)

    client = await _up(device)
    async with stage("daemon_killed"):
        await world.kill_daemon()
    async with stage("disconnect_daemon_killed"):
        await _fails(client.disconnect())
    async with stage("scan_daemon_killed"):
        await _fails(_scan(1.0))
    async with stage("daemon_started"):
        await world.start_daemon()
    await _fails(client.disconnect())
    device = await BleakScanner.find_device_by_name(name, timeout=WAIT_S)
    client = await _up(device)
    async with stage("adapter_unplugged"):
        await world.plug(False)
    async with stage("disconnect_adapter_unplugged"):
        await _fails(client.disconnect())
    async with stage("adapter_plugged_in"):
        await world.plug(True)
    # At the end: the kernel of Debian 12 may trip over it a while later (see README.md).
    device = await BleakScanner.find_device_by_name(name, timeout=WAIT_S)
    async with stage("loss_in_discovery"):
        await world.lose_when_connected()
        client = BleakClient(device)
        await _fails(client.connect(timeout=WAIT_S))
    await _fails(client.disconnect())
    return passed


def write_traces(passed: dict[str, list[str]], folder: Path = TRACES) -> None:
    """Write a file for each stage."""
    folder.mkdir(exist_ok=True)
    for name, lines in passed.items():
        text = "".join(f"{line}\n" for line in lines or [NOTHING])
        (folder / f"{name}.txt").write_text(text)


def read_traces(folder: Path = TRACES) -> dict[str, list[str]]:
    """Return what has been recorded."""
    texts = {file.stem: file.read_text().splitlines() for file in folder.glob("*.txt")}
    return {name: [] if lines == [NOTHING] else lines for name, lines in texts.items()}


async def _ask(device: Any, *calls: str, char: str = "") -> None:
    """Make calls that bleak itself would not make now; what is answered is in the trace."""
    path = device.details["path"]
    bus = await MessageBus(bus_type=BusType.SYSTEM).connect()
    for call in calls:
        kind, _, member = call.partition(".")
        given: tuple[str, list[Any]] = ("", [])
        if member == "WriteValue":
            given = "aya{sv}", [b"x", {"type": Variant("s", "command")}]
        elif member == "ReadValue":
            given = "a{sv}", [{}]
        message = Message(
            destination="org.bluez",
            path={"Adapter1": path.rpartition("/")[0], "Device1": path}.get(kind, char),
            interface=f"org.bluez.{kind}",
            member=member,
            signature=given[0],
            body=given[1],
        )
        await bus.call(message)
    bus.disconnect()


async def _up(device: Any) -> BleakClient:
    client = BleakClient(device)
    await client.connect(timeout=WAIT_S)
    notify, _ = _line(client)
    await client.start_notify(notify, lambda _, data: None)
    return client


def _line(client: BleakClient) -> tuple[Any, Any]:
    found = {c.uuid: c for s in client.services for c in s.characteristics}
    ends = {uuid[4:8]: c for uuid, c in found.items() if uuid.startswith(("0000ffe1", "6e40000"))}
    return ends.get("0003", ends.get("ffe1")), ends.get("0002", ends.get("ffe1"))


async def _scan(seconds: float) -> None:
    async with BleakScanner():
        await asyncio.sleep(seconds)


async def _fails(work: Awaitable[Any]) -> None:
    with contextlib.suppress(BleakError, EOFError, OSError, TimeoutError):
        await work


async def _until(holds: Callable[[], bool]) -> None:
    async with asyncio.timeout(WAIT_S):
        while not holds():
            await asyncio.sleep(0.02)
