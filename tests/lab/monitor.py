"""What passes on a bus between bleak and bluetoothd, as short lines that stay the same each time.

::

    > Device1.Connect device              a call
    < Device1.Connect                     its reply
    ! Device1.Connect org.bluez.Error.Failed: le-connection-abort-by-local
    * device Device1 Connected=true       a property has changed
    + service GattService1                an object has come, or (-) gone
    # org.bluez gone                      the daemon's name on the bus

Left out: what goes to the bus itself, calls that bleak does not make, strength of signal, and
objects of services that carry no bytes of a pod. Repeated lines stand once.
"""

from __future__ import annotations

import asyncio
import re
from types import TracebackType
from typing import Any, Final, Self

from dbus_fast import Message, MessageType, Variant
from dbus_fast.aio import MessageBus

DAEMON: Final = "org.bluez"
BUS: Final = "org.freedesktop.DBus"
SERIAL: Final = ("0000ffe0-", "6e400001-")
WEATHER: Final = frozenset(
    {"RSSI", "TxPower", "ManufacturerData", "ServiceData", "AdvertisingData"}
)
"""Properties that change as advertisements come; when, is chance."""
OF_OTHERS: Final = frozenset({"Adapter1.RemoveDevice"})
"""Calls that bleak does not make."""
_PLACES: Final = (
    ("descriptor", re.compile(r"/desc\w+$")),
    ("characteristic", re.compile(r"/char\w+$")),
    ("service", re.compile(r"/service\w+$")),
    ("device", re.compile(r"/dev_\w+$")),
    ("adapter", re.compile(r"^/org/bluez/hci\d+$")),
)


class Monitor:
    """Writes down what passes from entering to leaving.

    Parameters
    ----------
    address : str
        Of the bus.

    Attributes
    ----------
    lines : list of str
        So far.
    """

    def __init__(self, address: str) -> None:
        self._address = address
        self.lines: list[str] = []
        self._owner = ""
        self._calls: dict[tuple[str, int], str] = {}
        self._other_services: set[str] = set()
        self._bus: MessageBus | None = None

    async def __aenter__(self) -> Self:
        bus = await MessageBus(bus_address=self._address).connect()
        said = await bus.call(
            Message(
                destination=BUS,
                path="/org/freedesktop/DBus",
                interface=BUS,
                member="GetNameOwner",
                signature="s",
                body=[DAEMON],
            )
        )
        if said is not None and said.message_type is MessageType.METHOD_RETURN:
            self._owner = said.body[0]
        self._bus = bus
        bus.add_message_handler(self._take)
        monitoring = Message(
            destination=BUS,
            path="/org/freedesktop/DBus",
            interface=f"{BUS}.Monitoring",
            member="BecomeMonitor",
            signature="asu",
            body=[[], 0],
        )
        said = await bus.call(monitoring)
        if said is None or said.message_type is not MessageType.METHOD_RETURN:
            raise RuntimeError(f"the bus lets nobody watch: {said and said.body}")
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._bus is not None:
            self._bus.disconnect()

    def take_lines(self) -> list[str]:
        """Return the lines since the last call, repetitions left out."""
        lines, self.lines = self.lines, []
        return once(lines)

    def _take(self, message: Message) -> bool:
        try:
            line = self._line(message)
        except Exception as error:  # a monitor must not answer, whatever comes
            line = f"? {error!r}"
        if line:
            self.lines.append(line)
        return message.message_type is MessageType.METHOD_CALL

    def _line(self, message: Message) -> str:
        match message.message_type:
            case MessageType.METHOD_CALL:
                return self._call(message)
            case MessageType.SIGNAL:
                return self._signal(message)
        key = (str(message.destination), int(message.reply_serial or 0))
        called = self._calls.pop(key, None)
        if called is None:
            return ""
        if message.message_type is MessageType.ERROR:
            words = str(message.body[0]) if message.body else ""
            return f"! {called} {message.error_name}: {without_places(words)}"
        return f"< {called}"

    def _call(self, message: Message) -> str:
        if message.destination not in (DAEMON, self._owner) or not message.interface:
            return ""
        if self._is_other(str(message.path)):
            return ""
        if message.interface.endswith((".Properties", ".Introspectable")):
            return ""
        called = f"{message.interface.rpartition('.')[2]}.{message.member}"
        if called in OF_OTHERS:
            return ""
        self._calls[str(message.sender), message.serial] = called
        return f"> {called} {place(str(message.path))}".rstrip()

    def _signal(self, message: Message) -> str:
        if message.member == "NameOwnerChanged" and message.sender == BUS:
            name, _, new = message.body
            if name != DAEMON:
                return ""
            self._owner = new
            return f"# {DAEMON} {'there' if new else 'gone'}"
        if message.sender != self._owner:
            return ""
        if message.member == "PropertiesChanged":
            interface, changed, gone = message.body
            if self._is_other(str(message.path)):
                return ""
            parts = [f"{n}={_value(v)}" for n, v in sorted(changed.items()) if n not in WEATHER]
            parts += [f"{name} gone" for name in sorted(gone) if name not in WEATHER]
            kind = interface.rpartition(".")[2]
            return f"* {place(str(message.path))} {kind} {', '.join(parts)}" if parts else ""
        if message.member not in ("InterfacesAdded", "InterfacesRemoved"):
            return f"* {place(str(message.path))} {message.member}"
        path, interfaces = message.body
        added = message.member == "InterfacesAdded"
        if added:
            offered = interfaces.get("org.bluez.GattService1")
            if offered is not None and not offered["UUID"].value.startswith(SERIAL):
                self._other_services.add(path)
        kinds = [name.rpartition(".")[2] for name in sorted(interfaces) if "org.bluez" in name]
        if not kinds or self._is_other(path):
            return ""
        return f"{'+' if added else '-'} {place(path)} {' '.join(kinds)}"

    def _is_other(self, path: str) -> bool:
        return any(path == s or path.startswith(f"{s}/") for s in self._other_services)


def place(path: str) -> str:
    """Return what kind of object a path names; empty for the daemon's root."""
    for name, pattern in _PLACES:
        if pattern.search(path):
            return name
    return "" if path in ("/", "/org/bluez") else path


def without_places(text: str) -> str:
    """Return words without addresses."""
    return re.sub(r"([0-9A-F]{2}[:_]){5}[0-9A-F]{2}", "ADDRESS", text)


def _value(variant: Any) -> str:
    value = variant.value if isinstance(variant, Variant) else variant
    if isinstance(value, bool):
        return str(value).lower()
    return value if isinstance(value, str) and len(value) < 20 else "..."


async def settled(
    monitor: Monitor, quiet_s: float, at_least: int = 0, longest_s: float = 6.0
) -> None:
    """Wait until nothing has passed for a while, nor fewer lines than are to come."""
    loop = asyncio.get_running_loop()
    end_s = loop.time() + longest_s
    seen, since_s = len(monitor.lines), loop.time()
    while loop.time() < end_s:
        await asyncio.sleep(0.02)
        if len(monitor.lines) != seen:
            seen, since_s = len(monitor.lines), loop.time()
        elif loop.time() - since_s >= quiet_s and len(once(monitor.lines)) >= at_least:
            return


def once(lines: list[str]) -> list[str]:
    """Return lines without repetitions that follow each other."""
    return [line for at, line in enumerate(lines) if at == 0 or lines[at - 1] != line]
