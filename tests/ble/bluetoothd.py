"""A stand-in for bluetoothd on a private bus: adapter, devices, their serial services.

A process of its own. What bleak's BlueZ backend asks of the daemon is answered as BlueZ 5.66
does, with the same signals in the same order and the same names of errors: tests/lab/trace holds
what was recorded of the real one, and test_stand_in_agrees.py compares. Behind each device is a
serial line: a Unix socket, where a pod is.

    bluetoothd.py BUS_ADDRESS < commands

Commands are JSON, one a line; each is answered by one line of JSON. See `Daemon.command`.
"""

from __future__ import annotations

import asyncio
import json
import sys
from collections import deque
from dataclasses import dataclass, field
from typing import Any

from dbus_fast import Message, MessageFlag, MessageType, Variant
from dbus_fast.aio import MessageBus

BASE = "-0000-1000-8000-00805f9b34fb"
SERVICES: dict[str, tuple[str, list[tuple[str, list[str]]]]] = {
    "module": (
        f"0000ffe0{BASE}",
        [(f"0000ffe1{BASE}", ["read", "write-without-response", "notify"])],
    ),
    "uart": (
        "6e400001-b5a3-f393-e0a9-e50e24dcca9e",
        [
            ("6e400002-b5a3-f393-e0a9-e50e24dcca9e", ["write"]),
            ("6e400003-b5a3-f393-e0a9-e50e24dcca9e", ["notify"]),
        ],
    ),
    "other": ("0000180f" + BASE, [("00002a19" + BASE, ["read", "notify"])]),
}
ADAPTER = "/org/bluez/hci0"
PROPERTIES = "org.freedesktop.DBus.Properties"
OBJECTS = "org.freedesktop.DBus.ObjectManager"
DEVICE = "org.bluez.Device1"
ADAPTER1 = "org.bluez.Adapter1"
CHARACTERISTIC = "org.bluez.GattCharacteristic1"
SERVICE = "org.bluez.GattService1"
DESCRIPTOR = "org.bluez.GattDescriptor1"
ROOT_OBJECTS = ("AgentManager1", "HealthManager1", "ProfileManager1")
ADAPTER_OTHERS = ("GattManager1", "LEAdvertisingManager1", "Media1")
MOST_OUTGOING = 20
"""Messages of the bus that wait before the radio does: the listener sets the pace."""
ADVERTISING_S = 0.1
MODULE_BUFFER = 512
"""Bytes a module holds for the radio; of more, the newest are lost."""


@dataclass
class Device:
    """A peripheral, and the serial line behind it."""

    address: str
    name: str = "knuckle-1"
    service: str = "module"
    mtu: int = 23
    rssi: int = -60
    advertises_uuid: bool = True
    in_reach: bool = True
    uart: str = ""
    radio_bytes_per_s: float = 0.0
    starts_when_heard: bool = False
    known: bool = False
    connected: bool = False
    resolved: bool = False
    cached: bool = False
    connecting: Message | None = None
    notifying: set[str] = field(default_factory=set)
    waiting: bytearray = field(default_factory=bytearray)
    dropped_bytes: int = 0
    writer: asyncio.StreamWriter | None = None
    reads: int = 0

    @property
    def path(self) -> str:
        return f"{ADAPTER}/dev_{self.address.replace(':', '_')}"


class Daemon:
    """Answers on the bus; does what the commands say."""

    def __init__(self, bus: MessageBus) -> None:
        self.bus = bus
        self.devices: dict[str, Device] = {}
        self.has_adapter = True
        self.stored: list[Device] = []
        self.powered = True
        self.roles = ["central", "peripheral"]
        self.scanners: set[str] = set()
        self.faults: dict[str, deque[str]] = {}
        self.calls: list[str] = []
        self.disconnect_takes_s = 0.0
        self.outgoing: asyncio.Queue[Message] = asyncio.Queue()
        self.tasks: set[asyncio.Task[Any]] = set()

    # ---- what the tests say

    async def command(self, said: dict[str, Any]) -> Any:
        """Do what a test says.

        device: add or change a device; drop: end a connection; adapter: present, powered;
        fault: what the next calls of a method do instead: an error name, "hang", "drop";
        calls: what was called since; state: what holds now.
        """
        what = said.pop("do")
        if what == "device":
            address = said["address"]
            known = self.devices.get(address)
            if known is None:
                known = self.devices[address] = Device(**said)
                if known.uart and not known.starts_when_heard:
                    self.spawn(self.carry(known))
                if known.known:
                    self.signal_added(known.path, {DEVICE: self.device_properties(known)})
            else:
                for name, value in said.items():
                    setattr(known, name, value)
            if self.scanners:
                self.sight(known)
        elif what == "drop":
            self.lose(self.devices[said["address"]])
        elif what == "remove":
            device = self.devices[said["address"]]
            self.lose(device)
            self.forget(device)
        elif what == "adapter":
            self.set_adapter(**said)
        elif what == "fault":
            self.faults.setdefault(said["member"], deque()).extend(said["acts"])
        elif what == "calls":
            calls, self.calls = self.calls, []
            return calls
        elif what == "set":
            setattr(self, said["name"], said["value"])
        elif what == "state":
            return {
                address: {
                    "connected": device.connected,
                    "notifying": len(device.notifying),
                    "dropped_bytes": device.dropped_bytes,
                    "reads": device.reads,
                }
                for address, device in self.devices.items()
            }
        else:
            raise ValueError(what)
        return "done"

    def set_adapter(self, present: bool | None = None, powered: bool | None = None) -> None:
        off = {"Powered": Variant("b", False), "Discovering": Variant("b", False)}
        if powered is not None and powered != self.powered:
            for device in self.devices.values():
                self.lose(device)
            self.powered = powered
            if powered:
                self.changed(ADAPTER, ADAPTER1, {"Powered": Variant("b", True)})
            else:
                self.scanners.clear()
                self.changed(ADAPTER, ADAPTER1, off)
        if present is not None and present != self.has_adapter:
            self.has_adapter = present
            if not present:
                for device in self.devices.values():
                    self.lose(device)
                self.scanners.clear()
                self.changed(ADAPTER, ADAPTER1, off)
                self.stored = [device for device in self.devices.values() if device.known]
                for device in self.stored:
                    self.forget(device)
                self.signal_removed(ADAPTER, list(self.adapter_interfaces()))
                return
            self.signal_added(ADAPTER, self.adapter_interfaces())
            for device in self.stored:
                device.known = True
                self.signal_added(device.path, {DEVICE: self.device_properties(device)})

    # ---- the serial line behind a device

    async def carry(self, device: Device, after_s: float = 0.0) -> None:
        """Carry what the pod sends to the radio."""
        reader, device.writer = await asyncio.open_unix_connection(device.uart)
        await asyncio.sleep(after_s)
        self.spawn(self.radiate(device))
        while data := await reader.read(4096):
            while len(device.waiting) > MODULE_BUFFER and not device.radio_bytes_per_s:
                await asyncio.sleep(0.001)  # a radio without a limit is as fast as its listener
            if not device.notifying or not device.connected:
                continue  # a module without a listener throws away what comes
            room = len(data)
            if device.radio_bytes_per_s:
                room = max(0, MODULE_BUFFER - len(device.waiting))
            device.waiting += data[:room]
            device.dropped_bytes += max(0, len(data) - room)

    async def radiate(self, device: Device) -> None:
        """Notify what waits, in packets, no faster than the radio carries it."""
        while True:
            if not device.waiting or not device.notifying or not device.connected:
                await asyncio.sleep(0.002)
                continue
            size = device.mtu - 3
            packet = bytes(device.waiting[:size])
            del device.waiting[:size]
            path = self.notifier(device)
            self.changed(path, CHARACTERISTIC, {"Value": Variant("ay", packet)})
            if device.radio_bytes_per_s:
                await asyncio.sleep(len(packet) / device.radio_bytes_per_s)
            while self.outgoing.qsize() > MOST_OUTGOING:
                await asyncio.sleep(0.001)

    # ---- objects

    def characteristics(self, device: Device) -> list[tuple[str, str, list[str]]]:
        _, offered = SERVICES[device.service]
        service = f"{device.path}/service000c"
        return [
            (f"{service}/char{0x0D + 3 * number:04x}", uuid, flags)
            for number, (uuid, flags) in enumerate(offered)
        ]

    def notifier(self, device: Device) -> str:
        return next(path for path, _, flags in self.characteristics(device) if "notify" in flags)

    def adapter_interfaces(self) -> dict[str, dict[str, Variant]]:
        return {
            **{f"org.bluez.{name}": {} for name in ADAPTER_OTHERS},
            ADAPTER1: {
                "Address": Variant("s", "00:1A:7D:DA:71:13"),
                "Name": Variant("s", "garage"),
                "Alias": Variant("s", "garage"),
                "Powered": Variant("b", self.powered),
                "Discovering": Variant("b", bool(self.scanners)),
                "Roles": Variant("as", self.roles),
            },
        }

    def device_properties(self, device: Device) -> dict[str, Variant]:
        shown = device.advertises_uuid or device.cached
        uuids = [SERVICES[device.service][0]] if shown else []
        return {
            "Address": Variant("s", device.address),
            "AddressType": Variant("s", "public"),
            "Name": Variant("s", device.name),
            "Alias": Variant("s", device.name or device.address.replace(":", "-")),
            "Paired": Variant("b", False),
            "Trusted": Variant("b", False),
            "Blocked": Variant("b", False),
            "Connected": Variant("b", device.connected),
            "ServicesResolved": Variant("b", device.resolved),
            "UUIDs": Variant("as", uuids),
            "Adapter": Variant("o", ADAPTER),
        }

    def gatt(self, device: Device) -> dict[str, dict[str, dict[str, Variant]]]:
        uuid, _ = SERVICES[device.service]
        service = f"{device.path}/service000c"
        objects = {
            service: {
                SERVICE: {
                    "UUID": Variant("s", uuid),
                    "Device": Variant("o", device.path),
                    "Primary": Variant("b", True),
                }
            }
        }
        for path, char_uuid, flags in self.characteristics(device):
            objects[path] = {
                CHARACTERISTIC: {
                    "UUID": Variant("s", char_uuid),
                    "Service": Variant("o", service),
                    "Value": Variant("ay", b""),
                    "Notifying": Variant("b", bool(device.notifying)),
                    "Flags": Variant("as", flags),
                    "MTU": Variant("q", device.mtu),
                }
            }
            if "notify" in flags:
                objects[f"{path}/desc{int(path[-4:], 16) + 2:04x}"] = {
                    DESCRIPTOR: {
                        "UUID": Variant("s", f"00002902{BASE}"),
                        "Characteristic": Variant("o", path),
                        "Value": Variant("ay", b""),
                    }
                }
        return objects

    def objects(self) -> dict[str, dict[str, dict[str, Variant]]]:
        found: dict[str, dict[str, dict[str, Variant]]] = {}
        if not self.has_adapter:
            return found
        found[ADAPTER] = self.adapter_interfaces()
        for device in self.devices.values():
            if device.known:
                found[device.path] = {DEVICE: self.device_properties(device)}
            if device.cached:
                found |= self.gatt(device)
        return found

    # ---- what happens

    def sight(self, device: Device) -> None:
        """Tell of an advertisement."""
        if not device.in_reach or device.connected or not self.powered or not self.has_adapter:
            return
        rssi = {"RSSI": Variant("n", device.rssi)}
        if device.known:
            self.changed(device.path, DEVICE, rssi)
            return
        device.known = True
        self.signal_added(device.path, {DEVICE: {**self.device_properties(device), **rssi}})

    async def advertise(self) -> None:
        """Let those in reach be heard again and again while somebody scans."""
        while True:
            await asyncio.sleep(ADVERTISING_S)
            if self.scanners:
                for device in self.devices.values():
                    self.sight(device)

    def forget(self, device: Device) -> None:
        if device.cached:
            for path, interfaces in reversed(list(self.gatt(device).items())):
                self.signal_removed(path, list(interfaces))
        device.cached = False
        device.notifying.clear()
        if device.known:
            device.known = False
            self.signal_removed(device.path, [DEVICE])

    def lose(self, device: Device) -> None:
        """End a connection, as when the pod goes out of reach; what it offers stays known."""
        device.waiting.clear()
        if not device.connected:
            return
        gone = {"Connected": Variant("b", False)}
        if device.resolved:
            gone["ServicesResolved"] = Variant("b", False)
        device.connected = device.resolved = False
        self.changed(device.path, DEVICE, gone)

    def resolve(self, device: Device) -> None:
        told = {"ServicesResolved": Variant("b", True)}
        device.resolved = True
        if not device.cached:
            device.cached = True
            for path, interfaces in self.gatt(device).items():
                self.signal_added(path, interfaces)
            told["UUIDs"] = self.device_properties(device)["UUIDs"]
        self.changed(device.path, DEVICE, told)

    # ---- the bus

    def on_message(self, message: Message) -> bool:
        if message.message_type is MessageType.SIGNAL:
            if message.member == "NameOwnerChanged" and message.body[2] == "":
                self.client_left(message.body[0])
            return False
        if message.message_type is not MessageType.METHOD_CALL:
            return False
        if message.interface == "org.freedesktop.DBus.Peer":
            return False
        self.calls.append(str(message.member))
        self.spawn(self.answer(message))
        return True

    def client_left(self, name: str) -> None:
        self.stop_scan(name)
        for device in self.devices.values():
            self.stop_notify(device, name)

    def stop_scan(self, name: str) -> None:
        if name in self.scanners:
            self.scanners.discard(name)
            if not self.scanners:
                self.changed(ADAPTER, ADAPTER1, {"Discovering": Variant("b", False)})

    def stop_notify(self, device: Device, name: str) -> None:
        if name in device.notifying:
            device.notifying.discard(name)
            if not device.notifying:
                values = {"Notifying": Variant("b", False)}
                self.changed(self.notifier(device), CHARACTERISTIC, values)

    async def answer(self, message: Message) -> None:
        member = str(message.member)
        device = next((d for d in self.devices.values() if message.path.startswith(d.path)), None)
        acts = self.faults.get(member)
        if acts:
            act = acts.popleft()
            if act == "hang":
                return
            if act == "drop" and device is not None:
                if member == "Connect":
                    device.connected = True
                    self.changed(device.path, DEVICE, {"Connected": Variant("b", True)})
                    self.reply(message)
                    await asyncio.sleep(0.01)
                self.lose(device)
                if member != "Connect":
                    self.error(message, "org.bluez.Error.Failed", "Not connected")
                return
            if act != "pass":
                name, _, text = act.partition(" ")
                self.error(message, name, text)
                return
        if member == "GetManagedObjects":
            self.reply(message, "a{oa{sa{sv}}}", [self.objects()])
        elif not self.has_adapter:
            self.error(
                message,
                "org.freedesktop.DBus.Error.UnknownObject",
                "Method does not exist",
            )
        elif message.path == ADAPTER:
            self.adapter_call(message)
        elif device is None or not device.known:
            self.error(
                message,
                "org.freedesktop.DBus.Error.UnknownObject",
                f'Method "{member}" with signature "" on interface "{DEVICE}" doesn\'t exist',
            )
        elif message.interface == DEVICE:
            await self.device_call(message, device)
        else:
            self.characteristic_call(message, device)

    def adapter_call(self, message: Message) -> None:
        if not self.powered:
            self.error(message, "org.bluez.Error.NotReady", "Resource Not Ready")
            return
        if message.member == "StartDiscovery":
            first = not self.scanners
            self.scanners.add(str(message.sender))
            self.reply(message)
            if first:
                self.changed(ADAPTER, ADAPTER1, {"Discovering": Variant("b", True)})
            for device in self.devices.values():
                self.sight(device)
            return
        if message.member == "StopDiscovery":
            if message.sender not in self.scanners:
                self.error(message, "org.bluez.Error.Failed", "No discovery started")
                return
            self.reply(message)
            self.stop_scan(str(message.sender))
            return
        self.reply(message)

    async def device_call(self, message: Message, device: Device) -> None:
        if message.member == "Connect":
            if not self.powered:
                self.error(message, "org.bluez.Error.Failed", "Input/output error")
                return
            if not device.in_reach:
                device.connecting = message  # for a long time, or until it is called off
                return
            if device.connected:
                self.reply(message)
                return
            device.connected = True
            self.changed(device.path, DEVICE, {"Connected": Variant("b", True)})
            self.reply(message)
            await asyncio.sleep(0.005)
            if device.connected:
                self.resolve(device)
        elif message.member == "Disconnect":
            called_off, device.connecting = device.connecting, None
            if called_off is not None:
                self.error(called_off, "org.bluez.Error.Failed", "br-connection-canceled")
            if device.resolved:
                device.resolved = False
                self.changed(device.path, DEVICE, {"ServicesResolved": Variant("b", False)})
            self.reply(message)
            if self.disconnect_takes_s:
                await asyncio.sleep(self.disconnect_takes_s)
            self.lose(device)
        else:
            self.error(message, "org.freedesktop.DBus.Error.UnknownMethod", "no such method")

    def characteristic_call(self, message: Message, device: Device) -> None:
        if not device.cached:
            self.error(message, "org.freedesktop.DBus.Error.UnknownObject", "Method does not exist")
        elif not device.connected and message.member not in ("StartNotify", "StopNotify"):
            self.error(message, "org.bluez.Error.Failed", "Not connected")
        elif not device.connected:
            self.reply(message)
        elif message.member == "StartNotify":
            first = not device.notifying
            device.notifying.add(str(message.sender))
            if device.uart and device.starts_when_heard:
                device.starts_when_heard = False
                # The library listens only once it has the answer: on a busy machine that is late.
                self.spawn(self.carry(device, after_s=0.5))
            if first:
                self.changed(str(message.path), CHARACTERISTIC, {"Notifying": Variant("b", True)})
            self.reply(message)
        elif message.member == "StopNotify":
            self.stop_notify(device, str(message.sender))
            self.reply(message)
        elif message.member == "WriteValue":
            value, options = bytes(message.body[0]), message.body[1]
            flags = next(
                flags for path, _, flags in self.characteristics(device) if path == message.path
            )
            needed = "write" if options["type"].value == "request" else "write-without-response"
            if needed not in flags:
                self.error(message, "org.bluez.Error.NotSupported", "Operation is not supported")
                return
            if len(value) > device.mtu - 3:
                self.error(message, "org.bluez.Error.InvalidArguments", "Invalid Length")
                return
            if device.writer is not None:
                device.writer.write(value)
            self.reply(message)
        elif message.member == "ReadValue":
            # As modules do: the value is read into the stream as well.
            device.reads += 1
            device.waiting += b"last value"
            self.reply(message, "ay", [b"last value"])
        else:
            self.error(message, "org.bluez.Error.NotSupported", "Operation is not supported")

    def changed(self, path: str, interface: str, values: dict[str, Variant]) -> None:
        self.signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", [interface, values, []])

    def signal_added(self, path: str, interfaces: dict[str, dict[str, Variant]]) -> None:
        self.signal("/", OBJECTS, "InterfacesAdded", "oa{sa{sv}}", [path, interfaces])

    def signal_removed(self, path: str, interfaces: list[str]) -> None:
        self.signal("/", OBJECTS, "InterfacesRemoved", "oas", [path, interfaces])

    def signal(self, path: str, interface: str, member: str, signature: str, body: list) -> None:
        self.outgoing.put_nowait(Message.new_signal(path, interface, member, signature, body))

    def reply(self, message: Message, signature: str = "", body: list | None = None) -> None:
        if not message.flags & MessageFlag.NO_REPLY_EXPECTED:
            self.outgoing.put_nowait(Message.new_method_return(message, signature, body or []))

    def error(self, message: Message, name: str, text: str) -> None:
        self.outgoing.put_nowait(Message.new_error(message, name, text))

    async def send_on(self) -> None:
        """Send one after the other: the library gives up where the socket is full."""
        while True:
            await self.bus.send(await self.outgoing.get())

    def spawn(self, work: Any) -> None:
        task = asyncio.create_task(work)
        self.tasks.add(task)
        task.add_done_callback(self.tasks.discard)


async def main(address: str) -> None:
    bus = await MessageBus(bus_address=address).connect()
    daemon = Daemon(bus)
    bus.add_message_handler(daemon.on_message)
    await bus.call(
        Message(
            destination="org.freedesktop.DBus",
            path="/org/freedesktop/DBus",
            interface="org.freedesktop.DBus",
            member="AddMatch",
            signature="s",
            body=["type='signal',member='NameOwnerChanged'"],
        )
    )
    daemon.spawn(daemon.send_on())
    daemon.spawn(daemon.advertise())
    await bus.request_name("org.bluez")
    daemon.signal_added("/org/bluez", {f"org.bluez.{name}": {} for name in ROOT_OBJECTS})
    daemon.signal_added(ADAPTER, daemon.adapter_interfaces())
    loop = asyncio.get_running_loop()
    reader = asyncio.StreamReader()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    print(json.dumps("ready"), flush=True)
    while line := await reader.readline():
        print(json.dumps(await daemon.command(json.loads(line))), flush=True)


if __name__ == "__main__":
    asyncio.run(main(sys.argv[1]))
